//! One thing that is wrong.

use foldwatch_profile::{PhaseRef, SignalIx};
use foldwatch_units::Micros;

/// How much a finding matters, in plain words.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Weight {
    /// Worth knowing; nothing to do today.
    Note,
    /// Have it looked at.
    Attend,
    /// Further use may do damage: leave the roof alone until it was looked at.
    StopUsing,
}

impl Weight {
    /// The name as it stands in files.
    pub fn as_str(self) -> &'static str {
        match self {
            Weight::Note => "note",
            Weight::Attend => "attend",
            Weight::StopUsing => "stop-using",
        }
    }
}

/// One thing that is wrong, with when, how much, against which limit, and how sure.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// The name of the check that found it, as in [`crate::About::id`].
    pub kind: &'static str,
    /// How much it matters.
    pub weight: Weight,
    /// The step of the sequence in which it was seen.
    pub phase: Option<PhaseRef>,
    /// The signal that it is about.
    pub signal: Option<SignalIx>,
    /// From when.
    pub at: Micros,
    /// Until when, where it lasted.
    pub until: Option<Micros>,
    /// How much, in `unit`.
    pub value: f64,
    /// Unit of `value` and `limit`; empty for a count or a share.
    pub unit: &'static str,
    /// The limit that `value` was held against.
    pub limit: Option<f64>,
    /// How sure, from 0 to 1: 0.5 says that it may as well be otherwise.
    pub sure: f64,
    /// The sentence for the technician.
    pub message: String,
}
