//! slow-phase: the mechanism moved for longer than it should at these conditions.

use foldwatch_profile::{Expr, Phase, SignalIx, SignalKind};
use foldwatch_segment::Confirmation;

use super::signal_fault::is_deaf;
use super::{About, Check};
use crate::run::{Cut, required};
use crate::timing::PhaseTiming;
use crate::view::Step;
use crate::{Finding, View, Weight};

static ABOUT: About = About {
    id: "slow-phase",
    title: "Slow phase",
    meaning: "The mechanism moved for longer than it should with the oil as warm and the supply as strong as they were. \
              Time spent waiting for a switch at the stop is not counted, nor is a step that was cut short.",
    inspect: "If one step is slow: what moves in it (hinges, guides, its cylinders). If all are: oil level, pump, supply.",
    limit_origin: "The step's limit in the profile, corrected to the conditions and widened by twice the correction's \
                   own uncertainty; or the car's own expectation, when the time had a chance below 1 in 10 000 and was \
                   at least 15 % longer (judgment: below that nobody would act on it). Where the other steps of the same movement took \
                   their usual time, 8 % and a chance below 3 in 1000 are enough: it is neither the oil nor the supply.",
};

/// Chance, given all earlier cycles, below which a time is out of the ordinary: with some 10 phases a cycle, one false
/// call in a thousand cycles.
const RARE: f64 = 1e-4;
/// Below this share nobody would act on it, however sure the statistics are. Judgment.
const RELEVANT: f64 = 0.15;

/// The same where the other steps of the movement took their usual time, within the third: what they share is not why.
const RARE_ALONE: f64 = 3e-3;
const RELEVANT_ALONE: f64 = 0.08;
const OTHERS_WITHIN: f64 = 0.04;

/// A step confirmed before this share of its time was not done. Judgment: no oil is so warm.
const TOO_EARLY: f64 = 0.5;
/// Share of its time within which a mechanism has left the switch of the place it comes from. Judgment: such a switch sits
/// at the stop.
const LEAVES_WITHIN: f64 = 0.3;
/// Less than this share of the excess explains nothing. Judgment.
const EXPLAINS: f64 = 0.05;

/// See the file's head.
pub(super) struct SlowPhase;

impl Check for SlowPhase {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn examine(&self, view: &View) -> Vec<Finding> {
        view.steps().filter_map(|step| judge(view, &step).or_else(|| under_way(view, &step))).collect()
    }
}

fn judge(view: &View, step: &Step) -> Option<Finding> {
    let timing = step.timing?;
    // Where nothing tells when the motion began or ended, the time in between says nothing of it.
    let untold = step.facts.motion.is_none() || !start_is_told(view, step);
    if step.facts.cut.is_some() || untold || super::late_confirmation::shared_drive(view, step).is_some() {
        return None;
    }
    let time = timing.driven.0;
    // Either edge may be late by a whole sample: with u = T / sqrt(6) that is so much.
    let margin = 6f64.sqrt() * step.run.u_duration.0;
    let over_limit = time - margin > timing.limit.0;
    let unusual = !step.facts.part
        && timing.learned
        && timing.tail.is_some_and(|tail| tail < RARE)
        && time > timing.expected.0 * (1.0 + RELEVANT);
    if !(over_limit || unusual || slow_alone(view, step, timing, time - margin)) {
        return None;
    }
    let (weight, limit, against) = if over_limit {
        (Weight::Attend, timing.limit.0, "the limit at these conditions is")
    } else {
        (Weight::Note, timing.expected.0, "this car usually takes, at these conditions,")
    };
    let message = format!(
        "`{}` took {time:.1} s; {against} {limit:.1} s.{}",
        step.phase.name,
        if timing.conditions.oil.is_some() {
            explained(timing, step.phase.expected.0)
        } else {
            " The oil's temperature is not recorded: on a cold day that alone may be why.".to_owned()
        }
    );
    Some(Finding {
        kind: ABOUT.id,
        weight,
        phase: Some(step.run.phase),
        signal: None,
        at: step.run.start,
        until: Some(step.run.start + foldwatch_units::Seconds(time)),
        value: time,
        unit: "s",
        limit: Some(limit),
        sure: sure(timing, over_limit),
        message,
    })
}

/// It alone was slow in its movement.
fn slow_alone(view: &View, step: &Step, timing: &PhaseTiming, at_least: f64) -> bool {
    let others = || view.pace_of_others(step).filter(|pace| (pace - 1.0).abs() < OTHERS_WITHIN);
    step.is_whole()
        && timing.learned
        && timing.tail.is_some_and(|tail| tail < RARE_ALONE)
        && others().is_some_and(|pace| at_least > timing.expected.0 * pace.max(1.0) * (1.0 + RELEVANT_ALONE))
}

/// The pressure tells that the mechanism had not reached its stop, although it had its time: it would have risen to the
/// relief setting there.
pub(crate) fn had_not_arrived(view: &View, step: &Step) -> bool {
    let open_end = matches!(step.run.confirmation, Confirmation::Inferred | Confirmation::Missing);
    let ended = matches!(step.facts.cut, Some(Cut::GivenUp | Cut::Stopped));
    let told = view.lane(SignalKind::Pressure).is_some_and(|lane| !is_deaf(view, lane));
    open_end
        && ended
        && told
        && view.profile.hydraulics.relief.is_some()
        && step.phase.pump
        && step.phase.confirm != Expr::Always
        && step.facts.stall.is_none()
        && step.facts.driven_until_left > step.limit()
        && !next_may_move_on(view, step)
        && !began_too_early(view, step)
}

/// The next step that has something left to do has the same drive: after this one's stop its mechanism moves on, and no
/// pressure rises. Not so where the switch that it leaves first is still made, long after it would have left it.
fn next_may_move_on(view: &View, step: &Step) -> bool {
    let state = |signal, at| view.cycle.recording.state(signal, at);
    let done = |phase: &Phase| phase.confirm.holds(&|signal| state(signal, step.run.start)) == Some(true);
    let next = view.profile.sequence(step.run.phase.direction)[step.run.phase.index + 1..]
        .iter()
        .take_while(|next| next.valves == step.phase.valves && next.pump == step.phase.pump)
        .find(|next| !done(next));
    let Some(next) = next else { return false };
    let expected = step.timing.map_or(step.phase.expected.0, |timing| timing.expected.0);
    let left_over = step.facts.driven_until_left - expected;
    let rests = |(signal, on): &(SignalIx, bool)| {
        !on && state(*signal, step.run.left) == Some(true) && state(*signal, step.run.start) == Some(true)
    };
    let still_there = required(&next.confirm).iter().any(rests);
    !(still_there && left_over >= LEAVES_WITHIN * next.expected.0)
}

/// The step before was confirmed long before its time, as by a switch that is stuck, or it is not known how much of it
/// was left: what moved then may have been still its own.
fn began_too_early(view: &View, step: &Step) -> bool {
    // What took no time was done before, and not run.
    let before = view.steps().take_while(|other| other.facts.run < step.facts.run);
    let before = before.filter(|other| other.run.driven.0 > 0.05).last();
    before.is_some_and(|before| {
        if before.facts.part {
            !came_meanwhile(&before)
        } else {
            before.timing.is_some_and(|t| t.driven.0 < TOO_EARLY * t.expected.0)
        }
    })
}

/// Its confirmation came while it was driven.
fn came_meanwhile(step: &Step) -> bool {
    step.run.confirmation == Confirmation::Confirmed
        && step.run.confirmed_at.is_some_and(|at| at > step.run.start)
}

/// It was still moving when the unit gave up, or the operator let go.
fn under_way(view: &View, step: &Step) -> Option<Finding> {
    let timing = step.timing.filter(|_| had_not_arrived(view, step))?;
    let time = step.facts.driven_until_left;
    let usual = timing.expected.0;
    Some(Finding {
        kind: ABOUT.id,
        weight: Weight::Attend,
        phase: Some(step.run.phase),
        signal: None,
        at: step.run.start,
        until: Some(step.run.left),
        value: time,
        unit: "s",
        limit: Some(step.limit()),
        sure: 0.8,
        message: format!(
            "`{}` had not got there after {time:.1} s: the pressure never rose as it does against the stop. At these \
             conditions it should take {usual:.1} s.",
            step.phase.name
        ),
    })
}

/// The step before was confirmed, or the drive changed as this one began.
fn start_is_told(view: &View, step: &Step) -> bool {
    let start = step.run.start;
    let before = view.step_before(step);
    before.is_none_or(|before| before.run.confirmation == Confirmation::Confirmed)
        || view.cycle.recording.drive.iter().any(|span| span.from == start)
}

/// "Of the 2.4 s over the usual 5.0 s, cold oil explains 1.9 s." Only what explains a share of it that matters.
fn explained(timing: &PhaseTiming, expected: f64) -> String {
    let over = timing.driven.0 - expected;
    let parts: Vec<String> = timing
        .contributions
        .iter()
        .filter(|(_, seconds)| seconds.0.abs() >= (EXPLAINS * over.abs()).max(0.1))
        .map(|(name, seconds)| format!("{name} {:+.1} s", seconds.0))
        .collect();
    if parts.is_empty() {
        return String::new();
    }
    format!(
        " Of the {over:+.1} s against the sound {expected:.1} s these are explained: {}.",
        parts.join(", ")
    )
}

/// Over the limit is a fact; how sure it is that the conditions are not why hangs on whether they are known.
fn sure(timing: &PhaseTiming, over_limit: bool) -> f64 {
    let conditions = if timing.conditions.oil.is_some() { 1.0 } else { 0.85 };
    let evidence = match timing.tail {
        Some(tail) if timing.learned => 1.0 - tail.min(0.5),
        _ if over_limit => (timing.driven.0 / timing.limit.0 - 1.0).min(0.2) + 0.8,
        _ => 0.5,
    };
    (conditions * evidence).clamp(0.5, 0.999)
}

#[cfg(test)]
mod tests {
    use crate::testing::Sketch;
    use foldwatch_units::Direction::*;

    #[test]
    fn silent_on_sound_and_nearly_slow() {
        assert!(Sketch::healthy(Opening).kinds().is_empty());
        assert!(Sketch::healthy(Closing).with(|s| s.acts[0].moves = 8.0).kinds().is_empty());
    }

    #[test]
    fn over_the_limit_is_slow_and_told_with_both_numbers() {
        let found = Sketch::healthy(Closing).with(|s| s.acts[0].moves = 9.1).only("slow-phase");
        assert!((found.value - 9.1).abs() < 0.02, "{found:?}");
        assert!(found.message.contains("9.1 s") && found.message.contains("8."), "{}", found.message);
    }

    #[test]
    fn a_cold_morning_with_a_weak_battery_is_no_fault() {
        let cold = Sketch::healthy(Closing).with(|s| {
            s.acts[0].moves = 9.1;
            s.oil = -10.0;
            s.supply = 11.6;
        });
        assert!(cold.kinds().is_empty(), "{:?}", cold.judged().findings);
    }

    #[test]
    fn slower_than_this_car_ever_was_is_a_note() {
        let history = Sketch::healthy(Closing).repeated(12);
        let same = Sketch::healthy(Closing).with(|s| {
            s.start = 90_000.0;
            s.acts[1].moves *= 1.05;
        });
        assert!(same.kinds_after(&history).is_empty());
        let slower = Sketch::healthy(Closing).with(|s| {
            s.start = 90_000.0;
            s.acts[1].moves *= 1.3;
        });
        assert_eq!(slower.kinds_after(&history), ["slow-phase"]);
    }

    #[test]
    fn still_under_way_when_the_unit_gave_up() {
        let given_up = |goes_heavily: bool| {
            Sketch::healthy(Closing).with(|s| {
                s.acts[2].moves = 9.0;
                s.acts[2].waits = if goes_heavily { 3.0 } else { 0.0 };
                s.acts[2].confirmed = false;
                s.acts[2].goes_on = false;
                s.run_on = 0.0;
                s.outcome = foldwatch_segment::Outcome::GivenUp;
            })
        };
        let found = given_up(false).only("slow-phase");
        assert!(found.message.contains("had not got there"), "{}", found.message);
        // Against the stop it had arrived, and what is missing is the switch.
        assert!(!given_up(true).kinds().contains(&"slow-phase"), "{:?}", given_up(true).kinds());
    }

    #[test]
    fn waiting_for_a_switch_is_not_slow() {
        let waited = Sketch::healthy(Closing).with(|s| s.acts[0].waits = 4.0);
        assert!(!waited.kinds().contains(&"slow-phase"), "{:?}", waited.kinds());
    }

    #[test]
    fn without_pressure_current_and_temperature_it_still_tells() {
        use crate::testing::sig::*;
        let bare = Sketch::healthy(Closing).with(|s| {
            s.acts[0].moves = 9.1;
            s.absent = vec![PRESSURE, CURRENT, OIL, SUPPLY, PUMP];
        });
        assert_eq!(bare.kinds(), ["slow-phase"]);
    }
}
