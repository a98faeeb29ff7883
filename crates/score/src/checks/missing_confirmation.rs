//! missing-confirmation: a step had its time, and its switch did not come.

use foldwatch_profile::{Expr, PhaseRef, SignalIx, SignalKind};
use foldwatch_segment::{Confirmation, Outcome};

use super::slow_phase::had_not_arrived;
use super::{About, Check};
use crate::run::{Cut, RunFacts, unmet};
use crate::view::Step;
use crate::{Finding, View, Weight};

static ABOUT: About = About {
    id: "missing-confirmation",
    title: "Confirmation missing",
    meaning: "The step had the time it needs, and the switch that should confirm it did not come. Not said when the \
              operator let go, the roof turned round, or the supply or the recording broke off.",
    inspect: "First whether the mechanism got there. If it did: the switch named, its adjustment, plug and wire. If not: \
              what holds it.",
    limit_origin: "The step's limit in the profile, corrected to the conditions: before that no confirmation is missed. \
                   When the unit goes on to the next step, it is missed at once.",
};

/// See the file's head.
pub(super) struct MissingConfirmation;

impl Check for MissingConfirmation {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn examine(&self, view: &View) -> Vec<Finding> {
        let found: Vec<Finding> =
            view.steps().filter(|step| is_missing(view, step)).map(|step| tell(view, &step)).collect();
        if found.is_empty() { waited_for_before(view).into_iter().collect() } else { found }
    }
}

/// Whether the step's confirmation can be said to be missing.
pub(crate) fn is_missing(view: &View, step: &Step) -> bool {
    let open_end = matches!(step.run.confirmation, Confirmation::Inferred | Confirmation::Missing);
    // What was confirmed before the step began is a matter of a stuck switch; what isn't recorded is none at all.
    open_end
        && step.phase.confirm != Expr::Always
        && step.run.confirmed_at.is_none()
        && !step.facts.unmet.is_empty()
        && match step.facts.cut {
            None => step.had_fair_time(),
            Some(Cut::GivenUp) => gave_up_in_time(step),
            // Someone who lets go of the button after waiting at the stop has seen the same; where nothing shows the
            // stop, the time alone must do.
            Some(Cut::Stopped) => {
                step.had_fair_time() && (reached_the_stop(step.facts) || !stops_are_seen(view))
            }
            Some(Cut::Reversed | Cut::PowerLost | Cut::Gap) => false,
        }
}

/// The unit gave up although every step that ran was confirmed: what it waited for is the step before the first of them,
/// whose mechanism was there already. Its switch does not say so.
fn waited_for_before(view: &View) -> Option<Finding> {
    let first = view.steps().find(|step| step.run.driven.0 > 0.0)?;
    let confirmed = view.steps().all(|step| step.run.confirmation == Confirmation::Confirmed);
    if view.cycle.outcome != Outcome::GivenUp || !view.cycle.from_part_way || !confirmed {
        return None;
    }
    let at = PhaseRef { index: first.run.phase.index.checked_sub(1)?, ..first.run.phase };
    let phase = at.of(view.profile);
    let same_drive = phase.valves == first.phase.valves && phase.pump == first.phase.pump;
    let open = |at| unmet(&phase.confirm, &|signal| view.cycle.recording.state(signal, at));
    let (before, after) = (open(view.cycle.start), open(view.cycle.end));
    let to_blame: Vec<_> = before.into_iter().filter(|wanted| after.contains(wanted)).collect();
    let (signal, _) = *to_blame.first().filter(|_| same_drive)?;
    let waited = (view.cycle.end - view.cycle.start).0;
    let names: Vec<String> =
        to_blame.iter().map(|(signal, on)| view.wanted(*signal, *on, view.cycle.end)).collect();
    Some(Finding {
        kind: ABOUT.id,
        weight: Weight::Attend,
        phase: Some(at),
        signal: Some(signal),
        at: view.cycle.end,
        until: None,
        value: waited,
        unit: "s",
        limit: None,
        sure: 0.85,
        message: format!(
            "The unit gave up after {waited:.1} s although `{}` had moved: it still waited for `{}`, which has the same drive: {}.",
            first.phase.name,
            phase.name,
            names.join("; ")
        ),
    })
}

fn stops_are_seen(view: &View) -> bool {
    view.lane(SignalKind::Pressure).is_some() || view.lane(SignalKind::Current).is_some()
}

fn reached_the_stop(facts: &RunFacts) -> bool {
    facts.stall.is_some_and(|stall| stall.moved)
}

/// The unit waited for its own time-out, where the profile knows it, else for the limit.
fn gave_up_in_time(step: &Step) -> bool {
    let waited = step.facts.driven_until_left;
    step.had_fair_time() || step.phase.give_up.is_some_and(|give_up| waited >= 0.9 * give_up.0)
}

/// Of what is unmet, the switches that did not come later either; all of them where each one did.
fn to_blame(view: &View, step: &Step) -> Vec<(SignalIx, bool)> {
    let unmet = &step.facts.unmet;
    let came = |(signal, on): &(SignalIx, bool)| {
        let edges = &view.cycle.recording.edges;
        edges.iter().any(|e| e.signal == *signal && e.on == *on && e.at > step.run.start)
    };
    let never: Vec<_> = unmet.iter().copied().filter(|wanted| !came(wanted)).collect();
    if never.is_empty() { unmet.clone() } else { never }
}

fn tell(view: &View, step: &Step) -> Finding {
    let to_blame = to_blame(view, step);
    let names: Vec<String> =
        to_blame.iter().map(|(signal, on)| view.wanted(*signal, *on, step.run.left)).collect();
    let waited = step.facts.driven_until_left;
    let what_then = match (step.run.went_on, step.facts.stall) {
        (_, Some(stall)) if stall.moved => {
            format!("; the mechanism reached its stop after {:.1} s", (stall.knee - step.run.start).0)
        }
        (_, Some(_)) => {
            "; the pressure stood at its highest from the beginning: it can't have moved".to_owned()
        }
        (true, None) => "; the unit went on to the next step".to_owned(),
        (false, None) if had_not_arrived(view, step) => {
            "; by its pressure it had not reached its stop".to_owned()
        }
        (false, None) => "; nothing recorded tells whether it got there".to_owned(),
    };
    let alone = to_blame.len() == 1;
    Finding {
        kind: ABOUT.id,
        weight: Weight::Attend,
        phase: Some(step.run.phase),
        signal: to_blame.first().map(|(signal, _)| *signal),
        at: step.run.end.max(step.run.start),
        until: Some(step.run.left),
        value: waited,
        unit: "s",
        limit: Some(step.limit()),
        sure: if step.run.went_on || reached_the_stop(step.facts) {
            if alone { 0.97 } else { 0.9 }
        } else {
            0.8
        },
        message: format!(
            "`{}` was not confirmed in {waited:.1} s: {}{what_then}.",
            step.phase.name,
            names.join("; ")
        ),
    }
}

#[cfg(test)]
mod tests {
    use crate::testing::{Sketch, sig};
    use foldwatch_segment::Outcome;
    use foldwatch_units::Direction::*;

    #[test]
    fn a_switch_that_does_not_come_is_named() {
        let found = Sketch::healthy(Opening)
            .with(|s| {
                s.acts[1].waits = 1.0;
                s.acts[1].confirmed = false;
            })
            .only("missing-confirmation");
        assert_eq!(found.signal, Some(sig::LID_OPEN));
        assert!(found.message.contains("lid open"), "{}", found.message);
    }

    #[test]
    fn the_last_step_given_up() {
        let given_up = Sketch::healthy(Closing).with(|s| {
            s.acts[2].waits = 2.4;
            s.acts[2].confirmed = false;
            s.acts[2].goes_on = false;
            s.run_on = 0.0;
            s.outcome = Outcome::GivenUp;
        });
        let found = given_up.only("missing-confirmation");
        assert_eq!(found.signal, Some(sig::LATCHED));
        assert!(found.message.contains("left latch"), "{}", found.message);
        assert_eq!(given_up.kinds().iter().filter(|k| **k == "slow-phase").count(), 0);
    }

    #[test]
    fn stopped_by_the_operator_is_no_fault() {
        let stopped = Sketch::healthy(Opening).with(|s| {
            s.acts.truncate(2);
            s.acts[1].moves = 1.5;
            s.acts[1].confirmed = false;
            s.acts[1].goes_on = false;
            s.run_on = 0.0;
            s.outcome = Outcome::Stopped;
        });
        assert!(stopped.kinds().is_empty(), "{:?}", stopped.judged().findings);
    }

    #[test]
    fn a_switch_that_is_not_recorded_is_not_missed() {
        let unrecorded = Sketch::healthy(Opening).with(|s| s.absent = vec![sig::STOWED, sig::LID_OPEN]);
        assert!(unrecorded.kinds().is_empty(), "{:?}", unrecorded.judged().findings);
    }
}
