//! air-in-oil: the oil has become softer than it was.

use foldwatch_profile::SignalKind;

use super::{About, Check};
use crate::view::Step;
use crate::{Finding, View, Weight};

static ABOUT: About = About {
    id: "air-in-oil",
    title: "Air in the oil",
    meaning: "Against the stop the pressure rose more slowly than it usually does on this car: gas in the oil gives way. Or only \
              the first step of a movement is slow, and needs no more pressure: the oil is pressed together first. After hydraulic \
              work it tells whether the air is out yet.",
    inspect: "Oil level, suction side, and whether the oil foams. Let the roof go through its movements as the maker says for \
              bleeding.",
    limit_origin: "The car's own record of the same step, at least four times: less than 0.6 of the usual stiffness, and 3.5 \
                   scaled deviations below it (NIST/SEMATECH e-Handbook 1.3.5.17). For the first step: 8 % slower than usual with a \
                   chance below 1 in 1000, at least two more pump-driven steps within 4 % of theirs (judgment). There is no limit \
                   before that: hoses and volumes that the profile does not know make as much.",
};

/// Share of the usual stiffness. Judgment: temperature changes oil by less.
const OF_USUAL: f64 = 0.6;
/// Scaled deviations below the usual.
const DEVIATIONS: f64 = 3.5;

/// The first step slower by this share than usual, and each other one within the second of its usual. Judgment: what
/// slows all steps, or rubs in one, looks otherwise.
const FIRST_SLOWER: f64 = 1.08;
const OTHERS_WITHIN: f64 = 0.04;
/// Chance of such a time of the first step. Judgment: what the other steps say makes it rarer still.
const UNLIKELY: f64 = 1e-3;
/// The first step may need this share more pressure than usual; with more it is heavy. Judgment.
const NO_HEAVIER: f64 = 1.05;

/// See the file's head.
pub(super) struct AirInOil;

impl Check for AirInOil {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn examine(&self, view: &View) -> Vec<Finding> {
        // One matter of the whole system: the step that shows it best tells it.
        let found = view.steps().filter_map(|step| judge(view, &step));
        found
            .min_by(|a, b| (a.value / a.limit.unwrap_or(1.0)).total_cmp(&(b.value / b.limit.unwrap_or(1.0))))
            .or_else(|| first_step_alone(view))
            .into_iter()
            .collect()
    }
}

fn judge(view: &View, step: &Step) -> Option<Finding> {
    let now = view.measure("bulk-modulus", Some(step.facts.run))?;
    let usual = view.history.usual_of(view.profile, step.run.phase, "bulk-modulus")?;
    if (usual.count() as f64) < crate::timing::ENOUGH_CYCLES {
        return None;
    }
    let (median, scale) = usual.spread(0.1)?;
    if now >= OF_USUAL * median || median - now <= DEVIATIONS * scale {
        return None;
    }
    let stall = step.facts.stall?;
    Some(Finding {
        kind: ABOUT.id,
        weight: Weight::Attend,
        phase: Some(step.run.phase),
        signal: view.lane(SignalKind::Pressure).map(|lane| lane.signal),
        at: stall.knee,
        until: Some(stall.from),
        value: now,
        unit: "bar",
        limit: Some(OF_USUAL * median),
        sure: 0.8,
        message: format!(
            "Against the stop of `{}` the oil was {:.0} % softer than usual on this car: there is gas in it, or a hose gives way.",
            step.phase.name,
            100.0 * (1.0 - now / median)
        ),
    })
}

/// Of all steps that the pump drives only the first was slow, and it was no heavier: the oil was pressed together first.
fn first_step_alone(view: &View) -> Option<Finding> {
    let mut pumped = view.steps().filter(|step| step.phase.pump);
    let first = pumped.next().filter(Step::is_whole)?;
    let timing = first.timing.filter(|timing| timing.learned)?;
    let ratio = timing.driven.0 / timing.expected.0;
    if ratio < FIRST_SLOWER || timing.tail? >= UNLIKELY {
        return None;
    }
    let others: Vec<Step> = pumped.collect();
    let as_usual = |step: &Step| {
        step.is_whole()
            && step
                .timing
                .is_some_and(|t| t.learned && (t.driven.0 / t.expected.0 - 1.0).abs() < OTHERS_WITHIN)
    };
    if others.len() < 2 || !others.iter().all(as_usual) {
        return None;
    }
    let id = "mean-pressure";
    let bar = view.measure(id, Some(first.facts.run))?;
    let needed = view.history.needed(view.profile, first.run.phase, id, timing.conditions, bar)?;
    (bar <= NO_HEAVIER * needed.median).then(|| Finding {
        kind: ABOUT.id,
        weight: Weight::Note,
        phase: Some(first.run.phase),
        signal: view.lane(SignalKind::Pressure).map(|lane| lane.signal),
        at: first.run.start,
        until: Some(first.run.end),
        value: timing.driven.0,
        unit: "s",
        limit: Some(timing.expected.0 * FIRST_SLOWER),
        sure: 0.6,
        message: format!(
            "`{}`, the first step of the movement, took {:.0} % longer than usual on this car and needed no more pressure; the \
             steps after it took their usual time: there may be air in the oil, which is pressed together first.",
            first.phase.name,
            100.0 * (ratio - 1.0)
        ),
    })
}

#[cfg(test)]
mod tests {
    use crate::testing::Sketch;
    use foldwatch_units::Direction::*;

    fn rising(tau: f64, start: f64) -> Sketch {
        Sketch::healthy(Opening).with(|s| {
            s.start = start;
            s.rise_tau = tau;
            s.acts[2].waits = 0.7;
        })
    }

    #[test]
    fn only_the_first_step_is_slow() {
        let history = Sketch::healthy(Opening).repeated(12);
        let slower = |act: usize, by: f64| {
            Sketch::healthy(Opening).with(|s| {
                s.start = 90_000.0;
                s.acts[act].moves *= by;
            })
        };
        assert!(slower(0, 1.03).kinds_after(&history).is_empty());
        assert!(slower(0, 1.25).kinds_after(&history).contains(&"air-in-oil"));
        assert!(!slower(1, 1.25).kinds_after(&history).contains(&"air-in-oil"));
        let heavy = slower(0, 1.25).with(|s| s.acts[0].bar *= 1.4);
        assert!(!heavy.kinds_after(&history).contains(&"air-in-oil"));
        let all = slower(0, 1.25).with(|s| s.acts[1].moves *= 1.2);
        assert!(!all.kinds_after(&history).contains(&"air-in-oil"));
    }

    #[test]
    fn softer_than_it_was() {
        let history = rising(0.05, 10.0).repeated(10);
        assert!(rising(0.06, 90_000.0).kinds_after(&history).is_empty());
        assert_eq!(rising(0.13, 90_000.0).kinds_after(&history), ["air-in-oil"]);
        assert!(!rising(0.13, 10.0).kinds().contains(&"air-in-oil"));
    }
}
