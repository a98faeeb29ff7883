//! no-pressure: the pump runs, the valves are on, and no pressure comes.

use foldwatch_profile::SignalKind;
use foldwatch_units::{Micros, Seconds};

use super::{About, Check};
use crate::look;
use crate::timing::INRUSH_OVER;
use crate::view::Step;
use crate::{Finding, View, Weight};

static ABOUT: About = About {
    id: "no-pressure",
    title: "No pressure",
    meaning: "The pump ran with a valve on, hardly any pressure came, and nothing moved: the oil goes round inside, or there is \
              none.",
    inspect: "The emergency release: was it left open? Then the oil level and where it may have gone. Then whether the valve \
              switches at all.",
    limit_origin: "Pressure below a fifth of the relief setting, or half of what the step usually needs (judgment: oil that moves \
                   nothing and goes nowhere comes to the relief setting; what stays this low goes round) for half \
                   the step's expected time, at least a second, with no switch changing. Where the relief setting is not given, \
                   below 5 bar.",
};

/// Share of the relief setting below which there is no pressure worth its name. Judgment.
pub(crate) const NONE: f64 = 0.2;
/// Share of what the step usually needs. Judgment.
const HALF: f64 = 0.5;
/// The same in bar, where the setting is not given. Judgment.
const NONE_BAR: f64 = 5.0;

/// See the file's head.
pub(super) struct NoPressure;

impl Check for NoPressure {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn examine(&self, view: &View) -> Vec<Finding> {
        view.steps()
            .filter_map(|step| {
                let (from, until, bar) = without(view, &step)?;
                let seconds = (until - from).0;
                let limit = threshold(view, &step, bar);
                Some(Finding {
                    kind: ABOUT.id,
                    weight: Weight::Attend,
                    phase: Some(step.run.phase),
                    signal: view.lane(SignalKind::Pressure).map(|lane| lane.signal),
                    at: from,
                    until: Some(until),
                    value: bar,
                    unit: "bar",
                    limit: Some(limit),
                    sure: 0.9,
                    message: format!(
                        "In `{}` the pump ran for {seconds:.1} s with the valve on, and the pressure stayed at {bar:.0} bar; \
                         nothing moved.",
                        step.phase.name
                    ),
                })
            })
            .collect()
    }
}

/// The pressure that a step can't do without, in bar.
fn threshold(view: &View, step: &Step, now: f64) -> f64 {
    let general = view.profile.hydraulics.relief.map_or(NONE_BAR, |relief| NONE * relief.0);
    let usual = step.timing.and_then(|timing| {
        view.history.needed(view.profile, step.run.phase, "mean-pressure", timing.conditions, now)
    });
    usual.map_or(general, |needed| general.max(HALF * needed.median))
}

/// From, until and level of a step in which no pressure came and nothing moved.
pub(crate) fn without(view: &View, step: &Step) -> Option<(Micros, Micros, f64)> {
    let lane = view.lane(SignalKind::Pressure)?;
    if !step.phase.pump || step.phase.valves.is_empty() || super::signal_fault::is_deaf(view, lane) {
        return None;
    }
    let (from, until) = idle_stretch(view, step)?;
    let bar = lane.within(from, until).quantile(0.9)?;
    (bar < threshold(view, step, bar)).then_some((from, until, bar))
}

/// The step's stretch with the pump on past its start, when it is long enough and nothing moved in it.
pub(crate) fn idle_stretch(view: &View, step: &Step) -> Option<(Micros, Micros)> {
    let came = step.run.confirmed_at.is_some_and(|at| at > step.run.start && at <= step.run.left);
    let moved = view.cycle.recording.edges.iter().any(|edge| {
        let inside = edge.at > step.run.start + Seconds(0.1) && edge.at < step.run.left;
        inside && view.profile.signal(edge.signal).kind == SignalKind::Switch
    });
    let pumped = look::drive_time(view.cycle, step.run.start, step.run.left, look::pump_runs);
    let enough = (0.5 * step.phase.expected.0).max(1.0);
    if came || moved || pumped < enough {
        return None;
    }
    let until = look::last_of(view.cycle, step.run.start, step.run.left, look::pump_runs)?;
    let from = step.run.start + Seconds(INRUSH_OVER);
    (from < until).then_some((from, until))
}

#[cfg(test)]
mod tests {
    use crate::testing::{Sketch, sig};
    use foldwatch_segment::Outcome;
    use foldwatch_units::Direction::*;

    /// The first step of closing, given up after so many seconds, at this pressure.
    fn dead(bar: f64, seconds: f64) -> Sketch {
        Sketch::healthy(Closing).with(|s| {
            s.acts.truncate(1);
            s.acts[0].bar = bar;
            s.acts[0].moves = seconds;
            s.acts[0].confirmed = false;
            s.acts[0].goes_on = false;
            s.run_on = 0.0;
            s.outcome = Outcome::GivenUp;
            s.stuck = vec![(sig::STOWED, true)];
        })
    }

    #[test]
    fn told_once_and_not_as_a_missing_switch() {
        let kinds = dead(4.0, 12.0).kinds();
        assert!(kinds.contains(&"no-pressure") && !kinds.contains(&"missing-confirmation"), "{kinds:?}");
    }

    #[test]
    fn silent_with_pressure_and_in_a_short_run() {
        assert!(!dead(60.0, 12.0).kinds().contains(&"no-pressure"));
        assert!(!dead(4.0, 0.8).kinds().contains(&"no-pressure"));
    }

    #[test]
    fn a_step_that_goes_by_itself_needs_none() {
        assert!(!Sketch::healthy(Opening).with(|s| s.acts[1].bar = 5.0).kinds().contains(&"no-pressure"));
    }
}
