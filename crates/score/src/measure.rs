//! A number taken from a cycle, with its uncertainty, or the reason why it can't be had.

use foldwatch_profile::{PhaseRef, SignalIx};
use foldwatch_units::Measured;

/// One measure of a cycle or of one of its phases.
#[derive(Debug, Clone, PartialEq)]
pub struct Measure {
    /// Its name: `duration`, `peak-pressure`, `charge`; the list is in [`crate::measures`].
    pub id: &'static str,
    /// Which run of which step: the place in [`foldwatch_segment::Cycle::phases`]; `None` for the whole cycle.
    pub run: Option<usize>,
    /// The step of that run.
    pub phase: Option<PhaseRef>,
    /// The signal it was taken from, where a roof may have several of the kind.
    pub signal: Option<SignalIx>,
    /// The unit of the value.
    pub unit: &'static str,
    /// What was measured.
    pub value: Observed,
}

/// A value, or why there is none.
#[derive(Debug, Clone, PartialEq)]
pub enum Observed {
    /// Best estimate and standard uncertainty, in the measure's unit.
    Value(Measured<f64>),
    /// The log can't carry it; the reason, as a clause: "no pressure is recorded".
    NotObservable(String),
}

impl Observed {
    /// The best estimate, where there is one.
    pub fn value(&self) -> Option<f64> {
        match self {
            Observed::Value(measured) => Some(measured.value),
            Observed::NotObservable(_) => None,
        }
    }
}
