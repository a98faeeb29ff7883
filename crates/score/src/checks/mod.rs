//! Every kind of finding, one file each: its definition, where its limit comes from, the sentence, its tests.
//!
//! To add one: a file here, and its line in [`CHECKS`]. The reference for people, the API and the pages read the list.

use crate::{Finding, View};

mod air_in_oil;
mod chatter;
mod contradiction;
mod dropout;
mod dry_running;
mod duty_exceeded;
mod fuse_margin;
mod heavy_going;
mod late_confirmation;
mod leak_down;
mod low_supply;
mod missing_confirmation;
mod no_pressure;
mod recording_gap;
mod relief_dwell;
mod run_on;
mod signal_fault;
mod slow_phase;
mod stuck_relay;
mod stuck_switch;
mod unconfirmed_running;
mod weak_pump;

pub use leak_down::GONE;
pub use low_supply::EMPTY as EMPTY_SUPPLY;

pub(crate) use fuse_margin::used as fuse_used;
pub(crate) use low_supply::cold_factor;
pub(crate) use run_on::overrun;
pub(crate) use signal_fault::{is_noise, is_pinned, scatter};

/// What a check is about, for people.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct About {
    /// The name of its findings.
    pub id: &'static str,
    /// The same, for headings.
    pub title: &'static str,
    /// What a finding of it says.
    pub meaning: &'static str,
    /// What to look at first.
    pub inspect: &'static str,
    /// Where the limit comes from.
    pub limit_origin: &'static str,
}

/// Looks for one kind of fault. Pure: the same view gives the same findings.
pub trait Check: Sync {
    /// What it is about.
    fn about(&self) -> &'static About;
    /// What is wrong with the cycle, in order of time; empty on a sound one, and where the log can't tell.
    fn examine(&self, view: &View) -> Vec<Finding>;
}

/// Every check, in the order in which their findings are told when they begin at one moment.
pub static CHECKS: &[&dyn Check] = &[
    &recording_gap::RecordingGap,
    &stuck_switch::StuckSwitch,
    &missing_confirmation::MissingConfirmation,
    &late_confirmation::LateConfirmation,
    &chatter::Chatter,
    &dropout::Dropout,
    &contradiction::Contradiction,
    &slow_phase::SlowPhase,
    &heavy_going::HeavyGoing,
    &no_pressure::NoPressure,
    &dry_running::DryRunning,
    &weak_pump::WeakPump,
    &leak_down::LeakDown,
    &air_in_oil::AirInOil,
    &stuck_relay::StuckRelay,
    &run_on::RunOn,
    &relief_dwell::ReliefDwell,
    &unconfirmed_running::UnconfirmedRunning,
    &duty_exceeded::DutyExceeded,
    &fuse_margin::FuseMargin,
    &low_supply::LowSupply,
    &signal_fault::SignalFault,
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_unique_and_nothing_is_left_unsaid() {
        for (n, check) in CHECKS.iter().enumerate() {
            let about = check.about();
            assert!(CHECKS[..n].iter().all(|other| other.about().id != about.id), "{} twice", about.id);
            assert!(about.id.chars().all(|c| c.is_ascii_lowercase() || c == '-'), "{}", about.id);
            for text in [about.title, about.meaning, about.inspect, about.limit_origin] {
                assert!(text.len() > 3, "{}", about.id);
            }
        }
    }
}
