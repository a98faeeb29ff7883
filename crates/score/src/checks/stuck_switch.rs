//! stuck-switch: a switch that does not follow the mechanism.

use foldwatch_profile::{Expr, Phase, SignalIx, SignalKind};
use foldwatch_segment::{Confirmation, Outcome};

use super::{About, Check};
use crate::look;
use crate::run::{required, state_before};
use crate::view::Step;
use crate::{Finding, View, Weight};

static ABOUT: About = About {
    id: "stuck-switch",
    title: "Switch does not change",
    meaning: "A switch stayed closed although the mechanism had left its place, as other signals show, or it did not change in \
              three movements in a row in which it had to.",
    inspect: "The switch named: its magnet or cam, whether its wire touches ground, then the switch itself.",
    limit_origin: "What the profile's sequences require of the switch before and after a step; what it did in every completed \
                   movement of this car before (at least three). Three movements in a row: one may be chance, three are not.",
};

/// Movements in a row without the change that had to come.
const IN_A_ROW: u32 = 3;
/// Share of the expected time that a step must have been driven to have moved its mechanism. Judgment.
const MOVED: f64 = 0.5;

/// See the file's head.
pub(super) struct StuckSwitch;

impl Check for StuckSwitch {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn examine(&self, view: &View) -> Vec<Finding> {
        view.recorded(SignalKind::Switch).filter_map(|signal| judge(view, signal)).collect()
    }
}

fn judge(view: &View, signal: SignalIx) -> Option<Finding> {
    let changed = view.cycle.recording.edges.iter().any(|edge| edge.signal == signal);
    if changed
        || view.cycle.recording.gaps.iter().any(|gap| gap.to > view.cycle.start && gap.from < view.cycle.end)
    {
        return None;
    }
    let on = view.cycle.recording.state(signal, view.cycle.start)?;
    let (step, why, sure) = if on {
        closed_before_its_step(view, signal)
            .or_else(|| must_be_open(view, signal))
            .or_else(|| left_by_its_cylinder(view, signal))
            .or_else(|| partner_closed(view, signal))
            .or_else(|| always_changed_before(view, signal))?
    } else {
        never_came(view, signal)?
    };
    let name = view.name(signal);
    let state = if on { "closed" } else { "open" };
    Some(Finding {
        kind: ABOUT.id,
        weight: Weight::Attend,
        phase: step.map(|s| s.run.phase),
        signal: Some(signal),
        at: step.map_or(view.cycle.start, |s| s.run.start),
        until: Some(view.cycle.end),
        value: (look::bounds(view.cycle).1 - view.cycle.start).0,
        unit: "s",
        limit: None,
        sure,
        message: format!("`{name}` stayed {state} through the whole movement: {why}."),
    })
}

type Reason<'a> = (Option<Step<'a>>, String, f64);

/// The step was driven long enough to have moved its mechanism.
fn moved(step: &Step) -> bool {
    step.facts.driven_until_left >= MOVED * step.phase.expected.0 && !step.facts.part
}

/// It confirms a step, nothing before leaves it closed, and yet it was closed before the step moved.
fn closed_before_its_step<'a>(view: &View<'a>, signal: SignalIx) -> Option<Reason<'a>> {
    view.steps()
        .find(|step| {
            required(&step.phase.confirm).contains(&(signal, true))
                && state_before(view.profile, step.run.phase, signal) != Some(true)
                && moved(step)
                // What stood at its stop from the beginning was there, as the switch said.
                && step.facts.stall.is_none_or(|stall| stall.moved)
                && !(view.cycle.from_part_way && step.facts.run == 0)
        })
        .map(|step| {
            let why =
                format!("it confirms `{}`, and was closed before that step began to move", step.phase.name);
            (Some(step), why, 0.93)
        })
}

/// A step that was done requires it open.
fn must_be_open<'a>(view: &View<'a>, signal: SignalIx) -> Option<Reason<'a>> {
    view.steps()
        .find(|step| {
            let required = required(&step.phase.confirm);
            let others: Vec<SignalIx> = required.iter().map(|r| r.0).filter(|ix| *ix != signal).collect();
            let edges = &view.cycle.recording.edges;
            let within = |at| step.run.start < at && at <= step.run.left;
            // Where no other switch of the step changed either, the mechanism may as well not have moved.
            let seen_moving = others.is_empty()
                || edges.iter().any(|edge| others.contains(&edge.signal) && within(edge.at));
            required.contains(&(signal, false))
                && (step.run.went_on || step.facts.stall.is_some_and(|stall| stall.moved) && seen_moving)
        })
        .map(|step| {
            let why = format!("`{}` was done, and that opens it", step.phase.name);
            (Some(step), why, 0.93)
        })
}

/// The cylinder whose step it confirms was driven back, and that was confirmed by another switch.
fn left_by_its_cylinder<'a>(view: &View<'a>, signal: SignalIx) -> Option<Reason<'a>> {
    let undoes = |there: &Phase, back: &Phase| {
        !there.cylinders.is_empty()
            && there.cylinders.iter().all(|(cylinder, out)| back.cylinders.contains(&(*cylinder, !out)))
    };
    let mine: Vec<&Phase> = view
        .profile
        .opening
        .iter()
        .chain(&view.profile.closing)
        .filter(|phase| phase.confirm == Expr::Signal(signal))
        .collect();
    view.steps()
        .find(|step| {
            step.run.confirmation == Confirmation::Confirmed
                && step.run.confirmed_at.is_some_and(|at| at > step.run.start)
                && !step.phase.confirm.wanted().contains(&(signal, true))
                && moved(step)
                && !mine.is_empty()
                && mine.iter().all(|there| undoes(there, step.phase))
        })
        .map(|step| {
            let why = format!("`{}` moved its mechanism away, as the other switch confirms", step.phase.name);
            (Some(step), why, 0.9)
        })
}

/// A switch that excludes it was closed for some time, and changed as the mechanism moved.
fn partner_closed<'a>(view: &View<'a>, signal: SignalIx) -> Option<Reason<'a>> {
    // A profile says it at both of two.
    let excluded = &view.profile.signal(signal).excludes;
    let edges = &view.cycle.recording.edges;
    let partner = edges.iter().find(|edge| {
        let bounce = view.profile.signal(edge.signal).debounce.0 + 2.0 * view.period;
        let closed = look::stays(view.cycle, edge.signal).iter().any(|s| s.on && (s.to - s.from).0 > bounce);
        excluded.contains(&edge.signal) && closed
    })?;
    let name = view.name(partner.signal);
    let why =
        format!("`{name}` was closed for a time and changed, and the mechanism can't be in both places");
    Some((view.step_at(partner.at), why, 0.9))
}

/// In every completed movement of this direction before, it changed.
fn always_changed_before<'a>(view: &View<'a>, signal: SignalIx) -> Option<Reason<'a>> {
    let whole = view.cycle.outcome == Outcome::Completed && !view.cycle.from_part_way;
    let (cycles, changed) = view.history.changes(view.profile, signal, view.cycle.direction);
    (whole && cycles >= IN_A_ROW && changed == cycles).then(|| {
        let why = format!("in each of the {cycles} movements of this kind before, it opened");
        (None, why, 0.85)
    })
}

/// Open, although a step had to close it; for the third time in a row.
fn never_came<'a>(view: &View<'a>, signal: SignalIx) -> Option<Reason<'a>> {
    let missed = view.history.missed_in_a_row(view.profile, signal);
    if missed + 1 < IN_A_ROW {
        return None;
    }
    view.steps()
        .find(|step| {
            super::missing_confirmation::is_missing(view, step)
                && step.facts.unmet.contains(&(signal, true))
                // Where the pressure shows that nothing arrived, the switch had nothing to tell.
                && !super::slow_phase::had_not_arrived(view, step)
        })
        .map(|step| {
            let why = format!("`{}` had to close it, {} movements in a row now", step.phase.name, missed + 1);
            (Some(step), why, 0.9)
        })
}

#[cfg(test)]
mod tests {
    use crate::testing::{Sketch, sig};
    use crate::{History, judge};
    use foldwatch_units::Direction::*;

    #[test]
    fn closed_before_its_step_moved() {
        let s = Sketch::healthy(Opening).with(|s| s.stuck = vec![(sig::STOWED, true)]);
        assert!(s.kinds().contains(&"stuck-switch"), "{:?}", s.judged().findings);
        assert!(!s.kinds().contains(&"missing-confirmation"));
        assert_eq!(s.only("stuck-switch").signal, Some(sig::STOWED));
    }

    #[test]
    fn closed_where_its_mechanism_stood_from_the_beginning() {
        // The unit waits for something else, and pushes against the stop meanwhile.
        let s = Sketch::healthy(Opening).with(|s| {
            s.stuck = vec![(sig::STOWED, true)];
            s.acts[2].moves = 0.05;
            s.acts[2].waits = 6.0;
            s.acts[2].confirmed = false;
        });
        assert!(!s.kinds().contains(&"stuck-switch"), "{:?}", s.judged().findings);
    }

    #[test]
    fn closed_after_its_mechanism_left() {
        let s = Sketch::healthy(Opening).with(|s| s.stuck = vec![(sig::LID_CLOSED, true)]);
        let mut kinds = s.kinds();
        kinds.sort_unstable();
        assert_eq!(kinds, ["contradiction", "stuck-switch"]);
        let by_cylinder = Sketch::healthy(Opening).with(|s| s.stuck = vec![(sig::ROOF_UP, true)]);
        assert_eq!(by_cylinder.kinds(), ["stuck-switch"]);
    }

    #[test]
    fn closed_although_it_had_to_open() {
        let s = Sketch::healthy(Opening).with(|s| s.stuck = vec![(sig::LATCHED, true)]);
        assert!(s.kinds().contains(&"stuck-switch"), "{:?}", s.kinds());
    }

    #[test]
    fn open_three_times_in_a_row() {
        let mut history = History::default();
        let mut seen = Vec::new();
        for n in 0..3 {
            let s = Sketch::healthy(Opening).with(|s| {
                s.start += 3600.0 * f64::from(n);
                s.stuck = vec![(sig::LID_OPEN, false)];
                s.acts[1].waits = 0.3;
            });
            let cycle = s.cycle();
            let judged = judge(&s.profile, &cycle, &history);
            seen.push(judged.findings.iter().map(|f| f.kind).collect::<Vec<_>>());
            history.learn(&s.profile, &cycle, &judged);
        }
        assert_eq!(seen[0], ["missing-confirmation"]);
        assert_eq!(seen[1], ["missing-confirmation"]);
        assert!(seen[2].contains(&"stuck-switch"), "{seen:?}");
    }
}
