//! heavy-going: a step needs more pressure or current than it did.

use foldwatch_profile::{SignalIx, SignalKind};
use foldwatch_segment::Confirmation;

use super::{About, Check};
use crate::run::{Cut, required};
use crate::view::Step;
use crate::{Finding, View, Weight};

static ABOUT: About = About {
    id: "heavy-going",
    title: "Goes heavily",
    meaning: "The step needed more pressure, or more motor current, than it usually does on this car, or than its profile \
              states, under such conditions. \
              A pump that displaces its oil keeps its pace: friction shows here long before the step gets slow.",
    inspect: "What moves in this step: hinges, guides, latches, seals that rub, something in the way. Feel for play and dryness \
              with the roof supported.",
    limit_origin: "The car's own record, at least four cycles of the step, with oil temperature and supply accounted for: a \
                   chance below 1 in 10 000, and at least 15 % more (judgment: wind and parking slope make some percent). Before \
                   that, where the profile states a pressure, half as much again (judgment: sound roofs of a kind differ by a \
                   tenth).",
};

/// Chance, given all earlier cycles, below which a load is out of the ordinary; as for slow-phase.
const RARE: f64 = 1e-4;
/// Below this share more, wind or a slope would do. Judgment.
const RELEVANT: f64 = 0.15;

/// The same against the profile's pressure. Judgment: sound roofs of a kind differ by a tenth.
const BEYOND_ITS_KIND: f64 = 0.5;

/// Share of the usual time before which a mechanism that stands has not arrived. Judgment: a warm pump gains some percent, and
/// a way that gets heavier towards its end looks like a stop some time before it.
const EARLY: f64 = 0.7;

/// See the file's head.
pub(super) struct HeavyGoing;

impl Check for HeavyGoing {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn examine(&self, view: &View) -> Vec<Finding> {
        view.steps().filter_map(|step| judge(view, &step).or_else(|| held(view, &step))).collect()
    }
}

fn judge(view: &View, step: &Step) -> Option<Finding> {
    // A step without the pump needs none of its pressure; what a pump that does not stop makes meanwhile is not its own.
    if !step.is_whole() || !step.phase.pump || follows_a_gap(view, step) {
        return None;
    }
    let conditions = step.timing?.conditions;
    let load = |id: &str, kind: SignalKind, unit: &'static str| {
        let now = view.measure(id, Some(step.facts.run))?;
        let needed = view.history.needed(view.profile, step.run.phase, id, conditions, now)?;
        let more = now / needed.median - 1.0;
        let signal = view.lane(kind)?.signal;
        let is_heavy =
            if needed.learned { needed.tail < RARE && more >= RELEVANT } else { more >= BEYOND_ITS_KIND };
        is_heavy.then_some((now, needed, more, signal, unit))
    };
    // Pressure says it more directly than the current that follows it.
    let (now, needed, more, signal, unit): (f64, _, f64, SignalIx, _) =
        load("mean-pressure", SignalKind::Pressure, "bar")
            .or_else(|| load("running-current", SignalKind::Current, "A"))?;
    let what = if unit == "bar" { "pressure" } else { "current" };
    Some(Finding {
        kind: ABOUT.id,
        weight: Weight::Attend,
        phase: Some(step.run.phase),
        signal: Some(signal),
        at: step.run.start,
        until: Some(step.run.end),
        value: now,
        unit,
        limit: Some(needed.median * (1.0 + if needed.learned { RELEVANT } else { BEYOND_ITS_KIND })),
        sure: if needed.learned { (1.0 - needed.tail).min(0.97) } else { 0.8 },
        message: format!(
            "`{}` needed {now:.0} {unit} of {what} while moving, {:.0} % more than {} {:.0} {unit} under such conditions.",
            step.phase.name,
            100.0 * more,
            if needed.learned { "this car's usual" } else { "the profile's" },
            needed.median,
        ),
    })
}

/// When the step began was not recorded.
fn follows_a_gap(view: &View, step: &Step) -> bool {
    view.step_before(step).is_some_and(|before| before.facts.cut == Some(Cut::Gap))
}

/// By all switches that it has to close, the mechanism is where it goes: nothing holds it, another switch does not tell.
fn is_there(view: &View, step: &Step) -> bool {
    let mut closes = required(&step.phase.confirm).into_iter().filter(|(_, on)| *on).peekable();
    closes.peek().is_some()
        && closes.all(|(switch, _)| view.cycle.recording.state(switch, step.run.left) == Some(true))
}

/// The pressure stood at its highest before the mechanism can have been where it goes: something holds it.
fn held(view: &View, step: &Step) -> Option<Finding> {
    let timing = step.timing.filter(|timing| timing.learned)?;
    let lane = view.lane(SignalKind::Pressure)?;
    let stall = step.facts.stall.filter(|stall| stall.signal == lane.signal)?;
    let unconfirmed = matches!(step.run.confirmation, Confirmation::Missing | Confirmation::Inferred);
    let seconds = (stall.knee - step.run.start).0;
    if !unconfirmed || step.facts.part || is_there(view, step) || seconds >= EARLY * timing.expected.0 {
        return None;
    }
    let needed =
        view.history.needed(view.profile, step.run.phase, "mean-pressure", timing.conditions, stall.level)?;
    let limit = needed.median * (1.0 + RELEVANT);
    (stall.level > limit).then(|| Finding {
        kind: ABOUT.id,
        weight: Weight::Attend,
        phase: Some(step.run.phase),
        signal: Some(lane.signal),
        at: stall.knee,
        until: Some(stall.until),
        value: stall.level,
        unit: "bar",
        limit: Some(limit),
        sure: 0.8,
        message: format!(
            "`{}` {} with {:.0} bar on it, usually it moves for {:.1} s with {:.0} bar: something holds it{}.",
            step.phase.name,
            if stall.moved { format!("stood after {seconds:.1} s") } else { "did not move".to_owned() },
            stall.level,
            timing.expected.0,
            needed.median,
            if stall.moved { "" } else { ", or its valve does not open" }
        ),
    })
}

#[cfg(test)]
mod tests {
    use crate::testing::{Sketch, sig};
    use foldwatch_units::Direction::*;

    fn later(bar: f64) -> Sketch {
        Sketch::healthy(Opening).with(|s| {
            s.start = 90_000.0;
            s.acts[1].bar = bar;
        })
    }

    #[test]
    fn silent_as_usual_and_nearly_heavy() {
        let history = Sketch::healthy(Opening).repeated(12);
        assert!(later(70.0).kinds_after(&history).is_empty());
        assert!(later(77.0).kinds_after(&history).is_empty());
    }

    #[test]
    fn more_than_the_car_ever_needed() {
        let history = Sketch::healthy(Opening).repeated(12);
        assert_eq!(later(98.0).kinds_after(&history), ["heavy-going"]);
        let few = Sketch::healthy(Opening).repeated(3);
        assert!(later(98.0).kinds_after(&few).is_empty());
    }

    #[test]
    fn what_the_profile_states_counts_from_the_first_cycle_on() {
        let stated = |s: &mut Sketch| {
            let steps = s.profile.opening.iter_mut().chain(&mut s.profile.closing);
            steps.for_each(|phase| phase.pressure = Some(foldwatch_units::Bar(70.0)));
        };
        let first = |bar: f64| {
            Sketch::healthy(Opening).with(|s| {
                stated(s);
                s.acts[1].bar = bar;
            })
        };
        assert!(first(84.0).kinds().is_empty(), "sound roofs differ");
        let found = first(130.0).only("heavy-going");
        assert!(found.message.contains("more than the profile's 70 bar"), "{}", found.message);
        // A car that goes a little heavier than its kind is known by it.
        let history = first(84.0).repeated(12);
        assert_eq!(later(112.0).with(stated).kinds_after(&history), ["heavy-going"]);
        assert!(later(88.0).with(stated).kinds_after(&history).is_empty());
    }

    #[test]
    fn held_on_its_way() {
        let history = Sketch::healthy(Opening).repeated(12);
        let standing = |after: f64| {
            Sketch::healthy(Opening).with(|s| {
                s.start = 90_000.0;
                s.acts[2].moves = after;
                s.acts[2].waits = 8.0;
                s.acts[2].confirmed = false;
                s.acts[2].goes_on = false;
                s.run_on = 0.0;
                s.outcome = foldwatch_segment::Outcome::GivenUp;
            })
        };
        assert!(standing(2.5).kinds_after(&history).contains(&"heavy-going"));
        // It stands where it goes, by its own switch.
        let there = standing(2.5).with(|s| s.stuck = vec![(sig::STOWED, true)]);
        assert!(!there.kinds_after(&history).contains(&"heavy-going"));
        assert!(!standing(5.0).kinds_after(&history).contains(&"heavy-going"));
    }

    #[test]
    fn by_the_current_alone() {
        let bare = |s: &mut Sketch| s.absent = vec![sig::PRESSURE];
        let history = Sketch::healthy(Opening).with(bare).repeated(12);
        assert_eq!(later(110.0).with(bare).kinds_after(&history), ["heavy-going"]);
    }
}
