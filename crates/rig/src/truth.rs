//! What really happened, to be written beside the log.

use foldwatch_profile::{PhaseRef, Profile};
use foldwatch_units::{Direction, Micros};

use crate::fault::{Expected, Fault};
use crate::params::RigParams;

/// One line of the truth, as JSON.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
#[serde(tag = "record", rename_all = "kebab-case")]
pub enum TruthLine {
    /// The roof: first line.
    Roof(Box<RoofTruth>),
    /// One cycle, in order of time.
    Cycle(Box<CycleTruth>),
    /// What happened to the log itself: last line.
    Log(Box<LogTruth>),
}

impl TruthLine {
    /// As one line of JSON, without its end.
    ///
    /// # Errors
    /// Never in practice: all keys are strings.
    pub fn to_json(&self) -> Result<String, serde_json::Error> {
        serde_json::to_string(self)
    }
}

/// What holds for the whole log.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct RoofTruth {
    /// The profile's id.
    pub profile: String,
    /// Seed of the scenario.
    pub seed: u64,
    /// Rows a second while the roof is driven.
    pub sample_rate_hz: f64,
    /// True parameters of the healthy roof, SI units.
    pub params: RigParams,
    /// Every fault of the scenario.
    pub faults: Vec<FaultTruth>,
}

/// What happened to the bytes.
#[derive(Debug, Clone, PartialEq, Default, serde::Serialize)]
pub struct LogTruth {
    /// Frames or lines written.
    pub frames: u64,
    /// Of these, damaged on purpose.
    pub damaged_frames: u64,
    /// Starts of the logger after the first.
    pub restarts: u32,
    /// Stretches that were left out.
    pub gaps_us: Vec<(Micros, Micros)>,
}

/// A fault with names instead of places.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct FaultTruth {
    /// Its kind.
    pub kind: String,
    /// Step that it sits in.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub phase: Option<String>,
    /// Direction of that step.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub direction: Option<Direction>,
    /// Signal that it sits at.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub signal: Option<String>,
    /// Strength: of the scenario's fault at its full growth, or that in the cycle.
    pub strength: f64,
}

impl FaultTruth {
    /// Of a fault, at a strength.
    pub fn of(fault: &Fault, strength: f64, profile: &Profile) -> FaultTruth {
        let (phase, direction, signal) = match fault.target {
            crate::Target::System => (None, None, None),
            crate::Target::Signal(ix) => (None, None, Some(profile.signal(ix).id.clone())),
            crate::Target::Step(step) => (Some(step.of(profile).name.clone()), Some(step.direction), None),
        };
        FaultTruth { kind: fault.kind.as_str().to_owned(), phase, direction, signal, strength }
    }
}

/// How a cycle really ended; the names are those of the analyser's outcomes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
pub enum TrueOutcome {
    /// The last step was done.
    #[serde(rename = "completed")]
    Completed,
    /// A demand was given, nothing was driven.
    #[serde(rename = "refused")]
    Refused,
    /// The operator let go.
    #[serde(rename = "stopped-by-operator")]
    Stopped,
    /// The unit gave up.
    #[serde(rename = "given-up")]
    GivenUp,
    /// It turned round.
    #[serde(rename = "reversed")]
    Reversed,
    /// The supply went away.
    #[serde(rename = "power-lost")]
    PowerLost,
    /// Pump without any valve.
    #[serde(rename = "service-run")]
    ServiceRun,
}

/// One cycle.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct CycleTruth {
    /// From 0.
    pub index: u32,
    /// First drive.
    pub start_us: Micros,
    /// End of the last drive.
    pub end_us: Micros,
    /// Where it was going, at first.
    pub direction: Direction,
    /// How it ended.
    pub outcome: TrueOutcome,
    /// It did not begin in an end position.
    pub from_part_way: bool,
    /// The steps, in order of time.
    pub phases: Vec<PhaseTruth>,
    /// Permissions that were missing, by their labels.
    pub refused_by: Vec<String>,
    /// Oil temperature at the start, °C.
    pub oil_c: f64,
    /// Temperature around, °C.
    pub ambient_c: f64,
    /// Lowest voltage at the supply tap while driving, V.
    pub lowest_supply_v: f64,
    /// Highest pressure, bar.
    pub highest_pressure_bar: f64,
    /// Drive after the last confirmation, s.
    pub run_on_s: f64,
    /// Faults at work.
    pub faults: Vec<FaultTruth>,
    /// What they should show.
    pub expect: Vec<Expected>,
}

/// One step as it really ran.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct PhaseTruth {
    /// Its name.
    pub name: String,
    /// Its place in the sequences.
    #[serde(flatten)]
    pub phase: PhaseRef,
    /// End of the step before, where this one's drive followed within 0.25 s; else the start of its drive.
    pub start_us: Micros,
    /// First contact of the confirming edge; without one, mechanical arrival; without either, end of its drive.
    pub end_us: Micros,
    /// The confirmation's edge came.
    pub confirmed: bool,
    /// All that moves was where it goes.
    pub arrived_us: Option<Micros>,
    /// Its drive ended or went over to the next step's.
    pub left_us: Micros,
    /// It moved on by itself while the unit waited in the step before, and the unit never came to it.
    pub carried: bool,
}
