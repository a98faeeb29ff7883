//! How long a step took, how long its mechanism took to begin, how long its switch took to tell.

use foldwatch_profile::{Expr, SignalIx, SignalKind};
use foldwatch_units::Micros;

use super::{AboutMeasure, Put, not, value};
use crate::look::Lane;
use crate::view::{Step, View};

pub(super) const DURATION: AboutMeasure = AboutMeasure {
    id: "duration",
    unit: "s",
    meaning: "Time that the step was driven until its confirmation, or until what its end was inferred from.",
};
pub(super) const VALVE_LAG: AboutMeasure = AboutMeasure {
    id: "valve-lag",
    unit: "s",
    meaning: "From the step's drive to the first sign of motion: a position that changes, or the switch of the place that it leaves.",
};
pub(super) const CONFIRMATION_LAG: AboutMeasure = AboutMeasure {
    id: "confirmation-lag",
    unit: "s",
    meaning: "From the mechanism's stop (the rise of pressure or current) to the confirmation.",
};

pub(super) fn of_step(view: &View, step: &Step, put: Put) {
    put(&DURATION, value(step.run.driven.0, step.run.u_duration.0));
    put(&VALVE_LAG, valve_lag(view, step));
    let lag = match step.facts.lag {
        Some(lag) => value(lag, edge_u(view).hypot(2.0 * edge_u(view))),
        None if step.phase.confirm == Expr::Always => not("the step has no confirmation"),
        None if step.run.confirmed_at.is_none() => not("the confirmation did not come"),
        None => not("nothing recorded shows the mechanism reach its stop before the confirmation"),
    };
    put(&CONFIRMATION_LAG, lag);
}

/// An edge is uniform within a sample: T / sqrt(12) (JCGM 100, 4.3.7).
fn edge_u(view: &View) -> f64 {
    view.period / 12f64.sqrt()
}

fn valve_lag(view: &View, step: &Step) -> crate::Observed {
    if step.phase.valves.is_empty() {
        return not("the step has no valve");
    }
    let by_position = view
        .profile
        .of_kind(SignalKind::Position)
        .filter_map(|(ix, _)| Lane::of(view.cycle, ix))
        .filter_map(|lane| departs(lane, step.run.start, step.run.end))
        .min();
    // The switch of the place that it leaves: the confirmation asks for it to open on the way, or excludes it.
    let wanted = step.phase.confirm.wanted();
    let arrives: Vec<SignalIx> = wanted.iter().filter(|w| w.1).map(|w| w.0).collect();
    let leaves = |signal: SignalIx| {
        wanted.contains(&(signal, false))
            || arrives.iter().any(|by| view.profile.signal(*by).excludes.contains(&signal))
    };
    let released = || {
        let edges = view.cycle.recording.edges.iter();
        let mut opened = edges.filter(|e| e.at > step.run.start && e.at < step.run.end && !e.on);
        opened.find(|e| !arrives.is_empty() && leaves(e.signal)).map(|e| e.at)
    };
    match by_position.or_else(released) {
        Some(at) => value((at - step.run.start).0, edge_u(view) * 2f64.sqrt()),
        None => not(
            "no position is recorded that moves in the step, and no switch of the place that it leaves opens in it",
        ),
    }
}

/// When a position leaves its first value by more than its noise and a hundredth of its way.
fn departs(lane: Lane, from: Micros, to: Micros) -> Option<Micros> {
    let part = lane.within(from, to);
    let first = part.points().next()?.1;
    let way = part.max()? - part.min()?;
    let seen = (5.0 * part.noise()).max(0.01 * way);
    // A position that stays where it is belongs to another mechanism.
    if way <= 10.0 * part.noise() || way == 0.0 {
        return None;
    }
    part.points().find(|p| (p.1 - first).abs() > seen).map(|p| p.0)
}

#[cfg(test)]
mod tests {
    use super::super::tests::measured;
    use crate::testing::Sketch;
    use foldwatch_units::Direction::Opening;

    #[test]
    fn duration_and_lags() {
        let s = Sketch::healthy(Opening).with(|s| s.acts[1].waits = 0.5);
        assert!((measured(&s, "duration").value().unwrap() - 3.5).abs() < 0.02);
        // Its start switch opens 0.3 s after the drive.
        assert!((measured(&s, "valve-lag").value().unwrap() - 0.3).abs() < 0.02);
        assert!((measured(&s, "confirmation-lag").value().unwrap() - 0.5).abs() < 0.1);
        assert_eq!(measured(&Sketch::healthy(Opening), "confirmation-lag").value(), None);
    }
    #[test]
    fn another_mechanisms_switch_tells_nothing_of_the_beginning() {
        use crate::testing::sig;
        // One that the step neither asks for nor excludes opens at once.
        let s = Sketch::healthy(Opening).with(|s| {
            let begins = s.times()[1];
            s.extra = vec![(begins + 0.05, sig::ROOF_UP, false)];
        });
        assert!((measured(&s, "valve-lag").value().unwrap() - 0.3).abs() < 0.02);
    }
}
