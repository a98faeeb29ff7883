//! The table of causes: what each one shows, how likely it is beforehand, and what can be looked at.

use crate::place::Relation;

/// A fault is just noticeable, clear or gross: it is taken to be one of these, with even chances.
const DEGREES: [usize; 3] = [0, 1, 2];
/// The same of a fault of one of two kinds, between which there is nothing: a release slows, or it stops.
const KINDS: [usize; 2] = [0, 2];

/// Causes, signs and checks, read from a file and checked as a whole.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    /// For each sign, in the order of [`crate::SIGNS`]: the chance in a week, at one place, that it is seen although none
    /// of the causes is there.
    pub leak: Vec<f64>,
    /// The causes.
    pub causes: Vec<Cause>,
    /// What can be looked at.
    pub checks: Vec<Check>,
}

/// One cause.
#[derive(Debug, Clone, PartialEq)]
pub struct Cause {
    /// Its name in files.
    pub id: String,
    /// Its name for people.
    pub name: String,
    /// Where it can sit.
    pub scope: Scope,
    /// The chance, beforehand, that a car that is brought in has it, at any place.
    pub prior: f64,
    /// The two chances of each row are those of two kinds, with nothing between.
    pub two_kinds: bool,
    /// What it shows.
    pub shows: Vec<Row>,
}

impl Cause {
    /// The places in [`Row::chance`] of the degrees or kinds that it is taken to have.
    pub(crate) fn degrees(&self) -> &'static [usize] {
        if self.two_kinds { &KINDS } else { &DEGREES }
    }
}

/// Where a cause can sit: it is looked for at each such place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scope {
    /// The whole roof.
    Roof,
    /// What moves in a step.
    Step,
    /// What moves in a step, and what a cylinder moves in each of its steps.
    Mechanism,
    /// Each end-position switch that a step asks for, each member of a chain.
    Switch,
    /// Each valve.
    Valve,
    /// Each group of cylinders, pushing out, in or both ways.
    Cylinder,
    /// Each sensor.
    Sensor,
}

impl Scope {
    pub(crate) const WORDS: [(&'static str, Scope); 7] = [
        ("roof", Scope::Roof),
        ("step", Scope::Step),
        ("mechanism", Scope::Mechanism),
        ("switch", Scope::Switch),
        ("valve", Scope::Valve),
        ("cylinder", Scope::Cylinder),
        ("sensor", Scope::Sensor),
    ];
}

/// P(sign | cause).
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// The sign's place in [`crate::SIGNS`].
    pub sign: usize,
    /// Where it shows.
    pub at: Relation,
    /// It holds only where the log does not carry this.
    pub without: Option<Unrecorded>,
    /// The chance that a week shows it at all, for a just noticeable, a clear and a gross fault, or for each of its kinds.
    pub chance: [f64; 3],
    /// In how many of the cycles that could show it.
    pub often: Often,
    /// Where the row comes from.
    pub origin: String,
}

/// What a log may not carry, so that more causes look alike.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unrecorded {
    /// The supply's voltage: what a low one costs in speed is not accounted for.
    Supply,
    /// The pump's command.
    PumpCommand,
}

impl Unrecorded {
    pub(crate) const WORDS: [(&'static str, Unrecorded); 2] =
        [("supply", Unrecorded::Supply), ("pump-command", Unrecorded::PumpCommand)];
}

/// In how many of the cycles that could show it a sign is seen, once it is seen at all.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Often {
    /// Mostly in a few.
    Seldom,
    /// Mostly in some.
    Some,
    /// Mostly in nearly every one.
    Every,
}

impl Often {
    pub(crate) const WORDS: [(&'static str, Often); 3] =
        [("seldom", Often::Seldom), ("some", Often::Some), ("every", Often::Every)];

    /// Chances of the three classes of frequency, seldom first. Judgment.
    pub(crate) fn classes(self) -> [f64; 3] {
        match self {
            Often::Seldom => [0.7, 0.25, 0.05],
            Often::Some => [0.25, 0.5, 0.25],
            Often::Every => [0.07, 0.23, 0.7],
        }
    }
}

/// Something that a technician can look at, with one of two results.
#[derive(Debug, Clone, PartialEq)]
pub struct Check {
    /// Its name in files.
    pub id: String,
    /// What to do, as a sentence; `{at}` is the place, where there is one.
    pub does: String,
    /// The places that it is done at, one at a time.
    pub scope: Scope,
    /// How long it takes, in minutes.
    pub minutes: f64,
    /// What can hurt.
    pub hazard: Hazard,
    /// What to heed.
    pub caution: String,
    /// The name of the result that tells of trouble, and of the one that does not.
    pub results: [String; 2],
    /// The chance of the first result although no cause that makes it is there.
    pub leak: f64,
    /// For causes by their place in the table: the chance of the first result.
    pub given: Vec<(usize, f64)>,
    /// Where the chances come from.
    pub origin: String,
}

/// What can hurt in a check.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Hazard {
    /// Nothing beyond a shop's usual.
    None,
    /// Oil under pressure.
    Pressure,
    /// A part-open roof, or one that moves.
    MovingRoof,
    /// High currents, bridged contacts.
    Electric,
}

impl Hazard {
    pub(crate) const WORDS: [(&'static str, Hazard); 4] = [
        ("none", Hazard::None),
        ("pressure", Hazard::Pressure),
        ("moving-roof", Hazard::MovingRoof),
        ("electric", Hazard::Electric),
    ];

    /// The name as it stands in files.
    pub fn as_str(self) -> &'static str {
        Self::WORDS.iter().find(|(_, hazard)| *hazard == self).map_or("", |(word, _)| word)
    }
}
