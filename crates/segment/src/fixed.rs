//! What the gathering knows of a roof and never changes.

use std::sync::Arc;

use foldwatch_profile::{Profile, SignalIx};
use foldwatch_units::Seconds;

use crate::drive::{DriveSignals, Thresholds, current_thresholds, pressure_thresholds};
use crate::ends::Ends;

/// The profile, and what follows from it.
#[derive(Debug, Clone)]
pub(crate) struct Fixed {
    pub profile: Arc<Profile>,
    pub signals: DriveSignals,
    pub ends: Ends,
    pub binaries: Vec<SignalIx>,
    pub analog: Vec<SignalIx>,
    pub current: Thresholds,
    pub pressure: Thresholds,
    /// A gap as long as this ends a cycle whatever comes after it: no movement of this roof takes longer.
    pub longest_cycle: Seconds,
}

impl Fixed {
    pub fn new(profile: Arc<Profile>) -> Self {
        let whole = |phases: &[foldwatch_profile::Phase]| {
            phases.iter().map(|p| p.give_up.unwrap_or(p.limit * 2.0)).sum()
        };
        let longest: Seconds = whole(&profile.opening);
        let (binaries, analog): (Vec<_>, Vec<_>) = profile.signals().partition(|(_, s)| s.kind.is_binary());
        let places =
            |list: Vec<(SignalIx, &foldwatch_profile::Signal)>| list.iter().map(|(ix, _)| *ix).collect();
        Fixed {
            binaries: places(binaries),
            analog: places(analog),
            signals: DriveSignals::of(&profile),
            ends: Ends::of(&profile),
            longest_cycle: longest.max(whole(&profile.closing)).max(Seconds(10.0)),
            current: current_thresholds(&profile),
            pressure: pressure_thresholds(&profile),
            profile,
        }
    }
}
