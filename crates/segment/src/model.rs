//! A cycle, its phases, and what was recorded of it.

use foldwatch_profile::{PhaseRef, SignalIx};
use foldwatch_samples::GapCause;
use foldwatch_units::{Direction, Micros, Seconds};
use serde::{Deserialize, Serialize};

/// One movement of the roof, from the first drive after rest until drive has ended and stayed ended.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Cycle {
    /// First drive.
    pub start: Micros,
    /// Last drive.
    pub end: Micros,
    /// Where it was going (first, if it was reversed).
    pub direction: Direction,
    /// How it ended.
    pub outcome: Outcome,
    /// It did not begin in the end position that the direction starts from.
    pub from_part_way: bool,
    /// The steps that were run, in order of time.
    pub phases: Vec<PhaseRun>,
    /// For a refused demand: the permissions (places in the profile) that were missing.
    pub refused_by: Vec<usize>,
    /// Everything recorded from shortly before the start to the end of the tail.
    pub recording: Recording,
}

/// How a cycle ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Outcome {
    /// The last step of the sequence was reached.
    Completed,
    /// A demand was given and nothing was driven.
    Refused,
    /// The operator let go before the end.
    Stopped,
    /// The control unit ended the drive before the end although the demand stood.
    GivenUp,
    /// It turned round on the way.
    Reversed,
    /// The supply went away.
    PowerLost,
    /// What happened in between was not recorded.
    RecordingGap,
    /// Pump without any valve: a service run.
    ServiceRun,
}

impl Outcome {
    /// The name as it stands in files.
    pub fn as_str(self) -> &'static str {
        match self {
            Outcome::Completed => "completed",
            Outcome::Refused => "refused",
            Outcome::Stopped => "stopped-by-operator",
            Outcome::GivenUp => "given-up",
            Outcome::Reversed => "reversed",
            Outcome::PowerLost => "power-lost",
            Outcome::RecordingGap => "recording-gap",
            Outcome::ServiceRun => "service-run",
        }
    }
}

/// One step as it was run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PhaseRun {
    /// Which step of the profile.
    pub phase: PhaseRef,
    /// When it began.
    pub start: Micros,
    /// When it ended: its confirmation's edge, or what was inferred.
    pub end: Micros,
    /// From start to end less what was spent standing still with no drive.
    pub driven: Seconds,
    /// Standard uncertainty of the duration.
    pub u_duration: Seconds,
    /// What ended it.
    pub confirmation: Confirmation,
    /// When the confirmation's expression became true for good, wherever that was; `None`: never in this cycle.
    pub confirmed_at: Option<Micros>,
    /// When the drive went on to something else (next step, rest).
    pub left: Micros,
    /// Whether the unit went on to a later step afterwards.
    pub went_on: bool,
}

impl PhaseRun {
    /// From start to end.
    pub fn duration(&self) -> Seconds {
        self.end - self.start
    }
}

/// What ended a phase.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Confirmation {
    /// Its confirmation arrived while it ran.
    Confirmed,
    /// Its confirmation arrived, but only after the step was over by other evidence.
    Late,
    /// No confirmation; the end is inferred from other evidence.
    Inferred,
    /// No confirmation, and nothing else tells that the step was done.
    Missing,
}

impl Confirmation {
    /// The name as it stands in files.
    pub fn as_str(self) -> &'static str {
        match self {
            Confirmation::Confirmed => "confirmed",
            Confirmation::Late => "late",
            Confirmation::Inferred => "inferred",
            Confirmation::Missing => "missing",
        }
    }
}

/// What was recorded from shortly before a cycle to the end of its tail.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Recording {
    /// Times of the rows.
    pub times: Vec<Micros>,
    /// Numbers of the analog signals, each as long as `times`; NaN where nothing was recorded.
    pub analog: Vec<Trace>,
    /// State of every binary signal at the beginning, by its place in the profile; `None`: not recorded.
    pub initial: Vec<Option<bool>>,
    /// Every stable change of a binary signal, in order of time.
    pub edges: Vec<Edge>,
    /// Changes that did not last: shorter than the signal's debounce.
    pub glitches: Vec<Glitch>,
    /// Spans of unchanging drive, in order, without holes from the cycle's start to its end.
    pub drive: Vec<DriveSpan>,
    /// Stretches about which nothing is known.
    pub gaps: Vec<Gap>,
    /// Marks of the operator's button.
    pub marks: Vec<Micros>,
}

impl Recording {
    /// The numbers of one signal.
    pub fn trace(&self, signal: SignalIx) -> Option<&[f32]> {
        self.analog.iter().find(|trace| trace.signal == signal).map(|trace| trace.values.as_slice())
    }

    /// The rows within `from..=to`, as a range of indices into `times`.
    pub fn rows(&self, from: Micros, to: Micros) -> std::ops::Range<usize> {
        let first = self.times.partition_point(|t| *t < from);
        let last = self.times.partition_point(|t| *t <= to);
        first..last.max(first)
    }

    /// The state of a binary signal at a moment; an edge counts from its own moment on.
    pub fn state(&self, signal: SignalIx, at: Micros) -> Option<bool> {
        self.edges
            .iter()
            .take_while(|edge| edge.at <= at)
            .filter(|edge| edge.signal == signal)
            .last()
            .map(|edge| edge.on)
            .or_else(|| self.initial.get(signal.at()).copied().flatten())
    }
}

/// The numbers of one analog signal.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Trace {
    /// Which signal.
    pub signal: SignalIx,
    /// In its working unit.
    pub values: Vec<f32>,
}

/// A stable change of a binary signal.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Edge {
    /// The first transition of the change.
    pub at: Micros,
    /// Which signal.
    pub signal: SignalIx,
    /// Its state from now on.
    pub on: bool,
    /// Transitions within the change: 1 when it did not bounce.
    pub bounces: u32,
    /// From the first to the last transition of the change.
    pub burst: Seconds,
    /// How long before `at` the signal was last seen otherwise: the edge lies within.
    pub resolution: Seconds,
}

/// A change that did not last.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Glitch {
    /// When it began.
    pub at: Micros,
    /// How long it lasted.
    pub lasted: Seconds,
    /// Which signal.
    pub signal: SignalIx,
    /// The state it went to and came back from.
    pub to: bool,
}

/// A span in which the drive did not change.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DriveSpan {
    /// From.
    pub from: Micros,
    /// To.
    pub to: Micros,
    /// Valves energised, in order of their place in the profile.
    pub valves: Vec<SignalIx>,
    /// The pump is commanded; where no command is recorded, it runs by its current.
    pub pump: bool,
    /// The pump runs by its current; `None` where no current is recorded.
    pub running: Option<bool>,
}

impl DriveSpan {
    /// Pump or valve on.
    pub fn is_drive(&self) -> bool {
        self.pump || self.running == Some(true) || !self.valves.is_empty()
    }
}

/// A stretch about which nothing is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Gap {
    /// Last moment known.
    pub from: Micros,
    /// First moment known again.
    pub to: Micros,
    /// Why, where it is known; `None`: the rows just stop and go on later.
    pub cause: Option<GapCause>,
}
