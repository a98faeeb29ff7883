//! Volume, hydraulic energy, the oil's stiffness and temperature.

use foldwatch_physics::hydraulic::{modulus_of_rise, piston_area, rod_side_area, stroke_volume};
use foldwatch_physics::ripple;
use foldwatch_profile::SignalKind;
use foldwatch_units::{BarPerSecond, Micros, Millilitres};

use super::{AboutMeasure, Put, calibration_u, lane_in, motion, not, value};
use crate::Observed;
use crate::view::{Step, View};

pub(super) const HYDRAULIC_ENERGY: AboutMeasure = AboutMeasure {
    id: "hydraulic-energy",
    unit: "J",
    meaning: "Mean pressure while moving times the volume that its cylinders took (P[kW] = p[bar] Q[L/min] / 600).",
};
pub(super) const EFFICIENCY: AboutMeasure = AboutMeasure {
    id: "volumetric-efficiency",
    unit: "",
    meaning: "Apparent: the volume of the step's cylinders over what the pump delivers at nominal voltage in that time.",
};
pub(super) const BULK_MODULUS: AboutMeasure = AboutMeasure {
    id: "bulk-modulus",
    unit: "bar",
    meaning: "Apparent stiffness of oil, hoses and air: rise against the stop times the cylinders' volume over the delivery. \
              It is for following, cycle after cycle, not for comparing with a handbook's oil.",
};
pub(super) const OIL_TEMPERATURE: AboutMeasure =
    AboutMeasure { id: "oil-temperature", unit: "°C", meaning: "Mean oil temperature during the step." };
pub(super) const PUMP_SPEED: AboutMeasure = AboutMeasure {
    id: "pump-speed",
    unit: "1/min",
    meaning: "Turns of the pump a minute, from the ripple of its pistons in pressure or current, where rows come fast enough.",
};

pub(super) fn of_step(view: &View, step: &Step, put: Put) {
    put(&HYDRAULIC_ENERGY, hydraulic_energy(view, step));
    put(&EFFICIENCY, efficiency(view, step));
    put(&BULK_MODULUS, bulk_modulus(view, step));
    let oil = match lane_in(view, step, SignalKind::Temperature) {
        Ok(lane) => lane.mean().map_or_else(
            || not("no row falls into the step"),
            |mean| value(mean, calibration_u(view.profile, lane).hypot(lane.noise())),
        ),
        Err(why) => why,
    };
    put(&OIL_TEMPERATURE, oil);
    put(&PUMP_SPEED, pump_speed(view, step));
}

fn pump_speed(view: &View, step: &Step) -> Observed {
    let Some(pistons) = view.profile.hydraulics.pump_pistons else {
        return not("the profile does not give the pump's pistons");
    };
    if !step.phase.pump {
        return not("the pump does not run in the step");
    }
    let lane =
        lane_in(view, step, SignalKind::Pressure).or_else(|_| lane_in(view, step, SignalKind::Current));
    let Ok(lane) = lane else { return not("neither pressure nor current is recorded") };
    let (from, until) = motion(step);
    let (times, values): (Vec<Micros>, Vec<f32>) =
        lane.within(from, until).points().map(|p| (p.0, p.1 as f32)).unzip();
    match ripple::pump_speed(&times, &values, pistons) {
        Ok((turns, _)) => {
            // A line is known to a small part of the spectrum's step, which is one over the length (judgment: a tenth).
            let length = (until - from).0.max(1e-3);
            value(60.0 * turns.0, 60.0 * 0.1 / length / f64::from(pistons))
        }
        Err(why) => Observed::NotObservable(why.to_string()),
    }
}

/// Volume that the step's cylinders take on their driven side over the whole stroke, in millilitres.
pub(crate) fn volume(view: &View, step: &Step) -> Option<f64> {
    let cylinders = &step.phase.cylinders;
    if cylinders.is_empty() {
        return None;
    }
    let mut sum = 0.0;
    for (place, extends) in cylinders {
        let cylinder = view.profile.hydraulics.cylinders.get(*place)?;
        let area =
            if *extends { piston_area(cylinder.bore) } else { rod_side_area(cylinder.bore, cylinder.rod) };
        sum += stroke_volume(area, cylinder.stroke).0 * f64::from(cylinder.count);
    }
    (sum > 0.0).then_some(sum)
}

/// Whether the step moved its cylinders over their whole stroke, and for how long.
fn whole_motion(step: &Step) -> Option<f64> {
    (!step.facts.part && step.facts.cut.is_none()).then_some(step.facts.motion).flatten().filter(|s| *s > 0.0)
}

fn hydraulic_energy(view: &View, step: &Step) -> Observed {
    let lane = match lane_in(view, step, SignalKind::Pressure) {
        Ok(lane) => lane,
        Err(why) => return why,
    };
    let Some(volume) = volume(view, step) else { return not("the profile gives no cylinders for the step") };
    if whole_motion(step).is_none() {
        return not("the step was not run from end to end");
    }
    let (from, until) = motion(step);
    let part = lane.within(from, until);
    match part.mean() {
        // 1 bar x 1 mL = 0.1 J.
        Some(bar) => value(0.1 * bar * volume, 0.1 * volume * calibration_u(view.profile, lane)),
        None => not("no row falls into the motion"),
    }
}

fn efficiency(view: &View, step: &Step) -> Observed {
    let (Some(volume), Some(delivery)) = (volume(view, step), view.profile.hydraulics.pump_delivery) else {
        return not("the profile does not give both the step's cylinders and the pump's delivery");
    };
    if !step.phase.pump {
        return not("the pump does not run in the step");
    }
    let Some(seconds) = whole_motion(step) else { return not("the step was not run from end to end") };
    let millilitres_a_second = delivery.0 * 1000.0 / 60.0;
    let share = volume / (millilitres_a_second * seconds);
    value(share, share * step.run.u_duration.0 / seconds)
}

fn bulk_modulus(view: &View, step: &Step) -> Observed {
    let lane = match lane_in(view, step, SignalKind::Pressure) {
        Ok(lane) => lane,
        Err(why) => return why,
    };
    let (Some(volume), Some(delivery)) = (volume(view, step), view.profile.hydraulics.pump_delivery) else {
        return not("the profile does not give both the step's cylinders and the pump's delivery");
    };
    let stall = match step.facts.stall {
        Some(stall) if stall.signal == lane.signal && stall.moved => stall,
        _ => return not("the pressure was not seen to rise against the stop"),
    };
    let rise: Vec<(f64, f64)> = {
        let part = lane.within(stall.knee, stall.from);
        let low = part.points().next().map_or(0.0, |p| p.1);
        let span = stall.level - low;
        // The foot is still motion and the top the relief valve's: the middle is the oil's.
        part.points()
            .filter(|p| p.1 >= low + 0.1 * span && p.1 <= low + 0.8 * span)
            .map(|p| ((p.0 - stall.knee).0, p.1))
            .collect()
    };
    if rise.len() < 4 {
        return not("the pressure rises against the stop faster than the rows follow");
    }
    let n = rise.len() as f64;
    let (t0, p0) = (rise.iter().map(|p| p.0).sum::<f64>() / n, rise.iter().map(|p| p.1).sum::<f64>() / n);
    let tt: f64 = rise.iter().map(|p| (p.0 - t0).powi(2)).sum();
    let slope = rise.iter().map(|p| (p.0 - t0) * (p.1 - p0)).sum::<f64>() / tt;
    let squares: f64 = rise.iter().map(|p| (p.1 - p0 - slope * (p.0 - t0)).powi(2)).sum();
    let u_slope = (squares / (n - 2.0) / tt).sqrt();
    if slope <= 0.0 {
        return not("the pressure does not rise steadily");
    }
    let modulus = |slope: f64| modulus_of_rise(BarPerSecond(slope), Millilitres(volume), delivery).0;
    value(modulus(slope), modulus(u_slope))
}

#[cfg(test)]
mod tests {
    use super::super::tests::measured;
    use crate::testing::Sketch;
    use foldwatch_units::Direction::Opening;

    #[test]
    fn volume_energy_and_efficiency_of_the_lid() {
        let s = Sketch::healthy(Opening);
        // A bore of 14 mm and a stroke of 90 mm: 153.938 mm² x 90 mm = 13.854 mL; the pump gives 5 mL/s for 3 s.
        assert!((measured(&s, "volumetric-efficiency").value().unwrap() - 13.854 / 15.0).abs() < 0.005);
        assert!((measured(&s, "hydraulic-energy").value().unwrap() - 0.1 * 70.0 * 13.854).abs() < 1.5);
        assert!((measured(&s, "oil-temperature").value().unwrap() - 20.0).abs() < 1e-6);
    }

    #[test]
    fn the_oils_stiffness_shows_against_a_stop_only() {
        assert_eq!(measured(&Sketch::healthy(Opening), "bulk-modulus").value(), None);
        let stiff = Sketch::healthy(Opening).with(|s| s.acts[1].waits = 0.8);
        assert!(
            measured(&stiff, "bulk-modulus").value().is_some_and(|e| e > 0.0),
            "{:?}",
            measured(&stiff, "bulk-modulus")
        );
    }
}
