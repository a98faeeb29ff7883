//! End-stop rises of simulated strokes whose truth is known.
// A test may stop at the first surprise.
#![allow(clippy::unwrap_used)]

use foldwatch_physics::knee::{current_knee, pressure_knee};
use foldwatch_units::{Bar, Micros};
use proptest::prelude::*;
use proptest::strategy::ValueTree;
use proptest::test_runner::TestRunner;
use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64;

/// One stroke under unchanging drive.
#[derive(Debug, Clone)]
struct Stroke {
    rate: f64,
    /// Travel pressure at its begin and end.
    travel: [f64; 2],
    /// A step of the load on the way, as share of the travel pressure.
    step: f64,
    /// When the stop is met; `None`: the stretch ends before.
    stop_at: Option<f64>,
    lasts: f64,
    plateau: f64,
    /// bar/s at the beginning of the rise.
    rise: f64,
    noise: f64,
    /// Amplitude as share of the pressure; mostly too fast for the sample rate, so it shows as slow beats or noise.
    ripple: f64,
    seed: u64,
}

impl Stroke {
    fn pressure(&self, t: f64) -> f64 {
        // Build-up with an overshoot.
        let build_up = (t / 0.08).min(1.0);
        let overshoot = 0.5 * (-t / 0.06).exp();
        let end = self.stop_at.unwrap_or(self.lasts);
        let at = |t: f64| {
            let step = if t > 0.4 * end { 1.0 + self.step } else { 1.0 };
            (self.travel[0] + (self.travel[1] - self.travel[0]) * t / end) * step
        };
        match self.stop_at {
            Some(stop) if t > stop => {
                // First order towards beyond the relief pressure, which then cuts it off.
                let beyond = 1.3 * self.plateau - at(stop);
                (at(stop) + beyond * (1.0 - (-(t - stop) * self.rise / beyond).exp())).min(self.plateau)
            }
            _ => at(t) * build_up * (1.0 + overshoot),
        }
    }

    fn record(&self) -> (Vec<Micros>, Vec<f32>) {
        let mut rng = Pcg64::seed_from_u64(self.seed);
        (0..(self.lasts * self.rate) as u32)
            .map(|i| {
                let t = (f64::from(i) + 0.3) / self.rate;
                let noise: f64 = StandardNormal.sample(&mut rng);
                let ripple = self.ripple * self.pressure(t) * (std::f64::consts::TAU * 93.0 * t).sin();
                (Micros::from_secs(t), (self.pressure(t) + self.noise * noise + ripple) as f32)
            })
            .unzip()
    }
}

fn stroke() -> impl Strategy<Value = Stroke> {
    let shape = (10f64..500.0, 15f64..70.0, 0.8f64..1.25, -0.1f64..0.25, 1.6f64..8.0, 120f64..200.0);
    let rest = (0.6f64..3.0, 80f64..600.0, 0f64..2.0, 0f64..0.04, any::<u64>());
    (shape, rest).prop_map(
        |((rate, travel, slope, step, stop, plateau), (dwell, rise, noise, ripple, seed))| Stroke {
            rate,
            travel: [travel, travel * slope],
            step,
            stop_at: Some(stop),
            lasts: stop + dwell + {
                let from = travel * slope * (1.0 + step);
                let beyond = 1.3 * plateau - from;
                beyond / rise * (beyond / (0.3 * plateau)).ln()
            },
            plateau,
            rise,
            noise,
            ripple,
            seed,
        },
    )
}

/// How far the start of the rise may be off: two samples, and the time in which the rise leaves the noise.
fn allowed(stroke: &Stroke) -> f64 {
    2.0 / stroke.rate + 0.04 + (3.0 * stroke.noise + stroke.ripple * stroke.plateau) / stroke.rise
}

/// The share of strokes for which a claim holds. Fixed draws, so that it is the same share each time.
fn share(n: u32, holds: impl Fn(Stroke, bool) -> bool) -> f64 {
    let mut runner = TestRunner::deterministic();
    let strategy = stroke();
    let held =
        (0..n).filter(|i| holds(strategy.new_tree(&mut runner).unwrap().current(), i % 2 == 0)).count();
    held as f64 / f64::from(n)
}

#[test]
fn the_start_of_the_rise_is_found() {
    let share = share(200, |stroke, relief_is_known| {
        // Only a rise well above a change of load is one, and more so where the relief pressure isn't known.
        let before = stroke.travel[1] * (1.0 + stroke.step) / stroke.plateau;
        if before > if relief_is_known { 0.8 } else { 0.5 } {
            return true;
        }
        let (times, pressures) = stroke.record();
        let relief = relief_is_known.then_some(Bar(stroke.plateau * 1.05));
        pressure_knee(&times, &pressures, relief).is_some_and(|knee| {
            let off = knee.at.as_secs() - stroke.stop_at.unwrap();
            let slack = (0.03 + stroke.ripple) * stroke.plateau;
            off.abs() < allowed(&stroke)
                && (knee.level.value() - stroke.plateau).abs() < slack
                && knee.dwell().value() > 0.4
        })
    });
    // What is left is ripple that beats slowly with the sample rate and looks like real pressure.
    assert!(share >= 0.99, "{share}");
}

#[test]
fn travel_alone_has_none() {
    let share = share(200, |mut stroke, relief_is_known| {
        stroke.lasts = stroke.stop_at.take().unwrap();
        let (times, pressures) = stroke.record();
        pressure_knee(&times, &pressures, relief_is_known.then_some(Bar(stroke.plateau))).is_none()
    });
    assert!(share >= 0.998, "{share}");
}

/// Bar over seconds at 50 samples a second.
fn drawn(corners: &[(f64, f64)]) -> (Vec<Micros>, Vec<f32>) {
    let at = |t: f64| {
        let next = corners.iter().position(|(corner, _)| *corner > t).unwrap();
        let ((t0, v0), (t1, v1)) = (corners[next - 1], corners[next]);
        v0 + (v1 - v0) * (t - t0) / (t1 - t0)
    };
    let n = (corners.last().unwrap().0 * 50.0) as u32;
    (0..n).map(|i| f64::from(i) / 50.0).map(|t| (Micros::from_secs(t), at(t) as f32)).unzip()
}

#[test]
fn a_hump_on_the_way_is_none() {
    let hump = [(0.0, 0.0), (0.1, 60.0), (2.0, 60.0), (2.3, 140.0), (3.0, 140.0), (3.2, 55.0), (5.0, 60.0)];
    let (times, pressures) = drawn(&hump);
    for relief in [None, Some(Bar(180.0))] {
        assert_eq!(pressure_knee(&times, &pressures, relief), None);
    }
}

#[test]
fn the_fall_after_the_drive_is_no_part_of_the_plateau() {
    let (times, pressures) =
        drawn(&[(0.0, 0.0), (0.1, 60.0), (3.0, 60.0), (3.6, 180.0), (5.0, 180.0), (5.05, 5.0), (5.2, 0.0)]);
    let knee = pressure_knee(&times, &pressures, Some(Bar(180.0))).unwrap();
    assert!((knee.at.as_secs() - 3.0).abs() < 0.03, "{knee:?}");
    assert!((knee.plateau_to.as_secs() - 5.0).abs() < 0.03, "{knee:?}");
    assert!((knee.level.value() - 180.0).abs() < 1.0 && (knee.before.value() - 60.0).abs() < 3.0, "{knee:?}");
}

#[test]
fn a_cylinder_that_stood_at_its_stop_shows_at_once() {
    let (times, pressures) = drawn(&[(0.0, 0.0), (0.3, 180.0), (4.0, 180.0)]);
    let knee = pressure_knee(&times, &pressures, Some(Bar(180.0))).unwrap();
    assert_eq!(knee.at, times[0]);
    // Without the relief pressure it might be plain travel.
    assert_eq!(pressure_knee(&times, &pressures, None), None);
}

#[test]
fn a_current_knee_is_not_the_inrush() {
    let record = |stop: f64| -> (Vec<Micros>, Vec<f32>) {
        (0..250)
            .map(|i| f64::from(i) / 50.0)
            .map(|t| {
                let load = 14.0 + (20.0 * (t - stop)).clamp(0.0, 16.0);
                (Micros::from_secs(t), (load + 50.0 * (-t / 0.08).exp()) as f32)
            })
            .unzip()
    };
    let (times, amps) = record(3.5);
    let knee = current_knee(&times, &amps).unwrap();
    assert!((knee.at.as_secs() - 3.5).abs() < 0.05 && (knee.level.value() - 30.0).abs() < 0.5, "{knee:?}");
    let (times, amps) = record(9.0);
    assert_eq!(current_knee(&times, &amps), None);
}

proptest! {
    #[test]
    fn no_input_panics(
        mut t in prop::collection::vec(-5i64..9_000_000, 0..60), sorted in any::<bool>(), seed in any::<u32>(),
    ) {
        if sorted {
            t.sort_unstable();
        }
        let v: Vec<f32> = (0..t.len() as u32).map(|i| f32::from_bits(seed.wrapping_mul(i * 2 + 1))).collect();
        let times: Vec<Micros> = t.into_iter().map(Micros).collect();
        let _ = pressure_knee(&times, &v, Some(Bar(180.0)));
        let _ = current_knee(&times, &v[..v.len() / 2]);
    }
}
