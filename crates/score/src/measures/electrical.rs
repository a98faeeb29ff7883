//! Current, charge, heat, energy and supply of a step; the supply's resistance and the motor's thermal state.

use foldwatch_physics::heat::Heat;
use foldwatch_profile::SignalKind;
use foldwatch_units::{Micros, Seconds};

use super::{AboutMeasure, Put, calibration_u, lane_in, motion, not, of_whole, value};
use crate::checks::fuse_used;
use crate::look::{self, Lane};
use crate::timing::INRUSH_OVER;
use crate::view::{Step, View};
use crate::{Measure, Observed, heat};

pub(super) const INRUSH: AboutMeasure = AboutMeasure {
    id: "inrush-current",
    unit: "A",
    meaning: "The highest reading within 0.4 s of a start of the pump in the step.",
};
pub(super) const RUNNING: AboutMeasure = AboutMeasure {
    id: "running-current",
    unit: "A",
    meaning: "Mean while the mechanism moved, from 0.4 s after the start to the stop or the confirmation.",
};
pub(super) const CHARGE: AboutMeasure =
    AboutMeasure { id: "charge", unit: "As", meaning: "Integral of the current." };
pub(super) const HEAT: AboutMeasure = AboutMeasure {
    id: "heat",
    unit: "A2s",
    meaning: "Integral of the current's square: what heats motor and fuse.",
};
pub(super) const ENERGY: AboutMeasure =
    AboutMeasure { id: "electrical-energy", unit: "J", meaning: "Integral of current times supply voltage." };
pub(super) const LOWEST_SUPPLY: AboutMeasure = AboutMeasure {
    id: "lowest-supply",
    unit: "V",
    meaning: "The lowest mean supply voltage over half a second with the pump running; the start's dip does not count.",
};
pub(super) const SUPPLY_RESISTANCE: AboutMeasure = AboutMeasure {
    id: "supply-resistance",
    unit: "Ohm",
    meaning: "Drop of the supply from rest to running, over the running current: battery, feed and earth up to the tap.",
};
pub(super) const THERMAL_STATE: AboutMeasure = AboutMeasure {
    id: "thermal-state",
    unit: "",
    meaning: "How warm the pump motor got: 1 is what one longest run from cold leaves.",
};

pub(super) const MOTOR_HEAT: AboutMeasure = AboutMeasure {
    id: "motor-heat",
    unit: "",
    meaning: "Heat that the cycle's current added to a cold motor: 1 is one longest run at the running current.",
};
pub(super) const FUSE_MARGIN: AboutMeasure = AboutMeasure {
    id: "fuse-margin",
    unit: "",
    meaning: "What the cycle left of what the fuse stands for certain: 1 untouched, 0 it may open. Starts are left out.",
};

/// An inrush is over within some 50 ms: slower logs miss its top. Judgment.
const SLOWEST_FOR_INRUSH: f64 = 0.021;
/// The supply is taken over this long, in seconds: a control unit rides through shorter dips. Judgment.
pub(crate) const SUPPLY_OVER: f64 = 0.5;

pub(super) fn of_step(view: &View, step: &Step, put: Put) {
    match lane_in(view, step, SignalKind::Current) {
        Ok(lane) => {
            let u = calibration_u(view.profile, lane);
            put(&INRUSH, inrush(view, step, lane, u));
            put(&RUNNING, running(step, lane, u));
            let charge = lane.integral(|amps| amps);
            let heat = lane.integral(|amps| amps * amps);
            let seconds = lane.integral(|_| 1.0);
            // The calibration's error is the same in every reading: it goes with the time, and with twice the charge.
            put(&CHARGE, value(charge, u * seconds));
            put(&HEAT, value(heat, 2.0 * u * charge.abs()));
            put(&ENERGY, energy(view, step, lane, u));
        }
        Err(why) => {
            for about in [&INRUSH, &RUNNING, &CHARGE, &HEAT, &ENERGY] {
                put(about, why.clone());
            }
        }
    }
    put(&LOWEST_SUPPLY, lowest_supply(view, step));
}

fn inrush(view: &View, step: &Step, lane: Lane, u: f64) -> Observed {
    if view.period > SLOWEST_FOR_INRUSH {
        return not("rows are too far apart to catch the top of the inrush");
    }
    let drive = &view.cycle.recording.drive;
    let starts = drive.iter().enumerate().filter(|(n, span)| {
        let runs_before = n.checked_sub(1).is_some_and(|n| look::pump_runs(&drive[n]));
        look::pump_runs(span)
            && !runs_before
            && span.from >= step.run.start - Seconds(0.05)
            && span.from < step.run.end
    });
    starts
        .filter_map(|(_, span)| {
            lane.within(span.from - Seconds(0.05), span.from + Seconds(INRUSH_OVER)).max()
        })
        .reduce(f64::max)
        .map_or_else(|| not("the pump did not start in the step"), |top| value(top, u.hypot(lane.noise())))
}

fn running(step: &Step, lane: Lane, u: f64) -> Observed {
    if !step.phase.pump {
        return not("the pump does not run in the step");
    }
    let (from, until) = motion(step);
    let part = lane.within(from, until);
    match part.mean() {
        Some(mean) => value(mean, u.hypot(part.noise() / (part.count() as f64).sqrt())),
        None => not("no row falls into the motion"),
    }
}

fn energy(view: &View, step: &Step, current: Lane, u_current: f64) -> Observed {
    let supply = match lane_in(view, step, SignalKind::Voltage) {
        Ok(lane) => lane,
        Err(why) => return why,
    };
    // The supply changes slowly beside the current, and may be recorded at other rows: its mean will do.
    let (Some(volts), charge) = (supply.mean(), current.integral(|amps| amps)) else {
        return not("no row falls into the step");
    };
    let seconds = current.integral(|_| 1.0);
    let u_supply = calibration_u(view.profile, supply).hypot(supply.noise());
    value(volts * charge, (volts * u_current * seconds).hypot(charge * u_supply))
}

fn lowest_supply(view: &View, step: &Step) -> Observed {
    let lane = match lane_in(view, step, SignalKind::Voltage) {
        Ok(lane) => lane,
        Err(why) => return why,
    };
    let lowest = view
        .cycle
        .recording
        .drive
        .iter()
        .filter(|span| look::pump_runs(span))
        .map(|span| (span.from.max(step.run.start), span.to.min(step.run.left)))
        .filter(|(from, to)| to > from)
        .filter_map(|(from, to)| {
            let part = lane.within(from, to);
            part.lowest_mean(SUPPLY_OVER).map(|p| p.1).or_else(|| part.quantile(0.5))
        })
        .reduce(f64::min);
    match lowest {
        Some(volts) => value(volts, calibration_u(view.profile, lane).hypot(lane.noise() / 2.0)),
        None => not("the pump did not run in the step"),
    }
}

pub(super) fn of_cycle(view: &View, out: &mut Vec<Measure>) {
    out.push(of_whole(&SUPPLY_RESISTANCE, resistance(view)));
    let state = heat::after(view.profile, view.cycle, view.history);
    let state = match state {
        _ if !view.pump_is_seen() => not("neither the pump's command nor its current is recorded"),
        Some(state) => value(state.share, 0.0),
        None => not("the profile gives no longest run and cool-down time"),
    };
    out.push(of_whole(&THERMAL_STATE, state));
    out.push(of_whole(&MOTOR_HEAT, motor_heat(view)));
    let margin = match fuse_used(view) {
        Some(used) => value((1.0 - used).max(0.0), 0.0),
        None if view.lane(SignalKind::Current).is_none() => not("no current is recorded"),
        None => not("the profile gives no fuse"),
    };
    out.push(of_whole(&FUSE_MARGIN, margin));
}

fn motor_heat(view: &View) -> Observed {
    let Some(lane) = view.lane(SignalKind::Current) else { return not("no current is recorded") };
    let electrics = &view.profile.electrics;
    let (Some(running), Some(longest), Some(cool_down)) =
        (electrics.running, electrics.longest_run, electrics.cool_down)
    else {
        return not("the profile does not give running current, longest run and cool-down time");
    };
    let Some(mut heat) = Heat::new(running, longest, cool_down) else {
        return not("the profile's times are none");
    };
    let part = lane.within(view.cycle.start, view.cycle.end);
    let (times, amps): (Vec<Micros>, Vec<f32>) = part.points().map(|p| (p.0, p.1 as f32)).unzip();
    let highest = heat.run_trace(&times, &amps);
    let relative = 2.0 * calibration_u(view.profile, lane) / part.mean().unwrap_or(0.0).abs().max(1e-3);
    value(highest, highest * relative)
}

/// Drop of the supply from before the start to running, over the current.
fn resistance(view: &View) -> Observed {
    let (Some(supply), Some(current)) = (view.lane(SignalKind::Voltage), view.lane(SignalKind::Current))
    else {
        return not("supply voltage and current are not both recorded");
    };
    let before = supply.within(Micros::MIN, view.cycle.start - Seconds(0.05));
    let Some(rest) = before.within(view.cycle.start - Seconds(5.0), view.cycle.start).quantile(0.5) else {
        return not("nothing is recorded shortly before the start");
    };
    let from = view.cycle.start + Seconds(INRUSH_OVER);
    let (volts, amps) = (supply.within(from, view.cycle.end), current.within(from, view.cycle.end));
    let running: Vec<f64> = amps.points().map(|p| p.1).collect();
    let (Some(volts), Some(amps)) = (volts.mean(), amps.mean()) else {
        return not("no row falls into the movement");
    };
    if running.len() < 5 || amps < 1.0 {
        return not("too little current flowed");
    }
    // The calibration's error cancels in the drop but for the noise of the two means.
    let u = supply.noise().hypot(supply.noise() / (running.len() as f64).sqrt()) / amps;
    value((rest - volts) / amps, u)
}

#[cfg(test)]
mod tests {
    use super::super::tests::measured;
    use crate::testing::Sketch;
    use foldwatch_units::Direction::Opening;

    #[test]
    fn a_steady_current_has_the_charge_and_heat_of_its_time() {
        let s = Sketch::healthy(Opening);
        // 7 A + 0.11 A/bar x 70 bar = 14.7 A for 3 s.
        assert!((measured(&s, "running-current").value().unwrap() - 14.7).abs() < 0.1);
        assert!((measured(&s, "charge").value().unwrap() - 44.1).abs() < 0.6);
        assert!((measured(&s, "heat").value().unwrap() - 648.3).abs() < 12.0);
        let volts = 12.9 - 0.03 * 14.7;
        assert!((measured(&s, "electrical-energy").value().unwrap() - volts * 44.1).abs() < 8.0);
        assert!((measured(&s, "lowest-supply").value().unwrap() - volts).abs() < 0.02);
        assert!((measured(&s, "supply-resistance").value().unwrap() - 0.03).abs() < 0.002);
    }

    #[test]
    fn inrush_only_where_the_pump_starts_and_the_rate_allows() {
        let s = Sketch::healthy(Opening);
        let first = |s: &Sketch| {
            let judged = s.judged();
            judged.measures.iter().find(|m| m.id == "inrush-current").unwrap().value.value()
        };
        assert!(first(&s).is_some_and(|amps| (25.0..35.0).contains(&amps)), "{:?}", first(&s));
        assert_eq!(measured(&s, "inrush-current").value(), None);
        assert_eq!(first(&s.with(|s| s.rate = 20.0)), None);
    }
}
