//! air-in-oil: the oil has become softer than it was.

use foldwatch_profile::SignalKind;

use super::{About, Check};
use crate::history::BUILD_UP;
use crate::view::Step;
use crate::{Finding, View, Weight};

static ABOUT: About = About {
    id: "air-in-oil",
    title: "Air in the oil",
    meaning: "Against the stop the pressure rose more slowly than it usually does on this car: gas in the oil gives way. Or the \
              pressure takes longer to build up as the pump starts: the oil is pressed together first. After hydraulic \
              work it tells whether the air is out yet.",
    inspect: "Oil level, suction side, and whether the oil foams. Let the roof go through its movements as the maker says for \
              bleeding.",
    limit_origin: "The car's own record of the same step, at least four times: less than 0.6 of the usual stiffness, and 3.5 \
                   scaled deviations below it (NIST/SEMATECH e-Handbook 1.3.5.17). At the start: 1.8 times the usual build-up and \
                   0.1 s longer, just as far from its usual, with the other steps as usual. There is no limit \
                   before that: hoses and volumes that the profile does not know make as much.",
};

/// Share of the usual stiffness. Judgment: temperature changes oil by less.
const OF_USUAL: f64 = 0.6;
/// Scaled deviations below the usual.
const DEVIATIONS: f64 = 3.5;

/// Each other step within this share of its usual time. Judgment: what slows all steps looks otherwise.
const OTHERS_WITHIN: f64 = 0.04;
/// The first step takes longer by what the build-up takes longer; by more than so many times that, oil creeps past its piston
/// or something rubs. Judgment.
const AS_MUCH: f64 = 1.7;
/// The pressure's build-up must take so many times its usual, and so much longer in seconds. Judgment: cold oil and a weak
/// battery slow the pump by less, and the steps after the first with it.
const TIMES: f64 = 1.8;
const LONGER: f64 = 0.1;

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
            .or_else(|| slow_build_up(view))
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

/// The other steps that the pump drove, where they were as usual.
fn others_as_usual(view: &View, first: &Step) -> bool {
    let others: Vec<Step> =
        view.steps().filter(|step| step.phase.pump && step.facts.run != first.facts.run).collect();
    let as_usual = |step: &Step| {
        step.is_whole()
            && step
                .timing
                .is_some_and(|t| t.learned && (t.driven.0 / t.expected.0 - 1.0).abs() < OTHERS_WITHIN)
    };
    others.len() >= 2 && others.iter().all(as_usual)
}

/// The pressure's build-up at the start of the pump, now, and what is usual with its scale.
fn build_up(view: &View, first: &Step) -> Option<(f64, f64, f64)> {
    let now = view.measure(BUILD_UP, Some(first.facts.run))?;
    let usual = view.history.usual_of(view.profile, first.run.phase, BUILD_UP)?;
    let (median, scale) = usual.spread(0.1)?;
    ((usual.count() as f64) >= crate::timing::ENOUGH_CYCLES).then_some((now, median, scale))
}

/// At the start of the pump the pressure came late, and the steps after the first took their usual time, so that neither the
/// pump nor a leak is why: there was gas to be pressed together.
fn slow_build_up(view: &View) -> Option<Finding> {
    let first = view.steps().find(|step| step.phase.pump).filter(Step::is_whole)?;
    let (now, median, scale) = build_up(view, &first)?;
    let longer = now - median;
    if longer < LONGER.max(2.0 * view.period)
        || now < TIMES * median
        || longer <= DEVIATIONS * scale
        || !others_as_usual(view, &first)
        || first.timing.is_some_and(|t| t.driven.0 - t.expected.0 > AS_MUCH * longer + 2.0 * view.period)
    {
        return None;
    }
    Some(Finding {
        kind: ABOUT.id,
        weight: Weight::Note,
        phase: Some(first.run.phase),
        signal: view.lane(SignalKind::Pressure).map(|lane| lane.signal),
        at: first.run.start,
        until: Some(first.run.start + foldwatch_units::Seconds(now)),
        value: now,
        unit: "s",
        limit: Some(TIMES * median),
        sure: 0.75,
        message: format!(
            "As the pump started in `{}` the pressure took {now:.1} s to build up, usual on this car are {median:.1} s; the steps after \
             it took their usual time: there is air in the oil, which is pressed together first.",
            first.phase.name
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
    fn the_pressure_comes_late_and_all_else_is_as_usual() {
        let history = Sketch::healthy(Opening).repeated(12);
        let later = |by: f64, tau: f64| {
            Sketch::healthy(Opening).with(|s| {
                s.start = 90_000.0;
                s.acts[0].moves += by;
                s.start_tau = tau;
            })
        };
        assert!(later(0.0, 0.05).kinds_after(&history).is_empty());
        assert!(later(0.3, 0.5).kinds_after(&history).contains(&"air-in-oil"));
        // A step that takes longer with the pressure there at once is a slow one, and so is one that takes much longer.
        assert_eq!(later(0.3, 0.05).kinds_after(&history), ["slow-phase"]);
        assert_eq!(later(1.5, 0.5).kinds_after(&history), ["slow-phase"]);
        let all = later(0.3, 0.5).with(|s| s.acts.iter_mut().for_each(|act| act.moves *= 1.2));
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
