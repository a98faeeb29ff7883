//! What somebody may do.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

/// What somebody may do; each may what the ones before may.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Role {
    /// Look at everything that is recorded.
    Look,
    /// Enter what was seen and done on a car, too.
    Work,
    /// See who did what, too.
    Administer,
}

impl Role {
    /// All of them, the least first.
    pub const ALL: [Role; 3] = [Role::Look, Role::Work, Role::Administer];

    /// Its word.
    ///
    /// ```
    /// assert_eq!("work".parse(), Ok(foldwatch_access::Role::Work));
    /// ```
    pub fn as_str(self) -> &'static str {
        match self {
            Role::Look => "look",
            Role::Work => "work",
            Role::Administer => "administer",
        }
    }
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

impl FromStr for Role {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let found = Role::ALL.into_iter().find(|role| role.as_str() == text);
        found.ok_or_else(|| format!("`{text}` is no role; one of look, work, administer"))
    }
}

/// How somebody is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum By {
    /// By being on this machine; they have no name.
    Machine,
    /// By a session that was begun with a password.
    Session,
    /// By a token.
    Token,
}

/// Somebody whose request is to be answered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Caller {
    /// Their name; of whoever is only known to be on this machine, `this machine`.
    pub name: String,
    /// What they may do.
    pub role: Role,
    /// How they are known.
    pub by: By,
}

impl Caller {
    /// Whoever is on this machine and shows nothing: they may look.
    pub fn machine() -> Caller {
        Caller { name: "this machine".to_owned(), role: Role::Look, by: By::Machine }
    }
}
