//! dry-running: the pump runs with hardly any load, as it does without oil.

use foldwatch_profile::SignalKind;

use super::no_pressure::{self, idle_stretch};
use super::{About, Check};
use crate::view::Step;
use crate::{Finding, View, Weight};

static ABOUT: About = About {
    id: "dry-running",
    title: "Pump runs dry",
    meaning: "The pump ran with a valve on, the motor drew clearly less than it does when it moves the roof, no pressure came, \
              and nothing moved. A pump without oil wears out quickly.",
    inspect: "The oil level, with the roof in the position that the maker gives for it. Where the oil went. The strainer and the \
              suction side for air.",
    limit_origin: "Current below 0.6 of what the step usually draws, else of the profile's running current (judgment: between a \
                   motor's idling, some 0.3 to 0.5, and its load), for half the step's expected time, at least a second.",
};

/// Share of the usual current below which the motor has no load. Judgment.
const NO_LOAD: f64 = 0.6;

/// See the file's head.
pub(super) struct DryRunning;

impl Check for DryRunning {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn examine(&self, view: &View) -> Vec<Finding> {
        view.steps().filter_map(|step| judge(view, &step)).collect()
    }
}

fn judge(view: &View, step: &Step) -> Option<Finding> {
    if !step.phase.pump || step.phase.valves.is_empty() {
        return None;
    }
    let current = view.lane(SignalKind::Current)?;
    let (from, until) = idle_stretch(view, step)?;
    // Where pressure is recorded it must agree; where it is not, that nothing moved has to do.
    if view.lane(SignalKind::Pressure).is_some() {
        no_pressure::without(view, step)?;
    }
    let amps = current.within(from, until).quantile(0.5)?;
    let conditions = step.timing?.conditions;
    let usual = view
        .history
        .needed(view.profile, step.run.phase, "running-current", conditions, amps)
        .map(|needed| needed.median)
        .or(view.profile.electrics.running.map(|a| a.0))?;
    // No current at all is the relay's matter, or the sensor's.
    if amps >= NO_LOAD * usual || amps < 0.1 * usual {
        return None;
    }
    let seconds = (until - from).0;
    let alone = view.lane(SignalKind::Pressure).is_none();
    Some(Finding {
        kind: ABOUT.id,
        weight: Weight::StopUsing,
        phase: Some(step.run.phase),
        signal: Some(current.signal),
        at: from,
        until: Some(until),
        value: amps,
        unit: "A",
        limit: Some(NO_LOAD * usual),
        sure: if alone { 0.7 } else { 0.8 },
        message: format!(
            "In `{}` the pump ran for {seconds:.1} s drawing {amps:.0} A, usual are {usual:.0} A, and nothing moved: it seems to \
             have no oil to move.",
            step.phase.name
        ),
    })
}

#[cfg(test)]
mod tests {
    use crate::testing::{Sketch, sig};
    use foldwatch_segment::Outcome;
    use foldwatch_units::Direction::*;

    fn dead(current_factor: f64) -> Sketch {
        Sketch::healthy(Closing).with(|s| {
            s.acts.truncate(1);
            s.acts[0].bar = 3.0;
            s.acts[0].moves = 12.0;
            s.acts[0].confirmed = false;
            s.acts[0].goes_on = false;
            s.current_factor = current_factor;
            s.run_on = 0.0;
            s.outcome = Outcome::GivenUp;
            s.stuck = vec![(sig::STOWED, true)];
        })
    }

    #[test]
    fn with_little_current_only() {
        assert!(dead(0.9).kinds().contains(&"dry-running"), "{:?}", dead(0.9).kinds());
        assert!(!dead(1.6).kinds().contains(&"dry-running"));
    }

    #[test]
    fn without_a_pressure_sensor_too() {
        assert!(dead(0.9).with(|s| s.absent = vec![sig::PRESSURE]).kinds().contains(&"dry-running"));
        assert!(!dead(0.9).with(|s| s.absent = vec![sig::CURRENT]).kinds().contains(&"dry-running"));
    }
}
