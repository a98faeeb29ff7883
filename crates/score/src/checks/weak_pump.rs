//! weak-pump: the pump gives less pressure, or less oil, than it should.

use foldwatch_profile::SignalKind;
use foldwatch_segment::Confirmation;

use super::{About, Check};
use crate::view::Step;
use crate::{Finding, View, Weight};

static ABOUT: About = About {
    id: "weak-pump",
    title: "Pump is weak",
    meaning: "Against the stop the pressure stayed well below the relief setting; or all pump-driven steps were slower together, \
              with oil temperature and supply accounted for: that is not one hinge but what drives them all. Each slow step is told beside it.",
    inspect: "Oil level and strainer first, then the relief valve's setting, then the pump. The supply at the motor itself, under \
              load: a bad earth makes a pump slow, too.",
    limit_origin: "A plateau below 0.8 of the relief setting (judgment: relief valves scatter by some percent, a pump by less). \
                   All pump-driven steps, at least three, slower than this car's usual, half of them by 4.5 % and none by less than 3 %, \
                   each with a chance below 1 in 20; before the car is known, 30 % slower than the profile's times, with the oil temperature recorded.",
};

/// Share of the relief setting that a plateau must reach. Judgment.
const REACHES: f64 = 0.8;
/// Half of the steps slower by this share than the car's usual, and none by less than the second. Judgment: that all are
/// slower at once says more than one by 15 %.
const SLOWER: f64 = 1.045;
const EACH_SLOWER: f64 = 1.03;
/// All steps slower by this share than the profile's times, before the car is known: a profile's times come from few
/// roofs, whose pumps differ by some 10 %. Judgment.
const SLOWER_THAN_PROFILE: f64 = 1.3;
/// Below this oil temperature, °C, what the pump can draw falls off as well, by this share a kelvin. Judgment: the expected times
/// know the oil in gaps and lines, and not in the suction.
const COLD: f64 = 5.0;
const COLDER: f64 = 0.02;
/// The chance of each step; three of them together are 1 in 8 000, were they independent.
const UNLIKELY: f64 = 0.05;
/// Fewer steps can't show that it is all of them.
const STEPS: usize = 3;

/// See the file's head.
pub(super) struct WeakPump;

impl Check for WeakPump {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn examine(&self, view: &View) -> Vec<Finding> {
        let low = view.steps().filter_map(|step| low_plateau(view, &step)).next();
        low.into_iter().chain(slow_together(view)).collect()
    }
}

fn low_plateau(view: &View, step: &Step) -> Option<Finding> {
    let relief = view.profile.hydraulics.relief?.0;
    let lane = view.lane(SignalKind::Pressure)?;
    let stall = step.facts.stall.filter(|stall| stall.signal == lane.signal && stall.moved)?;
    if stall.level >= REACHES * relief || step.run.confirmation == Confirmation::Confirmed {
        return None;
    }
    Some(Finding {
        kind: ABOUT.id,
        weight: Weight::Attend,
        phase: Some(step.run.phase),
        signal: Some(lane.signal),
        at: stall.from,
        until: Some(stall.until),
        value: stall.level,
        unit: "bar",
        limit: Some(REACHES * relief),
        sure: 0.8,
        message: format!(
            "Against the stop of `{}` the pressure came to {:.0} bar and stayed there; the relief valve's setting is \
             {relief:.0} bar.",
            step.phase.name, stall.level
        ),
    })
}

/// By how much all pump-driven steps are slower than usual, and how many there are.
pub(crate) fn common_slowness(view: &View) -> Option<(f64, usize, bool)> {
    let steps: Vec<Step> = view.steps().filter(|step| step.phase.pump && step.is_whole()).collect();
    let judged: Vec<_> = steps.iter().filter_map(|step| step.timing.filter(|t| t.tail.is_some())).collect();
    if judged.len() < STEPS {
        return None;
    }
    let learned = judged.iter().all(|t| t.learned);
    let known = judged.iter().all(|t| t.conditions.oil.is_some());
    let (wanted, least) =
        if learned { (SLOWER, EACH_SLOWER) } else { (SLOWER_THAN_PROFILE, SLOWER_THAN_PROFILE) };
    let colder = |t: &&crate::PhaseTiming| t.conditions.oil.map_or(0.0, |oil| (COLD - oil.0).max(0.0));
    let ratio = |t: &&crate::PhaseTiming| t.driven.0 / t.expected.0 / (1.0 + COLDER * colder(t));
    let all = judged.iter().all(|t| ratio(t) >= least && (!learned || t.tail.is_some_and(|p| p < UNLIKELY)));
    let mut ratios: Vec<f64> = judged.iter().map(ratio).collect();
    let median = crate::look::quantile(&mut ratios, 0.5)?;
    (all && median >= wanted && (learned || known)).then_some((median, judged.len(), learned))
}

fn slow_together(view: &View) -> Option<Finding> {
    let (ratio, steps, learned) = common_slowness(view)?;
    let than = if learned { "this car's usual" } else { "the profile's times" };
    Some(Finding {
        kind: ABOUT.id,
        weight: Weight::Attend,
        phase: None,
        signal: None,
        at: view.cycle.start,
        until: Some(view.cycle.end),
        value: ratio,
        unit: "",
        limit: Some(if learned { SLOWER } else { SLOWER_THAN_PROFILE }),
        sure: if learned { 0.85 } else { 0.7 },
        message: format!(
            "All {steps} pump-driven steps together took {:.0} % longer than {than}, with oil temperature and supply accounted \
             for: the pump gives less oil, or turns more slowly.",
            100.0 * (ratio - 1.0)
        ),
    })
}

#[cfg(test)]
mod tests {
    use crate::testing::Sketch;
    use foldwatch_segment::Outcome;
    use foldwatch_units::Direction::*;

    fn slower(by: f64) -> Sketch {
        Sketch::healthy(Opening).with(|s| {
            s.start = 90_000.0;
            for act in &mut s.acts {
                act.moves *= by;
            }
        })
    }

    #[test]
    fn all_steps_slower_are_the_pumps_matter() {
        let history = Sketch::healthy(Opening).repeated(12);
        let kinds = slower(1.25).kinds_after(&history);
        assert_eq!(kinds.iter().filter(|k| **k == "weak-pump").count(), 1);
        assert!(kinds.iter().all(|k| ["weak-pump", "slow-phase"].contains(k)), "{kinds:?}");
        assert_eq!(slower(1.055).kinds_after(&history), ["weak-pump"], "none of them by itself");
        assert!(slower(1.035).kinds_after(&history).is_empty());
        assert_eq!(slower(1.4).kinds(), ["weak-pump"]);
        assert!(slower(1.2).kinds().is_empty());
    }

    #[test]
    fn against_the_stop_below_the_setting() {
        let against = |bar: f64| {
            Sketch::healthy(Opening).with(|s| {
                s.relief = bar;
                s.acts[2].waits = 4.0;
                s.acts[2].confirmed = false;
                s.acts[2].goes_on = false;
                s.run_on = 0.0;
                s.outcome = Outcome::GivenUp;
            })
        };
        assert!(against(110.0).kinds().contains(&"weak-pump"), "{:?}", against(110.0).kinds());
        assert!(!against(150.0).kinds().contains(&"weak-pump"));
    }
}
