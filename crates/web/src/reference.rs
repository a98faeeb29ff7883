//! A cycle beside a sound one of the same car, and what was recorded of both.
//!
//! Two cycles never take the same time. The sound one is stretched step by step, so that each of its steps begins and ends
//! where the same step does here: what differs then is pressure and current, and the times stand in the run sheet.

use foldwatch_report::{Cycle, parse_utc};
use foldwatch_segment::Recording;
use foldwatch_store::{CycleQuery, Span, Weight};
use foldwatch_units::{Direction, Micros, Seconds};
use std::sync::Arc;

use crate::app::Desk;
use crate::failure::Failure;
use crate::query::{self, CarView};
use crate::traces::{AFTER, BEFORE, ReferenceCycle, ReferenceTrace, Traces, tidy};

/// So many cycles back a sound one is looked for.
const BACK: u32 = 120;
/// So many of them are looked at whole.
const LOOKED_AT: usize = 12;
/// So many of them are asked for samples before it is given up.
const TRIED: usize = 3;

/// The stretch of time that is shown of a cycle.
pub(crate) fn stretch(cycle: &Cycle) -> (Micros, Micros, Micros) {
    let begin = parse_utc(&cycle.start).unwrap_or(Micros(0));
    let end = parse_utc(&cycle.end).unwrap_or(begin);
    (begin, begin - BEFORE, end + AFTER)
}

/// What was recorded of a cycle in a window of seconds from its start, thinned to so many points a signal; with a sound
/// cycle beside it if that is asked for.
pub(crate) fn traces(
    desk: &Desk,
    view: &CarView,
    cycle: &Cycle,
    (from_s, until_s): (f64, f64),
    points: usize,
    with_reference: bool,
) -> Result<Result<Traces, &'static str>, Failure> {
    let (begin, ..) = stretch(cycle);
    let window = (begin + Seconds(from_s), begin + Seconds(until_s));
    let recording = match recording(desk, view, cycle, window) {
        Ok(recording) => recording,
        Err(why) => return Ok(Err(why)),
    };
    let mut traces = Traces::of(&view.profile, &recording, begin, window, points);
    if with_reference {
        for candidate in candidates(desk, view, cycle)?.into_iter().take(TRIED) {
            // To compare with, half as fine is enough.
            if beside(desk, view, cycle, &candidate, (points / 2).max(4), &mut traces) {
                break;
            }
        }
    }
    Ok(Ok(traces))
}

/// Of the whole cycle where the window lies in it, so that the next window is at hand.
fn recording(
    desk: &Desk,
    view: &CarView,
    cycle: &Cycle,
    window: (Micros, Micros),
) -> Result<Arc<Recording>, &'static str> {
    let (_, from, until) = stretch(cycle);
    let (from, until) = (from.min(window.0), until.max(window.1));
    desk.recording(&view.car.id, from, until)
}

/// Sound earlier cycles of the same direction: those without any finding first, then by how near their oil was to this
/// one's, then the newest.
fn candidates(desk: &Desk, view: &CarView, cycle: &Cycle) -> Result<Vec<Cycle>, Failure> {
    let (begin, ..) = stretch(cycle);
    let direction = if cycle.direction == "opening" { Direction::Opening } else { Direction::Closing };
    let mut list = desk.catalogue.cycles(&CycleQuery {
        car: Some(view.car.id.clone()),
        span: Span { from: Micros::MIN, until: begin },
        direction: Some(direction),
        outcome: Some("completed".to_owned()),
        limit: BACK,
        ..CycleQuery::default()
    })?;
    list.retain(|c| c.worst < Some(Weight::Attend));
    list.sort_by_key(|c| c.worst);
    list.truncate(LOOKED_AT);
    let mut found = query::readable(desk, &list)?.cycles;
    found.retain(|c| !c.from_part_way && Warp::between(c, cycle).is_some());
    let oil = oil(cycle);
    let apart = |c: &Cycle| oil.zip(self::oil(c)).map_or(f64::INFINITY, |(a, b)| (a - b).abs());
    found.sort_by(|a, b| {
        (!a.findings.is_empty()).cmp(&!b.findings.is_empty()).then(apart(a).total_cmp(&apart(b)))
    });
    Ok(found)
}

fn oil(cycle: &Cycle) -> Option<f64> {
    cycle.phases.iter().find_map(|phase| phase.oil_temperature_c)
}

/// Puts a sound cycle's samples beside a cycle's. `false`: they are no longer kept.
fn beside(
    desk: &Desk,
    view: &CarView,
    cycle: &Cycle,
    sound: &Cycle,
    points: usize,
    traces: &mut Traces,
) -> bool {
    let Some(warp) = Warp::between(sound, cycle) else { return false };
    let (begin, ..) = stretch(sound);
    let window = (begin + Seconds(warp.back(traces.from_s)), begin + Seconds(warp.back(traces.until_s)));
    let Ok(recording) = recording(desk, view, sound, window) else { return false };
    let theirs = Traces::of(&view.profile, &recording, begin, window, points);
    for trace in &mut traces.numbers {
        if let Some(other) = theirs.numbers.iter().find(|n| n.signal == trace.signal) {
            trace.reference = Some(ReferenceTrace {
                times_s: other.times_s.iter().map(|t| tidy(warp.forth(*t))).collect(),
                values: other.values.clone(),
            });
        }
    }
    traces.reference = Some(ReferenceCycle { start: sound.start.clone(), oil_temperature_c: oil(sound) });
    true
}

/// From one cycle's time to another's, in seconds from their starts: straight between the ends of steps that both have,
/// with the same pace before the first and after the last.
struct Warp(Vec<(f64, f64)>);

impl Warp {
    fn between(theirs: &Cycle, here: &Cycle) -> Option<Warp> {
        let mut ends: Vec<(f64, f64)> = Vec::new();
        for phase in &here.phases {
            let same =
                |p: &&foldwatch_report::Phase| p.index == phase.index && p.direction == phase.direction;
            let Some(other) = theirs.phases.iter().find(same) else { continue };
            let s = crate::charts::seconds;
            for (their, our) in [(&other.start, &phase.start), (&other.end, &phase.end)] {
                let end = (s(theirs, their), s(here, our));
                // A step that was run twice, or of no length, pins nothing.
                if ends.last().is_none_or(|last| end.0 > last.0 && end.1 > last.1) {
                    ends.push(end);
                }
            }
        }
        (!ends.is_empty()).then_some(Warp(ends))
    }

    fn forth(&self, t: f64) -> f64 {
        self.map(t, |end| end.0, |end| end.1)
    }

    fn back(&self, t: f64) -> f64 {
        self.map(t, |end| end.1, |end| end.0)
    }

    fn map(&self, t: f64, from: impl Fn(&(f64, f64)) -> f64, to: impl Fn(&(f64, f64)) -> f64) -> f64 {
        let after = self.0.partition_point(|end| from(end) <= t);
        match (after.checked_sub(1).and_then(|n| self.0.get(n)), self.0.get(after)) {
            (Some(a), Some(b)) => to(a) + (t - from(a)) / (from(b) - from(a)) * (to(b) - to(a)),
            (Some(end), None) | (None, Some(end)) => to(end) + t - from(end),
            (None, None) => t,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn steps_begin_and_end_together() {
        let warp = Warp(vec![(0.0, 0.0), (4.0, 6.0), (10.0, 12.0)]);
        let mapped: Vec<f64> =
            [-1.0, 0.0, 2.0, 4.0, 7.0, 10.0, 11.5].iter().map(|t| warp.forth(*t)).collect();
        assert_eq!(mapped, [-1.0, 0.0, 3.0, 6.0, 9.0, 12.0, 13.5]);
    }

    proptest! {
        #[test]
        fn back_undoes_forth(
            steps in prop::collection::vec((0.1f64..20.0, 0.1f64..20.0), 1..8),
            t in -30f64..200.0,
        ) {
            let mut at = (0.0, 0.0);
            let ends = steps.iter().map(|(a, b)| { at = (at.0 + a, at.1 + b); at }).collect();
            let warp = Warp(ends);
            prop_assert!((warp.back(warp.forth(t)) - t).abs() < 1e-9);
        }
    }
}
