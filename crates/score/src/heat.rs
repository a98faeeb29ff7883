//! How warm the pump motor is from its runs, as a share of what one longest run heats it.

use foldwatch_profile::Profile;
use foldwatch_segment::Cycle;
use foldwatch_units::Micros;
use serde::{Deserialize, Serialize};

use crate::history::History;
use crate::look;

/// The motor's thermal state: 0 cold, 1 what one longest run from cold leaves.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct HeatState {
    /// When it is so.
    pub at: Micros,
    /// The state.
    pub share: f64,
}

/// The time constant as a share of the cool-down time: after three time constants 5 % is left (exp(-3)).
const TIME_CONSTANT: f64 = 1.0 / 3.0;

/// The highest state within a cycle; `None` where the profile gives no longest run and cool-down.
pub(crate) fn after(profile: &Profile, cycle: &Cycle, history: &History) -> Option<HeatState> {
    walk(profile, cycle, history).map(|(highest, _)| highest)
}

/// The highest state within the cycle and the one at its end.
pub(crate) fn walk(profile: &Profile, cycle: &Cycle, history: &History) -> Option<(HeatState, HeatState)> {
    let longest = profile.electrics.longest_run?.0;
    let tau = profile.electrics.cool_down?.0 * TIME_CONSTANT;
    if !(longest > 0.0 && tau > 0.0) {
        return None;
    }
    // Run for `longest` from cold gives 1: the state it would settle at when run for ever.
    let settles = 1.0 / (1.0 - (-longest / tau).exp());
    let mut now = match history.heat {
        // A log that begins anew at its own zero says nothing about the rest before it.
        Some(before) if before.at <= cycle.start => {
            HeatState { at: cycle.start, share: before.share * (-(cycle.start - before.at).0 / tau).exp() }
        }
        _ => HeatState { at: cycle.start, share: 0.0 },
    };
    let mut highest = now;
    for span in &cycle.recording.drive {
        let (from, to) = (span.from.max(now.at), span.to);
        if to <= from {
            continue;
        }
        let cooled = now.share * (-(from - now.at).0 / tau).exp();
        let aim = if look::pump_runs(span) { settles } else { 0.0 };
        now = HeatState { at: to, share: aim + (cooled - aim) * (-(to - from).0 / tau).exp() };
        if now.share > highest.share {
            highest = now;
        }
    }
    Some((highest, now))
}
