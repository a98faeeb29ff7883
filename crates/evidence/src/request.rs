//! What a bag is to hold, and what has become of it.

use std::sync::Arc;

use foldwatch_profile::Profile;
use foldwatch_units::Micros;

use crate::{Digest, Paper};

/// What is to be put into a bag.
#[derive(Debug, Clone)]
pub struct Request {
    /// The roof.
    pub profile: Arc<Profile>,
    /// Its text, as used.
    pub profile_text: String,
    /// The column map's text, where one was used.
    pub columns_text: Option<String>,
    /// What a claim is about: the id of a car, or of a profile.
    pub subject: String,
    /// Its name for people.
    pub name: Option<String>,
    /// Settings beside profile and column map, in words: period, cycles.
    pub settings: Vec<String>,
    /// The service record.
    pub entries: Vec<Entry>,
    /// What profile and car were called before, oldest first, up to the ones in use. A correction is an addition: none
    /// is ever left out.
    pub revisions: Vec<Revision>,
    /// The commissioning record, as it was made: the ending of its name, and its bytes.
    pub commissioning: Option<(String, Vec<u8>)>,
    /// Findings that were told before: when their cycle began, kind, step. Those that the recordings in the bag alone do
    /// not give again are named in the report.
    pub told: Vec<(Micros, String, Option<String>)>,
    /// What else the report must say of its own making.
    pub remarks: Vec<String>,
    /// What is to be left out.
    pub leave_out: Vec<LeaveOut>,
    /// The date of the bag; without one that of the last thing recorded. The clock of the machine is never asked.
    pub at: Option<Micros>,
    /// Digest of the tag manifest of the bag that this one corrects.
    pub revises: Option<Digest>,
    /// What the report is set for.
    pub paper: Paper,
}

/// What can be left out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum LeaveOut {
    /// What may tell whose car it is: its name, names of logs and loggers, authors; and the originals, which carry them.
    Owner,
    /// The service record.
    Service,
    /// What was recorded, as it was recorded. The samples can't be held against the chain then without who has it.
    Originals,
}

impl LeaveOut {
    /// Each of them.
    pub const ALL: [LeaveOut; 3] = [LeaveOut::Owner, LeaveOut::Service, LeaveOut::Originals];

    /// What the bag says is left out.
    pub fn says(self) -> &'static str {
        match self {
            LeaveOut::Owner => {
                "owner: the car's name, names of logs and loggers, authors of entries, and the originals, which carry them"
            }
            LeaveOut::Service => "service: the service record",
            LeaveOut::Originals => "originals: what was recorded, as it was recorded",
        }
    }
}

/// A line of the service record.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Entry {
    /// Its number in the record, where it has one.
    pub number: Option<u64>,
    /// When it happened.
    pub at: Micros,
    /// When it was written, where that is known.
    pub written: Option<Micros>,
    /// `service`, `note` or `check`.
    pub kind: String,
    /// Who wrote it.
    pub author: String,
    /// What was done.
    pub subject: String,
    /// What came of it.
    pub result: String,
    /// The rest.
    pub text: String,
    /// The number of the entry that this one corrects; that one stays.
    pub corrects: Option<u64>,
}

/// One wording of something that has had several.
#[derive(Debug, Clone, PartialEq)]
pub struct Revision {
    /// `profile` or `car`.
    pub of: &'static str,
    /// Its id.
    pub id: String,
    /// From 1.
    pub number: u32,
    /// When it was entered.
    pub recorded: Micros,
    /// What it says.
    pub text: String,
}

/// What was made.
#[derive(Debug, Clone, PartialEq)]
pub struct Made {
    /// How many cycles are in it.
    pub cycles: usize,
    /// How many findings.
    pub findings: usize,
    /// Rows of samples.
    pub rows: u64,
    /// Digest of the tag manifest: names this bag among all others.
    pub tag_manifest: Digest,
    /// The end of the chain over what was recorded.
    pub chain_head: Digest,
    /// The end of the chain over the days in the archive, where there is one.
    pub seals_head: Option<Digest>,
    /// Bytes of the payload.
    pub bytes: u64,
}
