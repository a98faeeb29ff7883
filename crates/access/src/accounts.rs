//! People and tokens, as the access file has them.

use serde::{Deserialize, Serialize};

use crate::{Role, secret};

/// People and tokens.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Accounts {
    /// Who signs in with a password.
    #[serde(default)]
    pub person: Vec<Person>,
    /// What machines show.
    #[serde(default)]
    pub token: Vec<Token>,
}

/// Somebody who signs in.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Person {
    /// What they sign in as.
    pub name: String,
    /// What they may do.
    pub role: Role,
    /// The password's hash in the PHC string format.
    pub password: String,
}

/// What a machine shows.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Token {
    /// What it is for.
    pub name: String,
    /// What its holder may do.
    pub role: Role,
    /// SHA-256 of the token in hexadecimal digits.
    pub sha256: String,
}

/// What can't be done with people and tokens.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum AccountsError {
    /// The text is not what it should be; with line and column.
    #[error("{0}")]
    Unreadable(String),
    /// A name that can't be one.
    #[error("`{0}` can't be a name; use 1 to 64 letters, digits, `-`, `_` and `.`")]
    Name(String),
    /// A name that is there already.
    #[error("there is a {0} `{1}` already; give this one another name")]
    Taken(&'static str, String),
    /// A name that is not there.
    #[error("there is no {0} `{1}`; `foldwatch access list` tells who there is")]
    Unknown(&'static str, String),
    /// Nobody would be left who may administer.
    #[error("`{0}` is the last one who may administer; add another one first")]
    Last(String),
    /// What is kept of a secret can't be that.
    #[error("what is kept for `{0}` is no hash: {1}; set it anew")]
    Hash(String, String),
}

impl Accounts {
    /// From the access file's text.
    ///
    /// # Errors
    /// The first thing that is wrong with it.
    pub fn parse(text: &str) -> Result<Accounts, AccountsError> {
        let accounts: Accounts =
            toml::from_str(text).map_err(|error| AccountsError::Unreadable(error.to_string()))?;
        for (n, person) in accounts.person.iter().enumerate() {
            name(&person.name)?;
            secret::checked(&person.password).map_err(|why| AccountsError::Hash(person.name.clone(), why))?;
            if accounts.person.iter().take(n).any(|other| other.name == person.name) {
                return Err(AccountsError::Taken("person", person.name.clone()));
            }
        }
        for (n, token) in accounts.token.iter().enumerate() {
            name(&token.name)?;
            if token.sha256.len() != 64
                || !token.sha256.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'))
            {
                let why = "64 hexadecimal digits are wanted".to_owned();
                return Err(AccountsError::Hash(token.name.clone(), why));
            }
            if accounts.token.iter().take(n).any(|other| other.name == token.name) {
                return Err(AccountsError::Taken("token", token.name.clone()));
            }
        }
        Ok(accounts)
    }

    /// The access file's text.
    ///
    /// # Errors
    /// None is known: all of it can be written.
    pub fn to_text(&self) -> Result<String, AccountsError> {
        let text = toml::to_string(self).map_err(|error| AccountsError::Unreadable(error.to_string()))?;
        Ok(format!(
            "# Who may do what here. Written by `foldwatch access`; no secret stands in it.\n\n{text}"
        ))
    }

    /// Adds somebody.
    ///
    /// # Errors
    /// A name that can't be one or is there already.
    pub fn add_person(&mut self, person: Person) -> Result<(), AccountsError> {
        name(&person.name)?;
        if self.person.iter().any(|other| other.name == person.name) {
            return Err(AccountsError::Taken("person", person.name));
        }
        self.person.push(person);
        Ok(())
    }

    /// Gives somebody another password.
    ///
    /// # Errors
    /// Nobody of that name.
    pub fn set_password(&mut self, name: &str, hash: String) -> Result<(), AccountsError> {
        let person = self.person.iter_mut().find(|person| person.name == name);
        person.ok_or_else(|| AccountsError::Unknown("person", name.to_owned()))?.password = hash;
        Ok(())
    }

    /// Gives somebody another role.
    ///
    /// # Errors
    /// Nobody of that name, or nobody would be left who may administer.
    pub fn set_role(&mut self, name: &str, role: Role) -> Result<(), AccountsError> {
        if role < Role::Administer {
            self.keep_one(name)?;
        }
        let person = self.person.iter_mut().find(|person| person.name == name);
        person.ok_or_else(|| AccountsError::Unknown("person", name.to_owned()))?.role = role;
        Ok(())
    }

    /// Takes somebody out.
    ///
    /// # Errors
    /// Nobody of that name, or nobody would be left who may administer.
    pub fn remove_person(&mut self, name: &str) -> Result<(), AccountsError> {
        self.keep_one(name)?;
        let before = self.person.len();
        self.person.retain(|person| person.name != name);
        if self.person.len() < before {
            Ok(())
        } else {
            Err(AccountsError::Unknown("person", name.to_owned()))
        }
    }

    /// Adds a token.
    ///
    /// # Errors
    /// A name that can't be one or is there already.
    pub fn add_token(&mut self, token: Token) -> Result<(), AccountsError> {
        name(&token.name)?;
        if self.token.iter().any(|other| other.name == token.name) {
            return Err(AccountsError::Taken("token", token.name));
        }
        self.token.push(token);
        Ok(())
    }

    /// Takes a token out.
    ///
    /// # Errors
    /// None of that name.
    pub fn remove_token(&mut self, name: &str) -> Result<(), AccountsError> {
        let before = self.token.len();
        self.token.retain(|token| token.name != name);
        if self.token.len() < before { Ok(()) } else { Err(AccountsError::Unknown("token", name.to_owned())) }
    }

    /// Somebody is there who may administer, so that the daemon may be reached from elsewhere.
    pub fn is_set_up(&self) -> bool {
        self.person.iter().any(|person| person.role == Role::Administer)
    }

    fn keep_one(&self, name: &str) -> Result<(), AccountsError> {
        let administers = |person: &&Person| person.role == Role::Administer;
        let goes = self.person.iter().filter(administers).any(|person| person.name == name);
        if goes && self.person.iter().filter(administers).count() == 1 {
            return Err(AccountsError::Last(name.to_owned()));
        }
        Ok(())
    }
}

fn name(text: &str) -> Result<(), AccountsError> {
    let sound = |c: char| c.is_alphanumeric() || matches!(c, '-' | '_' | '.');
    if (1..=64).contains(&text.chars().count()) && text.chars().all(sound) {
        return Ok(());
    }
    Err(AccountsError::Name(text.escape_debug().to_string()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn person(name: &str, role: Role) -> Person {
        Person { name: name.into(), role, password: secret::hashed("x", &[1; 32]).unwrap() }
    }

    #[test]
    fn what_is_written_reads_the_same() {
        let mut accounts = Accounts::default();
        accounts.add_person(person("ann", Role::Administer)).unwrap();
        accounts.add_person(person("bob", Role::Work)).unwrap();
        let token = Token { name: "wall".into(), role: Role::Look, sha256: secret::digest("t") };
        accounts.add_token(token.clone()).unwrap();
        assert_eq!(Accounts::parse(&accounts.to_text().unwrap()).unwrap(), accounts);
        assert_eq!(
            accounts.add_person(person("bob", Role::Look)).unwrap_err().to_string(),
            "there is a person `bob` already; give this one another name"
        );
        assert!(accounts.add_token(token).is_err());
        for bad in ["", "a b", "a/b", "<b>", &"x".repeat(65)] {
            assert!(accounts.add_person(person(bad, Role::Look)).is_err(), "{bad}");
        }
    }

    #[test]
    fn one_who_may_administer_stays() {
        let mut accounts = Accounts::default();
        assert!(!accounts.is_set_up());
        accounts.add_person(person("ann", Role::Administer)).unwrap();
        accounts.add_person(person("bob", Role::Work)).unwrap();
        assert!(matches!(accounts.remove_person("ann"), Err(AccountsError::Last(_))));
        assert!(matches!(accounts.set_role("ann", Role::Work), Err(AccountsError::Last(_))));
        accounts.set_role("bob", Role::Administer).unwrap();
        accounts.remove_person("ann").unwrap();
        assert!(accounts.is_set_up());
        assert!(matches!(accounts.remove_person("ann"), Err(AccountsError::Unknown(..))));
    }

    #[test]
    fn a_wrong_file_is_told() {
        let said = |text: &str| Accounts::parse(text).unwrap_err().to_string();
        assert!(
            said("[[person]]\nname = \"a\"\nrole = \"king\"\npassword = \"\"\n").contains("line 3, column 8")
        );
        assert!(
            said("[[person]]\nname = \"a\"\nrole = \"work\"\npassword = \"secret\"\n").contains("no hash")
        );
        assert!(
            said("[[token]]\nname = \"a\"\nrole = \"work\"\nsha256 = \"12\"\n").contains("64 hexadecimal")
        );
        assert!(said("[[persons]]\n").contains("persons"));
    }
}
