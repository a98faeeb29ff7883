//! air-in-oil: the oil has become softer than it was.

use foldwatch_profile::SignalKind;

use super::{About, Check};
use crate::view::Step;
use crate::{Finding, View, Weight};

static ABOUT: About = About {
    id: "air-in-oil",
    title: "Air in the oil",
    meaning: "Against the stop the pressure rose more slowly than it usually does on this car: gas in the oil gives way. \
              After hydraulic work it tells whether the air is out yet.",
    inspect: "Oil level, suction side, and whether the oil foams. Let the roof go through its movements as the maker says for \
              bleeding.",
    limit_origin: "The car's own record of the same step, at least five times: less than 0.6 of the usual stiffness, and 3.5 \
                   scaled deviations below it (NIST/SEMATECH e-Handbook 1.3.5.17). There is no limit before that: hoses and \
                   volumes that the profile does not know make as much.",
};

/// Share of the usual stiffness. Judgment: temperature changes oil by less.
const OF_USUAL: f64 = 0.6;
/// Scaled deviations below the usual.
const DEVIATIONS: f64 = 3.5;

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
    fn softer_than_it_was() {
        let history = rising(0.05, 10.0).repeated(10);
        assert!(rising(0.06, 90_000.0).kinds_after(&history).is_empty());
        assert_eq!(rising(0.13, 90_000.0).kinds_after(&history), ["air-in-oil"]);
        assert!(!rising(0.13, 10.0).kinds().contains(&"air-in-oil"));
    }
}
