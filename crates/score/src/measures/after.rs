//! After the drive: run-on, how the pressure holds, how far a lever springs back.

use foldwatch_physics::decay::decay;
use foldwatch_profile::{Profile, SignalKind};
use foldwatch_segment::Cycle;
use foldwatch_units::{Micros, Seconds};

use super::{AboutMeasure, not, of_whole, value};
use crate::checks::overrun;
use crate::look::{self, Lane};
use crate::view::View;
use crate::{Measure, Observed};

pub(super) const RUN_ON: AboutMeasure =
    AboutMeasure { id: "run-on", unit: "s", meaning: "Time that the pump ran after the last confirmation." };
pub(super) const HOLD: AboutMeasure = AboutMeasure {
    id: "hold-time-constant",
    unit: "s",
    meaning: "Time in which a held pressure falls to 37 % of the way to where it is heading.",
};
pub(super) const HOLD_AT_LEAST: AboutMeasure = AboutMeasure {
    id: "hold-at-least",
    unit: "s",
    meaning: "A time that the pressure was held without falling enough to tell its time constant, which is longer.",
};
pub(super) const HOLD_LEFT: AboutMeasure = AboutMeasure {
    id: "hold-left",
    unit: "",
    meaning: "Share of a held pressure that stays when it has fallen: 0 where all of it goes, near 1 where a load holds it.",
};
pub(super) const SPRING_BACK: AboutMeasure = AboutMeasure {
    id: "spring-back",
    unit: "mm or deg",
    meaning: "How far a position goes back by itself after the drive.",
};

/// The valves' own transient is over after this time, in seconds. Judgment.
const SETTLED: Seconds = Seconds(0.3);
/// Pressure that has fallen below this share by then was let go, not lost: the valves went off with the pump. Judgment.
const LET_GO: f64 = 0.3;
/// A valve that stays on for less than this with the pump off is switched over, and holds nothing, in seconds. Judgment.
const SWITCHING_OVER: f64 = 1.0;
/// Where a valve stays on, nothing is let go, and the pump's own transient is over after this time, in seconds. Judgment.
const PUMP_STANDS: Seconds = Seconds(0.1);

pub(super) fn of_cycle(view: &View, out: &mut Vec<Measure>) {
    let run_on = match overrun(view) {
        Some((_, _, seconds)) => value(seconds, view.period / 6f64.sqrt()),
        None if !view.pump_is_seen() => not("neither the pump's command nor its current is recorded"),
        // Nothing ran after it: that is known, too.
        None if view
            .steps()
            .last()
            .is_some_and(|s| s.run.confirmation == foldwatch_segment::Confirmation::Confirmed) =>
        {
            value(0.0, view.period / 6f64.sqrt())
        }
        None => not("the last step was not confirmed"),
    };
    out.push(of_whole(&RUN_ON, run_on));
    let (held, at_least, left) = match view.hold {
        // What is left is the smaller of the two pressures, and the less certain.
        Hold::Falls { tau, u, begin, end, u_end, .. } => (
            value(*tau, *u),
            not("the time constant is known"),
            value((end / begin).clamp(0.0, 1.0), u_end / begin),
        ),
        Hold::AtLeast { seconds } => (
            not(&format!("it falls too slowly to tell in the {seconds:.0} s recorded")),
            value(*seconds, 0.0),
            not("it hardly fell"),
        ),
        Hold::Not(why) => (not(why), not(why), not(why)),
    };
    for (about, observed) in [(&HOLD, held), (&HOLD_AT_LEAST, at_least), (&HOLD_LEFT, left)] {
        out.push(of_whole(about, observed));
    }
    let before = out.len();
    for (ix, signal) in view.profile.of_kind(SignalKind::Position) {
        let Some(lane) = Lane::of(view.cycle, ix) else { continue };
        let mut measure = of_whole(&SPRING_BACK, spring_back(view, lane));
        measure.signal = Some(ix);
        measure.unit = signal.unit.symbol;
        out.push(measure);
    }
    if out.len() == before {
        out.push(of_whole(&SPRING_BACK, not("no position is recorded")));
    }
}

/// How a pressure was held with the pump off.
#[derive(Debug, Clone, PartialEq)]
pub enum Hold {
    /// It fell.
    Falls {
        /// From when.
        at: Micros,
        /// Until when.
        until: Micros,
        /// The time constant, in seconds.
        tau: f64,
        /// Its standard uncertainty.
        u: f64,
        /// Where it began, in bar.
        begin: f64,
        /// Where it was heading, in bar.
        end: f64,
        /// Standard uncertainty of that, in bar.
        u_end: f64,
        /// A valve was on: the unit meant to hold it. If not, it was shut in.
        by_valve: bool,
    },
    /// It hardly fell.
    AtLeast {
        /// In this time.
        seconds: f64,
    },
    /// The log can't tell.
    Not(String),
}

/// The longest hold of the cycle that tells: the pump off and no change of the drive, with pressure left to lose.
pub(crate) fn hold(profile: &Profile, cycle: &Cycle) -> Hold {
    let Some(lane) = look::lane_of_kind(profile, cycle, SignalKind::Pressure) else {
        return Hold::Not("no pressure is recorded".into());
    };
    let (_, last) = look::bounds(cycle);
    let drive = &cycle.recording.drive;
    // Within the cycle: valve on, pump off; after it: whatever the valves trap.
    let inside = drive
        .iter()
        .filter(|span| !look::pump_runs(span) && !span.valves.is_empty())
        .filter(|span| (span.to - span.from).0 >= SWITCHING_OVER)
        .map(|span| (span.from, span.to, true));
    let after = std::iter::once((cycle.end, last, false));
    let mut spans: Vec<(Micros, Micros, bool)> = inside.chain(after).filter(|h| h.1 > h.0).collect();
    spans.sort_by_key(|(from, to, _)| std::cmp::Reverse(to.0.saturating_sub(from.0)));
    let mut all = spans.into_iter().map(|span| hold_of(profile, cycle, lane, span));
    let Some(longest) = all.next() else { return Hold::Not("nothing is recorded after the drive".into()) };
    match longest {
        Hold::Not(_) => all.find(|hold| !matches!(hold, Hold::Not(_))).unwrap_or(longest),
        told => told,
    }
}

fn hold_of(
    profile: &Profile,
    cycle: &Cycle,
    lane: Lane,
    (from, to, by_valve): (Micros, Micros, bool),
) -> Hold {
    let level = |from: Micros, to: Micros| lane.within(from, to).quantile(0.5);
    let Some(before) = level(from - Seconds(0.2), from) else {
        return Hold::Not("no row falls into the end of the drive".into());
    };
    let relief = profile.hydraulics.relief.map_or(before, |bar| bar.0);
    if before < LET_GO * relief {
        return Hold::Not("little pressure stands when the drive ends".into());
    }
    let begin = from + if by_valve { PUMP_STANDS } else { SETTLED };
    let Some(held) = level(begin, begin + Seconds(0.2).max(Seconds(2.0 * look::period(cycle)))) else {
        return Hold::Not("nothing is recorded after the drive".into());
    };
    if !by_valve && held < LET_GO * before {
        return Hold::Not("the valves let the pressure go when the drive ends".into());
    }
    let (times, values) = block_means(lane.within(begin, to));
    match decay(&times, &values) {
        Ok(fit) => Hold::Falls {
            at: begin,
            until: to,
            tau: fit.tau.value.0,
            u: fit.tau.u.0,
            begin: fit.p_0.value.0,
            end: fit.p_end.value.0,
            u_end: fit.p_end.u.0,
            by_valve,
        },
        Err(
            foldwatch_physics::NotObservable::TooShort { .. } | foldwatch_physics::NotObservable::Flat { .. },
        ) => Hold::AtLeast { seconds: (to - begin).0 },
        Err(why) => Hold::Not(why.to_string()),
    }
}

/// Means over equal blocks of a long stretch: a slow fall needs no thousands of rows, and the fit's time goes with them.
fn block_means(lane: Lane) -> (Vec<Micros>, Vec<f32>) {
    const BLOCKS: usize = 240;
    let points: Vec<(Micros, f64)> = lane.points().collect();
    let size = points.len().div_ceil(BLOCKS).max(1);
    points
        .chunks_exact(size)
        .map(|block| {
            let n = block.len() as f64;
            let after = block.iter().map(|p| (p.0 - block[0].0).0).sum::<f64>() / n;
            let mean = block.iter().map(|p| p.1).sum::<f64>() / n;
            (block[0].0 + Seconds(after), mean as f32)
        })
        .unzip()
}

/// How far a position went back after the drive, towards where it came from.
fn spring_back(view: &View, lane: Lane) -> Observed {
    let end = view.cycle.end;
    let at_end = lane.within(end - Seconds(0.2), end).quantile(0.5);
    let at_start = lane.within(Micros::MIN, view.cycle.start).points().next_back().map(|p| p.1);
    let after = lane.within(end + SETTLED, Micros::MAX);
    let rest = after.points().next_back().map(|p| p.1);
    match (at_start, at_end, rest) {
        (Some(start), Some(stop), Some(rest)) => {
            let back = (stop - rest) * (stop - start).signum();
            // A difference of two readings: what the calibration leaves open cancels.
            value(back, 2f64.sqrt() * lane.noise())
        }
        _ => not("the position is not recorded before, at the end of and after the drive"),
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::measured;
    use super::Hold;
    use crate::testing::{Sketch, sig};
    use foldwatch_units::Direction::Opening;
    use foldwatch_units::Seconds;

    #[test]
    fn run_on_is_measured_when_it_is_in_order() {
        assert!((measured(&Sketch::healthy(Opening), "run-on").value().unwrap() - 0.2).abs() < 0.02);
    }

    #[test]
    fn a_pressure_that_a_valve_should_hold_and_does_not_is_lost_and_not_let_go() {
        // The valve stays on for three seconds after the pump, as a unit does that holds.
        let held = |tau: f64| {
            let mut cycle = Sketch::healthy(Opening).with(|s| s.hold_tau = tau).cycle();
            let off = cycle.recording.drive.iter().rposition(crate::look::pump_runs).unwrap();
            let from = cycle.recording.drive[off].to;
            let valves = vec![sig::VALVE_A];
            let hold = foldwatch_segment::DriveSpan {
                from,
                to: from + Seconds(3.0),
                valves,
                pump: false,
                running: Some(false),
            };
            cycle.recording.drive.truncate(off + 1);
            cycle.recording.drive.push(hold);
            super::hold(&Sketch::healthy(Opening).profile, &cycle)
        };
        let Hold::Falls { tau, by_valve: true, begin, end, .. } = held(0.15) else {
            panic!("{:?}", held(0.15))
        };
        assert!((tau - 0.15).abs() < 0.05 && end < 0.1 * begin, "{tau} {begin} {end}");
    }

    #[test]
    fn a_held_pressure_has_a_time_constant() {
        let s = Sketch::healthy(Opening).with(|s| {
            s.hold_tau = 6.0;
            s.tail = 20.0;
        });
        let tau = measured(&s, "hold-time-constant").value().unwrap();
        assert!((tau - 6.0).abs() < 0.2, "{tau}");
        let let_go = s.clone().with(|s| s.hold_tau = 0.1);
        assert_eq!(measured(&let_go, "hold-time-constant").value(), None);
        let slow = s.with(|s| s.hold_tau = 600.0);
        assert_eq!(measured(&slow, "hold-time-constant").value(), None);
    }
}
