//! relief-dwell: the pump pushed against a stop at relief pressure, within a step, for too long.

use foldwatch_profile::SignalKind;
use foldwatch_segment::Confirmation;
use foldwatch_units::{Micros, Seconds};

use super::{About, Check};
use crate::look::{self, Lane};
use crate::run::{AT_RELIEF, WAY};
use crate::view::Step;
use crate::{Finding, View, Weight};

static ABOUT: About = About {
    id: "relief-dwell",
    title: "Pump against the relief valve",
    meaning: "Before the step was confirmed the pressure stood at the relief valve's setting: the mechanism was at its \
              stop, or held by something, and the pump only made heat. What comes after the last confirmation is run-on.",
    inspect: "If the mechanism is at its stop: the switch that should have ended the step. If not: what holds it.",
    limit_origin: "The profile's relief dwell, and two samples. Relief pressure counts from 0.9 of the setting (judgment); \
                   where the setting is not given, the trace's own plateau after a rise.",
};

/// See the file's head.
pub(super) struct ReliefDwell;

impl Check for ReliefDwell {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn examine(&self, view: &View) -> Vec<Finding> {
        view.steps().filter_map(|step| judge(view, &step)).collect()
    }
}

fn judge(view: &View, step: &Step) -> Option<Finding> {
    let (from, until, seconds, level) = dwell(view, step)?;
    let limit = view.profile.timing.relief_dwell.0;
    if seconds <= limit + 2.0 * view.period || moves(view, step, (from, until, seconds)) {
        return None;
    }
    let signal = view.lane(SignalKind::Pressure).map(|lane| lane.signal);
    Some(Finding {
        kind: ABOUT.id,
        weight: Weight::Attend,
        phase: Some(step.run.phase),
        signal,
        at: from,
        until: Some(until),
        value: seconds,
        unit: "s",
        limit: Some(limit),
        sure: 0.95,
        message: format!(
            "In `{}` the pump pushed against a stop at {level:.0} bar for {seconds:.1} s{}; up to {limit:.1} s is in order.",
            step.phase.name,
            view.heat_between(from, until),
        ),
    })
}

/// A position that changes by more than this share of its range moves. Judgment: above what a sound sensor scatters.
const MOVES: f64 = 0.03;
/// And by so many times what it does at rest in the same time. Judgment.
const AT_REST: f64 = 3.0;

/// Whether the mechanism moved during the stay: cold oil or a heavy load can take the whole of the pressure.
fn moves(view: &View, step: &Step, (from, until, seconds): (Micros, Micros, f64)) -> bool {
    let in_time = step.run.duration() <= step.phase.limit;
    let whole = step.run.confirmation == Confirmation::Confirmed && !step.facts.part;
    if whole && in_time && step.run.duration().0 - seconds < WAY * step.phase.expected.0 {
        return true;
    }
    // A short peak before the stay is none of it: the longest stretch without a lower reading is looked at.
    let low = view.profile.hydraulics.relief.map_or(0.0, |bar| AT_RELIEF * bar.0);
    let readings = view.lane(SignalKind::Pressure).map(|lane| lane.within(from, until).points().collect());
    let readings: Vec<(Micros, f64)> = readings.unwrap_or_default();
    let stretches = readings.chunk_by(|a, b| (a.1 >= low) == (b.1 >= low)).filter(|s| s[0].1 >= low);
    let ends = stretches.map(|s| (s[0].0, s[s.len() - 1].0));
    let Some((from, until)) = ends.max_by(|a, b| (a.1 - a.0).0.total_cmp(&(b.1 - b.0).0)) else {
        return false;
    };
    view.profile.of_kind(SignalKind::Position).filter_map(|(ix, _)| Lane::of(view.cycle, ix)).any(|lane| {
        let span = |part: Lane| Some(part.quantile(0.95)? - part.quantile(0.05)?);
        let all = span(lane.within(view.cycle.start, view.cycle.end));
        let during = span(lane.within(from, until));
        // One that moves while nothing is driven tells nothing of the mechanism.
        let at_rest = span(lane.within(view.cycle.start - Seconds(1.0), view.cycle.start)).unwrap_or(0.0);
        let drifts = AT_REST * at_rest * (until - from).0.max(1.0);
        during.zip(all).is_some_and(|(during, all)| during > MOVES * all + 5.0 * lane.noise() + drifts)
    })
}

/// From, until, seconds and level of the pressure's stay at relief before the confirmation.
pub(crate) fn dwell(view: &View, step: &Step) -> Option<(Micros, Micros, f64, f64)> {
    let lane = view.lane(SignalKind::Pressure)?;
    let to = step
        .run
        .confirmed_at
        .filter(|at| *at > step.run.start)
        .map_or(step.run.left, |at| step.run.left.min(at));
    let Some(relief) = view.profile.hydraulics.relief.map(|bar| bar.0) else {
        let stall = step.facts.stall.filter(|stall| stall.signal == lane.signal)?;
        return Some((stall.from, stall.until, (stall.until - stall.from).0, stall.level));
    };
    let low = AT_RELIEF * relief;
    let part = lane.within(step.run.start, to);
    let first = part.points().find(|p| p.1 >= low)?.0;
    let last = part.points().rfind(|p| p.1 >= low)?.0;
    // Only while the pump runs: oil that is shut in holds its pressure by itself.
    let pumped = |from: Micros, to: Micros| {
        if view.pump_is_seen() {
            look::drive_time(view.cycle, from, to, look::pump_runs)
        } else {
            (to - from).0
        }
    };
    let widest = lane.widest_step();
    let mut seconds = 0.0;
    let mut before: Option<(Micros, f64)> = None;
    for point in part.points() {
        let at_relief = before.filter(|e| e.1 >= low && point.1 >= low && (point.0 - e.0).0 <= widest);
        if let Some(earlier) = at_relief {
            seconds += pumped(earlier.0, point.0);
        }
        before = Some(point);
    }
    Some((first, last, seconds, part.within(first, last).quantile(0.5)?))
}

#[cfg(test)]
mod tests {
    use crate::testing::{Sketch, sig};
    use foldwatch_units::Direction::*;

    #[test]
    fn silent_below_the_limit() {
        let s = Sketch::healthy(Opening).with(|s| s.acts[1].waits = 1.4);
        assert!(!s.kinds().contains(&"relief-dwell"));
    }

    #[test]
    fn beyond_it_told_beside_the_late_switch() {
        let s = Sketch::healthy(Opening).with(|s| s.acts[1].waits = 2.5);
        assert!(
            s.kinds().contains(&"relief-dwell") && s.kinds().contains(&"late-confirmation"),
            "{:?}",
            s.kinds()
        );
        assert!((s.only("relief-dwell").value - 2.4).abs() < 0.2);
    }

    #[test]
    fn seconds_after_the_last_confirmation_are_run_on() {
        let s = Sketch::healthy(Opening).with(|s| s.run_on = 4.0);
        assert_eq!(s.kinds(), ["run-on"]);
    }

    /// Cold oil can take the whole of the pressure, and the roof comes in its time.
    #[test]
    fn what_moves_at_relief_pressure_stands_against_nothing() {
        let s = Sketch::healthy(Opening).with(|s| s.pressure_factor = 3.0);
        assert!(!s.kinds().contains(&"relief-dwell"), "{:?}", s.kinds());
    }

    #[test]
    fn by_the_plateau_where_the_setting_is_not_given() {
        let s = Sketch::healthy(Opening).with(|s| {
            s.acts[1].waits = 2.5;
            s.profile.hydraulics.relief = None;
        });
        assert!(s.kinds().contains(&"relief-dwell"), "{:?}", s.kinds());
        let without = s.with(|s| s.absent = vec![sig::PRESSURE]);
        assert!(!without.kinds().contains(&"relief-dwell"));
    }
}
