//! What is said of a matter.

use foldwatch_units::Micros;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::matter::{Matter, Subject, Urgency};

/// Where the pages are for those who are told: `https://roofs.example.org`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Page(pub String);

/// A message. The body of a webhook is this as JSON; a mail says the same in words.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Message {
    /// The same for every try of this message, and no other's.
    pub id: String,
    /// The car's id.
    pub car: String,
    /// Its name for people.
    pub name: String,
    /// What it is about.
    pub subject: Subject,
    /// How soon somebody should know.
    pub urgency: Urgency,
    /// A short line.
    pub title: String,
    /// Sentences for the person.
    pub words: String,
    /// When it first showed (RFC 3339).
    pub first: String,
    /// When it last showed.
    pub last: String,
    /// In how many cycles it showed.
    pub cycles: u32,
    /// Where to look; left out where nobody said where the pages are.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub page: Option<String>,
}

impl Message {
    pub(crate) fn new(matter: &Matter, id: String, page: Option<&Page>) -> Self {
        Message {
            id,
            car: matter.car.clone(),
            name: matter.name.clone(),
            subject: matter.subject.clone(),
            urgency: matter.urgency,
            title: matter.title.clone(),
            words: matter.words.clone(),
            first: written(matter.first),
            last: written(matter.last),
            cycles: matter.cycles,
            page: page.map(|Page(at)| format!("{}/cars/{}", at.trim_end_matches('/'), escaped(&matter.car))),
        }
    }

    /// The subject line of a mail. No line ends in it, whatever a car is called.
    pub fn headline(&self) -> String {
        let line = format!("{}: {}", self.name, self.title);
        line.chars().map(|c| if c.is_control() { ' ' } else { c }).collect()
    }

    /// The text of a mail.
    pub fn text(&self) -> String {
        let times = match self.cycles {
            1 => format!("Seen once, {}.", self.last),
            n => format!("Seen in {n} cycles, first {}, last {}.", self.first, self.last),
        };
        let page = self.page.as_ref().map(|page| format!("\n{page}\n")).unwrap_or_default();
        let words = &self.words;
        format!(
            "{words}\n\n{times}\n{page}\nYou are told once. It can become a new matter after work that is entered in the \
             service record, or after it has not shown for a while.\n"
        )
    }
}

fn written(at: Micros) -> String {
    let whole = Micros(at.0 - at.0.rem_euclid(1_000_000));
    Timestamp::from_microsecond(whole.0).map_or_else(|_| at.0.to_string(), |stamp| stamp.to_string())
}

/// A car's id in a path (RFC 3986, section 2.3: all but the unreserved is escaped).
fn escaped(id: &str) -> String {
    id.bytes().fold(String::new(), |mut path, byte| {
        if byte.is_ascii_alphanumeric() || b"-._~".contains(&byte) {
            path.push(char::from(byte));
        } else {
            path.push_str(&format!("%{byte:02X}"));
        }
        path
    })
}
