//! The pressure of a step: highest, mean, last, and how fast it rose.

use foldwatch_profile::SignalKind;
use foldwatch_units::{Micros, Seconds};

use super::{AboutMeasure, Put, calibration_u, lane_in, motion, not, value};
use crate::Observed;
use crate::look::{self, Lane};
use crate::view::{Step, View};

pub(super) const PEAK: AboutMeasure =
    AboutMeasure { id: "peak-pressure", unit: "bar", meaning: "The highest mean over a tenth of a second." };
pub(super) const MEAN: AboutMeasure = AboutMeasure {
    id: "mean-pressure",
    unit: "bar",
    meaning: "Mean while the mechanism moved, from 0.4 s after the start to the stop or the confirmation.",
};
pub(super) const AGAINST_PROFILE: AboutMeasure = AboutMeasure {
    id: "pressure-against-profile",
    unit: "",
    meaning: "The mean pressure over the profile's `pressure_bar`, with oil temperature and supply accounted for.",
};
pub(super) const END: AboutMeasure = AboutMeasure {
    id: "end-pressure",
    unit: "bar",
    meaning: "Mean of the last tenth of a second before the step's end.",
};
pub(super) const RISE: AboutMeasure = AboutMeasure {
    id: "rise-rate",
    unit: "bar/s",
    meaning: "The steepest rise over a twentieth of a second or two samples.",
};

pub(super) const BUILD_UP: AboutMeasure = AboutMeasure {
    id: crate::history::BUILD_UP,
    unit: "s",
    meaning: "From the start of the pump until the pressure stayed above half of its mean while moving: the oil was pressed together.",
};

/// Where so much of the pressure stands already, nothing has to be built up. Judgment.
const STANDS: f64 = 0.2;
/// The pressure counts as built up when it stays for so long, in seconds, and so many rows.
const STAYS: (f64, usize) = (0.05, 2);
/// Pressure is taken over this long, so that the pump's ripple and single readings do not count, in seconds.
const SHORT: f64 = 0.1;
/// The rise is taken over this long, in seconds.
const RISE_OVER: f64 = 0.05;

pub(super) fn of_step(view: &View, step: &Step, put: Put) {
    let lane = match lane_in(view, step, SignalKind::Pressure) {
        Ok(lane) => lane,
        Err(why) => {
            for about in [&PEAK, &MEAN, &AGAINST_PROFILE, &END, &RISE, &BUILD_UP] {
                put(about, why.clone());
            }
            return;
        }
    };
    let u = calibration_u(view.profile, lane);
    let noise = lane.noise();
    let mean_u = |n: usize| u.hypot(noise / (n.max(1) as f64).sqrt());
    let short = (SHORT / view.period.max(1e-6)).max(1.0) as usize;

    let peak = lane.highest_mean(SHORT).map(|p| p.1).or_else(|| lane.max());
    put(&PEAK, peak.map_or_else(|| not("no row falls into the step"), |p| value(p, mean_u(short))));

    let (from, until) = motion(step);
    let moving = lane.within(from, until);
    let (mean, u_mean) = (moving.mean(), mean_u(moving.count()));
    put(
        &MEAN,
        match mean {
            Some(mean) => value(mean, u_mean),
            None => not("no row falls into the motion"),
        },
    );

    put(&AGAINST_PROFILE, against_profile(view, step, mean, u_mean));
    put(&BUILD_UP, build_up(view, step, lane, mean));

    let last = lane.within(step.run.end - Seconds(SHORT), step.run.end);
    let end =
        last.mean().or_else(|| lane.within(Micros::MIN, step.run.end).points().next_back().map(|p| p.1));
    put(&END, end.map_or_else(|| not("no row falls into the step"), |p| value(p, mean_u(last.count()))));

    put(
        &RISE,
        match steepest(lane, RISE_OVER) {
            // Two readings apart: their common calibration error cancels but for its share of the span.
            Some((rate, over)) => value(rate, 2f64.sqrt() * noise / over),
            None => not("too few rows in the step"),
        },
    );
}

fn against_profile(view: &View, step: &Step, mean: Option<f64>, u_mean: f64) -> Observed {
    if step.phase.pressure.is_none() {
        return not("the profile states no pressure for this step");
    }
    let shared = mean.filter(|mean| *mean > 0.0).zip(step.timing).and_then(|(mean, timing)| {
        let (share, u) =
            view.history.against_stated(view.profile, step.run.phase, timing.conditions, mean)?;
        Some(value(share, share * u.hypot(u_mean / mean)))
    });
    shared.unwrap_or_else(|| not("no row falls into the motion"))
}

fn build_up(view: &View, step: &Step, lane: Lane, moving: Option<f64>) -> Observed {
    let starts = view
        .cycle
        .recording
        .drive
        .iter()
        .any(|span| look::pump_runs(span) && (span.from - step.run.start).0.abs() < 0.05);
    let ran_before = view.cycle.recording.drive.iter().any(|span| {
        look::pump_runs(span)
            && span.from < step.run.start - Seconds(0.05)
            && span.to >= step.run.start - Seconds(0.5)
    });
    if !starts || ran_before || !step.phase.pump {
        return not("the pump does not start with the step");
    }
    let Some(half) = moving.map(|mean| 0.5 * mean) else { return not("no row falls into the motion") };
    let points: Vec<(Micros, f64)> = lane.points().collect();
    if points.first().is_none_or(|first| first.1 > STANDS * 2.0 * half) {
        return not("there was pressure before the start");
    }
    let stays = |n: usize| {
        let from = points[n].0;
        let rows = points[n..].iter().enumerate();
        rows.take_while(|(k, p)| *k < STAYS.1 || (p.0 - from).0 <= STAYS.0).all(|(_, p)| p.1 >= half)
    };
    match (0..points.len()).find(|n| stays(*n)) {
        Some(n) => value((points[n].0 - step.run.start).0, view.period / 6f64.sqrt()),
        None => not("the pressure did not build up"),
    }
}

/// The steepest rise over at least `span` seconds, and the time it was taken over.
fn steepest(lane: Lane, span: f64) -> Option<(f64, f64)> {
    let points: Vec<(Micros, f64)> = lane.points().collect();
    let mut first = 0;
    let mut best: Option<(f64, f64)> = None;
    for (last, point) in points.iter().enumerate() {
        while first + 2 < last && (point.0 - points[first + 1].0).0 >= span {
            first += 1;
        }
        let over = (point.0 - points[first].0).0;
        if last >= first + 2 && over >= span {
            let rate = (point.1 - points[first].1) / over;
            if best.is_none_or(|b| rate > b.0) {
                best = Some((rate, over));
            }
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use super::super::tests::measured;
    use crate::testing::{RELIEF, Sketch, sig};
    use foldwatch_units::Direction::Opening;

    #[test]
    fn of_a_step_that_ends_at_its_stop() {
        let s = Sketch::healthy(Opening).with(|s| s.acts[1].waits = 0.6);
        assert!((measured(&s, "peak-pressure").value().unwrap() - RELIEF).abs() < 2.0);
        assert!((measured(&s, "end-pressure").value().unwrap() - RELIEF).abs() < 2.0);
        assert!((measured(&s, "mean-pressure").value().unwrap() - 70.0).abs() < 2.0);
        // 90 bar with a time constant of 0.05 s: 1800 bar/s at first, 1138 over the first 0.05 s.
        let rise = measured(&s, "rise-rate").value().unwrap();
        assert!((900.0..1300.0).contains(&rise), "{rise}");
    }

    #[test]
    fn against_what_the_profile_states() {
        let share = |bar: Option<f64>, oil: f64| {
            let s = Sketch::healthy(Opening).with(|s| {
                s.profile.opening[1].pressure = bar.map(foldwatch_units::Bar);
                s.oil = oil;
            });
            measured(&s, "pressure-against-profile")
        };
        assert!((share(Some(50.0), 20.0).value().unwrap() - 1.4).abs() < 0.04);
        // Cold oil costs pressure, so the same pressure is less of it.
        let cold = share(Some(50.0), -5.0).value().unwrap();
        assert!((1.15..1.36).contains(&cold), "{cold}");
        let none = share(None, 20.0);
        assert_eq!(
            none,
            crate::Observed::NotObservable("the profile states no pressure for this step".into())
        );
    }

    #[test]
    fn says_why_not() {
        let s = Sketch::healthy(Opening).with(|s| s.absent = vec![sig::PRESSURE]);
        assert_eq!(
            measured(&s, "peak-pressure"),
            crate::Observed::NotObservable("no pressure is recorded".into())
        );
    }
}
