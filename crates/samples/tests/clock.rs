//! The line through exchanges of time.

use foldwatch_samples::{Added, ClockFit, Exchange};
use foldwatch_units::{Micros, Seconds};
use proptest::prelude::*;

const UTC: i64 = 1_790_000_000_000_000;

/// An exchange at `secs` of true time, by a logger that gains `ppm`, off by `noise`.
fn exchange(secs: f64, ppm: f64, noise: f64) -> Exchange {
    Exchange {
        logger: Micros::from_secs(secs * (1.0 + ppm * 1e-6)),
        utc: Micros(UTC + Micros::from_secs(secs + noise).0),
        half_width: Seconds(0.01),
    }
}

#[test]
fn one_exchange_gives_an_offset_and_no_drift() {
    let mut fit = ClockFit::default();
    assert_eq!(fit.line(), None);
    fit.add(exchange(100.0, 0.0, 0.0));
    let line = fit.line().unwrap();
    assert_eq!(line.utc(Micros::from_secs(250.5)), Micros(UTC + 250_500_000));
    assert_eq!(line.drift_ppm, 0.0);
    // A day later a quartz may be off by 8.64 s at 100 ppm.
    assert!((line.u(Micros::from_secs(100.0 + 86_400.0)).0 - 8.64).abs() < 0.01);
    assert!((line.residual.0 - 0.01 / 3f64.sqrt()).abs() < 1e-12);
}

#[test]
fn drift_is_found_in_spite_of_a_third_of_rubbish() {
    let mut fit = ClockFit::default();
    for n in 0..60 {
        // Every third exchange came late, by up to 1.9 s.
        let late = if n % 3 == 2 { 0.1 + 1.8 * f64::from(n % 7) / 7.0 } else { 0.002 * f64::from(n % 2) };
        fit.add(exchange(60.0 * f64::from(n), 35.0, late));
    }
    let line = fit.line().unwrap();
    assert!((line.drift_ppm - 35.0).abs() < 2.0, "{line:?}");
    let true_secs = 1800.0;
    let mapped = line.utc(Micros::from_secs(true_secs * (1.0 + 35e-6)));
    assert!((mapped - Micros(UTC + 1_800_000_000)).0.abs() < 0.02, "{line:?}");
}

#[test]
fn a_single_bad_exchange_is_left_out_and_a_set_clock_begins_a_new_line() {
    let mut fit = ClockFit::default();
    for n in 0..10 {
        assert_eq!(fit.add(exchange(60.0 * f64::from(n), 10.0, 0.0)), Added::Kept);
    }
    let before = fit.line();
    assert_eq!(fit.add(exchange(600.0, 10.0, 3600.0)), Added::Doubted);
    assert_eq!(fit.line(), before);
    assert_eq!(fit.add(exchange(660.0, 10.0, 0.0)), Added::Kept);
    assert_eq!(fit.rejected(), 1);
    // The host's clock is put forward by an hour.
    assert_eq!(fit.add(exchange(720.0, 10.0, 3600.0)), Added::Doubted);
    assert_eq!(fit.add(exchange(780.0, 10.0, 3600.0)), Added::Doubted);
    let Added::Jump { by } = fit.add(exchange(840.0, 10.0, 3600.0)) else { panic!("no jump") };
    assert!((by.0 - 3600.0).abs() < 0.1);
    assert_eq!(fit.line().unwrap().count, 3);
}

#[test]
fn two_months_of_exchanges_stays_small_and_sharp() {
    let mut fit = ClockFit::default();
    for hour in 0..1500 {
        fit.add(exchange(3600.0 * f64::from(hour), -20.0, 0.003 * f64::from(hour % 5)));
    }
    let line = fit.line().unwrap();
    assert!((line.drift_ppm + 20.0).abs() < 0.02, "{line:?}");
    assert_eq!(line.count, 1500);
    assert!(serde_json::to_string(&fit).unwrap().len() < 8_000);
}

#[test]
fn at_the_end_of_time_the_map_stands_still() {
    let mut fit = ClockFit::default();
    for (logger, utc, half_width) in [
        (0, 0, 0.0),
        (272_139_907_812_948_769, 2_145_668_310_924_771_336, 1.5e159),
        (-7_995_553_321_656_235_061, -5_708_640_257_070_953_262, 0.0),
    ] {
        fit.add(Exchange { logger: Micros(logger), utc: Micros(utc), half_width: Seconds(half_width) });
    }
    let line = fit.line().unwrap();
    let moments = (-92..=92).map(|n| line.utc(Micros(n * 100_000_000_000_000_000)));
    assert!(moments.is_sorted(), "{line:?}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn the_map_never_goes_back_and_never_panics(
        exchanges in prop::collection::vec((any::<i64>(), any::<i64>(), any::<f64>()), 0..40),
        mut moments in prop::collection::vec(any::<i64>(), 2..20),
    ) {
        let mut fit = ClockFit::default();
        for (logger, utc, half_width) in exchanges {
            fit.add(Exchange { logger: Micros(logger), utc: Micros(utc), half_width: Seconds(half_width) });
        }
        moments.sort_unstable();
        if let Some(line) = fit.line() {
            prop_assert!(moments.iter().map(|at| line.utc(Micros(*at))).is_sorted());
        }
    }

    #[test]
    fn a_sound_clock_is_mapped_within_its_uncertainty(
        ppm in -80.0..80.0f64,
        noise in prop::collection::vec(-0.01..0.01f64, 8..40),
        at in 0.0..4000.0f64,
    ) {
        let mut fit = ClockFit::default();
        for (n, noise) in noise.iter().enumerate() {
            fit.add(exchange(100.0 * n as f64, ppm, *noise));
        }
        let line = fit.line().unwrap();
        let moment = Micros::from_secs(at * (1.0 + ppm * 1e-6));
        let off = line.utc(moment) - Micros(UTC + Micros::from_secs(at).0);
        prop_assert!(off.0.abs() <= 4.0 * line.u(moment).0, "{} against {}", off, line.u(moment));
    }
}
