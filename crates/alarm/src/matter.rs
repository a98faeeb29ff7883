//! One thing that somebody should know of a car, however often it shows.

use std::collections::BTreeMap;

use foldwatch_units::Micros;
use serde::{Deserialize, Serialize};

/// What a matter is about.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "of")]
pub enum Subject {
    /// The car should be booked: its times get worse, or a limit is passed. All its steps are one matter.
    Wear,
    /// Findings of one kind at one step or signal.
    Finding {
        /// The kind, as in tables: `missing-confirmation`.
        kind: String,
        /// The step.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        phase: Option<String>,
        /// The signal.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        signal: Option<String>,
    },
    /// Nothing: somebody tries whether messages arrive.
    Trial,
}

/// How soon somebody should know.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Urgency {
    /// Once it has shown in several cycles.
    WhenRepeated,
    /// The first time.
    AtOnce,
}

/// What was seen of a car.
#[derive(Debug, Clone, PartialEq)]
pub struct Seen {
    /// The car's id.
    pub car: String,
    /// Its name for people.
    pub name: String,
    /// What it is about.
    pub subject: Subject,
    /// How soon somebody should know.
    pub urgency: Urgency,
    /// When: the start of the cycle.
    pub at: Micros,
    /// A short line: "closing does not end".
    pub title: String,
    /// Sentences for the person.
    pub words: String,
}

/// A matter as it stands.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Matter {
    /// The car's id.
    pub car: String,
    /// Its name for people.
    pub name: String,
    /// What it is about.
    pub subject: Subject,
    /// How soon somebody should know.
    pub urgency: Urgency,
    /// The how-many-eth time that this is a matter of the car: after work on the roof it may become one again.
    pub occasion: u32,
    /// When it first showed.
    pub first: Micros,
    /// When it last showed.
    pub last: Micros,
    /// In how many cycles it showed.
    pub cycles: u32,
    /// A short line.
    pub title: String,
    /// The newest sentences.
    pub words: String,
    /// When it ended: work was done, or it showed no more; `None`: it stands.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ended: Option<Micros>,
    /// What became of its message, by way of telling.
    #[serde(default)]
    pub told: BTreeMap<String, Delivery>,
}

/// What became of one message.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Delivery {
    /// The message as it was made for the first try; every further try is the same to the byte.
    pub body: String,
    /// When it was first tried.
    pub since: Micros,
    /// Tries so far.
    pub tries: u32,
    /// When it is tried again; `None`: no more.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub next: Option<Micros>,
    /// When it arrived.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub arrived: Option<Micros>,
    /// Why the last try failed; empty: none did.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub trouble: String,
}

impl Matter {
    pub(crate) fn new(seen: &Seen, occasion: u32) -> Self {
        Matter {
            car: seen.car.clone(),
            name: seen.name.clone(),
            subject: seen.subject.clone(),
            urgency: seen.urgency,
            occasion,
            first: seen.at,
            last: seen.at,
            cycles: 1,
            title: seen.title.clone(),
            words: seen.words.clone(),
            ended: None,
            told: BTreeMap::new(),
        }
    }

    pub(crate) fn is_of(&self, seen: &Seen) -> bool {
        self.car == seen.car && self.subject == seen.subject
    }

    pub(crate) fn again(&mut self, seen: &Seen) {
        self.name.clone_from(&seen.name);
        self.urgency = self.urgency.max(seen.urgency);
        if seen.at > self.last {
            self.last = seen.at;
            self.cycles = self.cycles.saturating_add(1);
        }
        if seen.at >= self.last {
            self.title.clone_from(&seen.title);
            self.words.clone_from(&seen.words);
        }
    }
}
