//! What is kept about cars, their cycles, and what people wrote.
//!
//! These are the store's own shapes: a change of a chart or of a score reaches them only through a migration.

use foldwatch_units::{Celsius, Direction, Micros, Seconds, Volts};

/// A car, as its latest revision has it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Car {
    /// Short name for files and addresses: letters, digits, `-`, `_`; 1 to 64 of them.
    pub id: String,
    /// Name for people.
    pub name: String,
    /// Id of its roof profile.
    pub profile: String,
    /// When this was entered.
    pub recorded: Micros,
}

/// One text of a roof profile. Revisions count from 1; a correction is an addition.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProfileText {
    /// The profile's id.
    pub profile: String,
    /// Which text of it.
    pub revision: u32,
    /// The TOML text.
    pub text: String,
    /// When it was entered.
    pub recorded: Micros,
}

/// A logger and where it sits.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Logger {
    /// Its id.
    pub id: String,
    /// The car that it is attached to.
    pub car: String,
    /// Since when.
    pub attached: Micros,
    /// When its latest frame came, by the host's clock.
    pub last_seen: Option<Micros>,
    /// Which start of it that frame came from.
    pub last_boot: Option<u64>,
}

/// How much a finding weighs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Weight {
    /// Worth knowing.
    Note,
    /// See to it.
    Attend,
    /// Do not use the roof until it is seen to.
    StopUsing,
}

impl Weight {
    /// 1, 2, 3: as it stands in the database.
    pub(crate) fn rank(self) -> u8 {
        match self {
            Weight::Note => 1,
            Weight::Attend => 2,
            Weight::StopUsing => 3,
        }
    }

    pub(crate) fn from_rank(rank: u8) -> Option<Self> {
        [Weight::Note, Weight::Attend, Weight::StopUsing].into_iter().find(|weight| weight.rank() == rank)
    }
}

/// A cycle in a list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CycleSummary {
    /// Which car.
    pub car: String,
    /// First drive. With the car, the cycle's identity.
    pub start: Micros,
    /// Last drive.
    pub end: Micros,
    /// Where it was going.
    pub direction: Direction,
    /// How it ended, by the name that stands in files.
    pub outcome: String,
    /// How many findings it has.
    pub findings: u32,
    /// The heaviest of them.
    pub worst: Option<Weight>,
}

/// A judged cycle with all that can be asked for by column.
#[derive(Debug, Clone, PartialEq)]
pub struct CycleRecord {
    /// Which car.
    pub car: String,
    /// First drive. With the car, the cycle's identity: writing it again replaces it whole.
    pub start: Micros,
    /// Last drive.
    pub end: Micros,
    /// Where it was going.
    pub direction: Direction,
    /// How it ended, by the name that stands in files.
    pub outcome: String,
    /// The whole judged cycle as JSON; the store does not look into it.
    pub judged: String,
    /// Its steps, in the order they were run.
    pub phases: Vec<PhaseRecord>,
    /// What was measured.
    pub measures: Vec<MeasureRecord>,
    /// What is wrong.
    pub findings: Vec<FindingRecord>,
}

impl CycleRecord {
    /// As it stands in a list.
    pub fn summary(&self) -> CycleSummary {
        CycleSummary {
            car: self.car.clone(),
            start: self.start,
            end: self.end,
            direction: self.direction,
            outcome: self.outcome.clone(),
            findings: u32::try_from(self.findings.len()).unwrap_or(u32::MAX),
            worst: self.findings.iter().map(|finding| finding.weight).max(),
        }
    }
}

/// A step of a cycle.
#[derive(Debug, Clone, PartialEq)]
pub struct PhaseRecord {
    /// Whose sequence it belongs to.
    pub direction: Direction,
    /// Its place in the profile's sequence, from 0.
    pub index: u32,
    /// Its name.
    pub name: String,
    /// When it began.
    pub start: Micros,
    /// How long it took.
    pub duration: Seconds,
    /// Standard uncertainty of the duration.
    pub u_duration: Seconds,
    /// `confirmed`, `late`, `inferred`, `missing`.
    pub confirmation: String,
    /// The duration at the profile's reference conditions.
    pub corrected: Option<Seconds>,
    /// Oil temperature.
    pub oil: Option<Celsius>,
    /// Supply while the pump ran.
    pub supply: Option<Volts>,
}

/// One measured number of a cycle.
#[derive(Debug, Clone, PartialEq)]
pub struct MeasureRecord {
    /// Place of its phase in [`CycleRecord::phases`]; `None`: it is about the whole cycle.
    pub phase: Option<u32>,
    /// Its name.
    pub name: String,
    /// The number.
    pub value: f64,
    /// Its standard uncertainty.
    pub u: Option<f64>,
    /// The unit of both.
    pub unit: String,
}

/// One thing that is wrong.
#[derive(Debug, Clone, PartialEq)]
pub struct FindingRecord {
    /// Its plain name, `missing-confirmation`.
    pub kind: String,
    /// How much it weighs.
    pub weight: Weight,
    /// The step it is about.
    pub phase: Option<String>,
    /// The signal it is about.
    pub signal: Option<String>,
    /// When.
    pub at: Micros,
    /// How much.
    pub value: Option<f64>,
    /// Against which limit.
    pub limit: Option<f64>,
    /// The unit of both; empty: none.
    pub unit: String,
    /// The sentence that a technician reads.
    pub message: String,
}

/// A finding with where it belongs.
#[derive(Debug, Clone, PartialEq)]
pub struct FindingRow {
    /// Which car.
    pub car: String,
    /// Start of its cycle; `None`: it belongs to none.
    pub cycle: Option<Micros>,
    /// The finding.
    pub finding: FindingRecord,
}

/// A phase with where it belongs.
#[derive(Debug, Clone, PartialEq)]
pub struct PhaseRow {
    /// Start of its cycle.
    pub cycle: Micros,
    /// How the cycle ended.
    pub outcome: String,
    /// The phase.
    pub phase: PhaseRecord,
}

/// A measure with where it belongs.
#[derive(Debug, Clone, PartialEq)]
pub struct MeasureRow {
    /// Start of its cycle.
    pub cycle: Micros,
    /// The measure.
    pub measure: MeasureRecord,
}

/// What the pipeline has made of a stretch of one car's journal, to be kept all or nothing.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Judged {
    /// Cycles; each replaces the one with its car and start.
    pub cycles: Vec<CycleRecord>,
    /// Findings that belong to no cycle, with their car; the same kind at the same time, signal and phase is the
    /// same finding.
    pub findings: Vec<(String, FindingRecord)>,
    /// Where to go on.
    pub checkpoint: Option<crate::Checkpoint>,
}

/// What an entry is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum EntryKind {
    /// Work that was done.
    Service,
    /// A note.
    Note,
    /// A check that was made, and its result.
    Check,
}

impl EntryKind {
    /// The name as it stands in files.
    pub fn as_str(self) -> &'static str {
        match self {
            EntryKind::Service => "service",
            EntryKind::Note => "note",
            EntryKind::Check => "check",
        }
    }

    pub(crate) fn parse(text: &str) -> Option<Self> {
        [EntryKind::Service, EntryKind::Note, EntryKind::Check].into_iter().find(|kind| kind.as_str() == text)
    }
}

/// What a person wrote about a car. It is never changed; a correction is another entry.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// Which car.
    pub car: String,
    /// What it is.
    pub kind: EntryKind,
    /// When it happened.
    pub at: Micros,
    /// When it was written.
    pub written: Micros,
    /// Who wrote it.
    pub author: String,
    /// Start of the cycle it is about.
    pub cycle: Option<Micros>,
    /// What was done, or which check.
    pub subject: String,
    /// What came of it.
    pub result: String,
    /// The rest.
    pub text: String,
    /// The entry of the same car that this one corrects.
    pub corrects: Option<u64>,
}

/// A stretch of time, `from` in it and `until` not.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Span {
    /// The first moment in it.
    pub from: Micros,
    /// The first moment after it.
    pub until: Micros,
}

impl Span {
    /// All times.
    pub const ALL: Span = Span { from: Micros::MIN, until: Micros::MAX };

    /// Whether the moment is in it.
    pub fn contains(self, at: Micros) -> bool {
        self.from <= at && at < self.until
    }
}

/// Which cycles. The defaults ask for the newest 100 of all cars.
#[derive(Debug, Clone, PartialEq)]
pub struct CycleQuery {
    /// Of this car only.
    pub car: Option<String>,
    /// That began in this time.
    pub span: Span,
    /// That went this way.
    pub direction: Option<Direction>,
    /// That ended so.
    pub outcome: Option<String>,
    /// With a finding of at least this weight.
    pub worst: Option<Weight>,
    /// Newest first; else oldest first. Cycles of one start come in the order of their cars' ids.
    pub newest_first: bool,
    /// No more than this.
    pub limit: u32,
}

impl Default for CycleQuery {
    fn default() -> Self {
        CycleQuery {
            car: None,
            span: Span::ALL,
            direction: None,
            outcome: None,
            worst: None,
            newest_first: true,
            limit: 100,
        }
    }
}

/// Which findings, newest first. The defaults ask for the newest 100 of all cars.
#[derive(Debug, Clone, PartialEq)]
pub struct FindingQuery {
    /// Of this car only.
    pub car: Option<String>,
    /// In this time.
    pub span: Span,
    /// Of this kind only.
    pub kind: Option<String>,
    /// At least this weight.
    pub weight: Option<Weight>,
    /// No more than this.
    pub limit: u32,
}

impl Default for FindingQuery {
    fn default() -> Self {
        FindingQuery { car: None, span: Span::ALL, kind: None, weight: None, limit: 100 }
    }
}
