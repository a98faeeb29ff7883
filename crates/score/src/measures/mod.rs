//! Numbers taken from a cycle, one file a group.
//!
//! Standard uncertainties follow JCGM 100: what the sensor's calibration leaves open (the profile's `u`, the same for
//! every reading) and what scatter and sampling add are combined in quadrature.

use foldwatch_profile::{Profile, SignalKind};
use foldwatch_units::{Measured, Micros};

use crate::look::Lane;
use crate::view::{Step, View};
use crate::{Measure, Observed};

mod after;
mod electrical;
mod flow;
mod noise;
mod pressure;
mod time;

pub use after::Hold;
pub(crate) use after::hold;
pub(crate) use electrical::SUPPLY_OVER;
pub(crate) use noise::of_kind as noise_of;

/// What a measure is, for people.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct AboutMeasure {
    /// Its name.
    pub id: &'static str,
    /// Its unit.
    pub unit: &'static str,
    /// What it says.
    pub meaning: &'static str,
}

/// Every measure of a step.
pub static OF_A_STEP: &[AboutMeasure] = &[
    time::DURATION,
    time::VALVE_LAG,
    time::CONFIRMATION_LAG,
    pressure::PEAK,
    pressure::MEAN,
    pressure::AGAINST_PROFILE,
    pressure::END,
    pressure::RISE,
    pressure::BUILD_UP,
    electrical::INRUSH,
    electrical::RUNNING,
    electrical::CHARGE,
    electrical::HEAT,
    electrical::ENERGY,
    electrical::LOWEST_SUPPLY,
    flow::HYDRAULIC_ENERGY,
    flow::EFFICIENCY,
    flow::BULK_MODULUS,
    flow::OIL_TEMPERATURE,
    flow::PUMP_SPEED,
];

/// Every measure of a whole cycle.
pub static OF_A_CYCLE: &[AboutMeasure] = &[
    after::RUN_ON,
    after::HOLD,
    after::HOLD_AT_LEAST,
    after::HOLD_LEFT,
    after::SPRING_BACK,
    electrical::SUPPLY_RESISTANCE,
    electrical::THERMAL_STATE,
    electrical::MOTOR_HEAT,
    electrical::FUSE_MARGIN,
    noise::PRESSURE,
    noise::CURRENT,
    noise::SUPPLY,
];

/// Everything that can be measured of a cycle, and why what can't be isn't.
pub(crate) fn all(view: &View) -> Vec<Measure> {
    let mut out = Vec::new();
    for step in view.steps() {
        let mut put = |about: &AboutMeasure, value: Observed| {
            out.push(Measure {
                id: about.id,
                run: Some(step.facts.run),
                phase: Some(step.run.phase),
                signal: None,
                unit: about.unit,
                value,
            });
        };
        time::of_step(view, &step, &mut put);
        pressure::of_step(view, &step, &mut put);
        electrical::of_step(view, &step, &mut put);
        flow::of_step(view, &step, &mut put);
    }
    electrical::of_cycle(view, &mut out);
    after::of_cycle(view, &mut out);
    noise::of_cycle(view, &mut out);
    out
}

/// Where a step's measure goes.
type Put<'a> = &'a mut dyn FnMut(&AboutMeasure, Observed);

fn value(value: f64, u: f64) -> Observed {
    if value.is_finite() && u.is_finite() {
        Observed::Value(Measured { value, u })
    } else {
        not("the numbers recorded give no finite result")
    }
}

fn not(reason: &str) -> Observed {
    Observed::NotObservable(reason.to_owned())
}

/// A measure of the whole cycle.
fn of_whole(about: &AboutMeasure, value: Observed) -> Measure {
    Measure { id: about.id, run: None, phase: None, signal: None, unit: about.unit, value }
}

/// Standard uncertainty of one reading that its calibration leaves open.
fn calibration_u(profile: &Profile, lane: Lane) -> f64 {
    profile.signal(lane.signal).calibration.u.unwrap_or(0.0)
}

/// The stretch in which the mechanism of a step moved, past the start of the pump.
fn motion(step: &Step) -> (Micros, Micros) {
    let until = step.facts.stall.map_or(step.run.end, |stall| stall.knee.min(step.run.end));
    let from = step.run.start + foldwatch_units::Seconds(crate::timing::INRUSH_OVER);
    if from < until { (from, until) } else { (step.run.start, until) }
}

/// A signal's numbers within a step, or why there are none.
fn lane_in<'a>(view: &View<'a>, step: &Step, kind: SignalKind) -> Result<Lane<'a>, Observed> {
    let what = match kind {
        SignalKind::Pressure => "no pressure is recorded",
        SignalKind::Current => "no current is recorded",
        SignalKind::Voltage => "no supply voltage is recorded",
        SignalKind::Temperature => "no oil temperature is recorded",
        _ => "the signal is not recorded",
    };
    let part = view.lane(kind).ok_or_else(|| not(what))?.within(step.run.start, step.run.left);
    if part.count() == 0 { Err(not("no row falls into the step")) } else { Ok(part) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{Sketch, sig};
    use foldwatch_units::Direction;

    /// What was measured of the second step of opening, or of the cycle.
    pub(super) fn measured(sketch: &Sketch, id: &str) -> Observed {
        let judged = sketch.judged();
        let found = judged.measures.iter().find(|m| m.id == id && m.run.is_none_or(|run| run == 1));
        found.unwrap_or_else(|| panic!("no {id}")).value.clone()
    }

    #[test]
    fn each_run_has_every_measure_with_its_unit_or_a_reason() {
        for absent in [vec![], vec![sig::PRESSURE, sig::CURRENT, sig::SUPPLY, sig::OIL, sig::PUMP]] {
            let judged = Sketch::healthy(Direction::Opening).with(|s| s.absent = absent).judged();
            for (n, about) in (0..3).flat_map(|n| OF_A_STEP.iter().map(move |about| (n, about))) {
                let found: Vec<_> =
                    judged.measures.iter().filter(|m| m.id == about.id && m.run == Some(n)).collect();
                assert_eq!(found.len(), 1, "{}", about.id);
                assert_eq!(found[0].unit, about.unit);
                if let Observed::Value(m) = &found[0].value {
                    assert!(m.u >= 0.0 && m.value.is_finite(), "{}", about.id);
                }
            }
            for about in OF_A_CYCLE {
                assert!(judged.measures.iter().any(|m| m.id == about.id && m.run.is_none()), "{}", about.id);
            }
        }
    }
}
