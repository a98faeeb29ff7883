//! The expected phase time against simulated roofs whose truth is known.
// A test may stop at the first surprise.
#![allow(clippy::unwrap_used)]

use foldwatch_physics::expect::{Conditions, Expectation, Influence, Reference};
use foldwatch_physics::oil::Walther;
use foldwatch_units::{Celsius, Seconds, Volts};
use proptest::prelude::*;
use rand::{Rng, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64;

fn reference() -> Reference {
    Reference {
        oil: Walther::of_grade("VG 10").unwrap(),
        oil_temperature: Celsius(20.0),
        supply: Volts(12.5),
    }
}

/// A roof with a truth of its own: not the prior's numbers, and bent in the cold.
struct Roof {
    rng: Pcg64,
    t_ref: f64,
    scatter: f64,
}

impl Roof {
    fn new(seed: u64) -> Self {
        Roof { rng: Pcg64::seed_from_u64(seed), t_ref: 7.1, scatter: 0.012 }
    }

    fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.rng)
    }

    /// Weather of one day of the year.
    fn day(&mut self, day: f64) -> Conditions {
        let season = 11.0 - 13.0 * (day / 365.25 * std::f64::consts::TAU).cos();
        let t = season + 5.0 * self.normal();
        let v = 12.5 + 0.01 * (t - 20.0) + 0.3 * self.normal();
        Conditions { oil_temperature: Some(Celsius(t)), supply: Some(Volts(v)) }
    }

    fn sound(&mut self, c: Conditions) -> Seconds {
        let nu = |t| reference().oil.viscosity(t).value();
        let thick = nu(c.oil_temperature.unwrap()) / nu(Celsius(20.0));
        let lack = 12.5 / c.supply.unwrap().value() - 1.0;
        // Hose resistance with nu, slip with 1/nu: not the line that is fitted.
        let log = 1.25 * lack + 0.1 * thick.ln() + 0.035 * (thick - 1.0) + 0.02 * (1.0 / thick - 1.0);
        Seconds(self.t_ref * (log + self.scatter * self.normal()).exp())
    }
}

fn spread(values: &[f64]) -> f64 {
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / values.len() as f64).sqrt()
}

#[test]
fn a_year_of_weather_is_corrected_away() {
    for seed in 0..3 {
        let mut roof = Roof::new(seed);
        let mut phase = Expectation::prior(Seconds(6.7), reference());
        let (mut raw, mut corrected) = (Vec::new(), Vec::new());
        for day in 0..365 {
            let c = roof.day(f64::from(day));
            let t = roof.sound(c);
            raw.push(t.value());
            // As it was known on that day, not in hindsight.
            corrected.push(phase.at_reference(c, t).time.value());
            phase.observe(c, t);
        }
        let ratio = spread(&corrected) / spread(&raw);
        assert!(ratio <= 0.2, "seed {seed}: {ratio:.3}");
        let pace = phase.at_its_own_pace();
        assert!((pace.time.value() - 7.1).abs() < 0.05, "{pace:?}");
    }
}

#[test]
fn predictions_are_honest() {
    let (mut outside, mut n) = (0, 0);
    for seed in 0..6 {
        let mut roof = Roof::new(100 + seed);
        roof.t_ref = 6.7 * (0.12 * roof.normal()).exp();
        let mut phase = Expectation::prior(Seconds(6.7), reference());
        for i in 0..150 {
            let c = roof.day(f64::from(i) * 2.4);
            let t = roof.sound(c);
            let p = phase.predict(c);
            outside += usize::from(t < p.quantile(0.05) || t > p.quantile(0.95));
            n += 1;
            assert!(p.tail(t) > 1e-4, "seed {seed}, cycle {i}: {t} against {p:?}");
            phase.observe(c, t);
        }
    }
    let share = outside as f64 / n as f64;
    assert!((0.01..=0.12).contains(&share), "{share} outside of the 90 % interval");
}

/// `at`: whether the cycle with this number is bad.
fn with_bad_cycles(
    seed: u64,
    at: impl Fn(u32, &mut Pcg64) -> bool,
    slow: bool,
) -> (Expectation, Expectation) {
    let mut roof = Roof::new(seed);
    let mut bad_rng = Pcg64::seed_from_u64(seed + 1000);
    let mut clean = Expectation::prior(Seconds(6.7), reference());
    let mut dirty = clean.clone();
    for i in 0..200 {
        let c = roof.day(f64::from(i) * 1.8);
        let t = roof.sound(c);
        clean.observe(c, t);
        let factor = match (at(i, &mut bad_rng), slow) {
            (false, _) => 1.0,
            (true, true) => bad_rng.random_range(1.25..3.0),
            (true, false) => bad_rng.random_range(0.2..3.0),
        };
        dirty.observe(c, t * factor);
    }
    (clean, dirty)
}

#[track_caller]
fn same_belief(clean: &Expectation, dirty: &Expectation) {
    for t in [-5.0, 10.0, 20.0, 30.0] {
        let c = Conditions { oil_temperature: Some(Celsius(t)), supply: Some(Volts(12.3)) };
        let (a, b) = (clean.predict(c), dirty.predict(c));
        assert!((b.median / a.median).ln().abs() < 0.012, "{t} °C: {a:?} {b:?}");
        assert!((0.6..=1.7).contains(&(b.scale / a.scale)), "{t} °C: {a:?} {b:?}");
    }
}

#[test]
fn a_fifth_of_bad_cycles_changes_little() {
    for seed in 0..4 {
        let (clean, dirty) = with_bad_cycles(seed, |_, rng| rng.random_bool(0.2), seed % 2 == 0);
        same_belief(&clean, &dirty);
    }
}

#[test]
fn bad_cycles_at_the_very_start_are_outgrown() {
    for seed in 0..4 {
        let (clean, dirty) = with_bad_cycles(seed, |i, _| i < 3 || i % 5 == 0, true);
        same_belief(&clean, &dirty);
    }
}

#[test]
fn a_bad_cycle_is_told_and_not_learned() {
    let mut roof = Roof::new(7);
    let mut phase = Expectation::prior(Seconds(6.7), reference());
    for i in 0..60 {
        let c = roof.day(f64::from(i) * 6.0);
        let t = roof.sound(c);
        phase.observe(c, t);
    }
    let c = roof.day(100.0);
    let t = roof.sound(c) * 1.35;
    assert!(phase.predict(c).tail(t) < 1e-3);
    let before = phase.predict(c);
    assert!(phase.observe(c, t) < 0.05);
    assert!((phase.predict(c).median / before.median - 1.0).abs() < 1e-3);
}

/// The learned pace follows a roof that is slow from its first day, but its time at the reference does not.
#[test]
fn slow_from_the_first_day_stays_above_the_limit() {
    let mut roof = Roof::new(3);
    roof.t_ref = 6.7 * 1.4;
    let limit = Seconds(6.7 * 1.25);
    let mut phase = Expectation::prior(Seconds(6.7), reference());
    for i in 0..40 {
        let c = roof.day(f64::from(i) * 5.0);
        let t = roof.sound(c);
        let corrected = phase.at_reference(c, t);
        // In winter, before the slopes are learned, it is cautious.
        let sure = if i < 20 { 0.3 } else { 0.95 };
        assert!(corrected.above(limit) > sure, "cycle {i}: {corrected:?}");
        phase.observe(c, t);
    }
    assert!(phase.at_its_own_pace().above(limit) > 0.999);
}

#[test]
fn what_is_not_recorded_makes_it_wider_not_wrong() {
    let mut roof = Roof::new(5);
    let mut phase = Expectation::prior(Seconds(6.7), reference());
    for i in 0..100 {
        let full = roof.day(f64::from(i) * 3.6);
        let t = roof.sound(full);
        let seen = match i % 4 {
            0 => full,
            1 => Conditions { oil_temperature: None, ..full },
            2 => Conditions { supply: None, ..full },
            _ => Conditions::default(),
        };
        phase.observe(seen, t);
    }
    let full = Conditions { oil_temperature: Some(Celsius(20.0)), supply: Some(Volts(12.5)) };
    let no_supply = Conditions { supply: None, ..full };
    let no_temperature = Conditions { oil_temperature: None, ..full };
    let scale = |c| phase.predict(c).scale;
    assert!(scale(full) < scale(no_supply) && scale(no_supply) < scale(no_temperature));
    assert!(scale(no_temperature) < scale(Conditions::default()));
    assert!((phase.predict(full).median.value() / 7.1 - 1.0).abs() < 0.03, "{:?}", phase.predict(full));
    // A dead sensor's reading is none.
    for dead in [0.0, f64::NAN, 300.0] {
        assert_eq!(phase.predict(Conditions { supply: Some(Volts(dead)), ..full }), phase.predict(no_supply));
        let hot = Conditions { oil_temperature: Some(Celsius(dead + 200.0)), ..full };
        assert_eq!(phase.predict(hot), phase.predict(no_temperature));
    }
}

#[test]
fn colder_and_weaker_is_slower_and_the_shares_add_up() {
    let mut roof = Roof::new(9);
    let mut phase = Expectation::prior(Seconds(6.7), reference());
    for i in 0..=100 {
        if i % 50 == 0 {
            let at = |t, v| {
                phase.predict(Conditions { oil_temperature: Some(Celsius(t)), supply: Some(Volts(v)) })
            };
            let coldest = at(-15.0, 11.0);
            assert!(coldest.median > at(0.0, 11.0).median && at(0.0, 11.0).median > at(15.0, 11.0).median);
            assert!(at(0.0, 11.0).median > at(0.0, 12.0).median);
            let sum: Seconds = coldest.contributions.iter().map(|c| c.seconds).sum();
            assert!((sum - (coldest.median - Seconds(6.7))).value().abs() < 1e-9);
            let names: Vec<_> = coldest.contributions.iter().map(|c| c.influence).collect();
            assert_eq!(names[..2], [Influence::ColdOil, Influence::LowSupply]);
        }
        let c = roof.day(f64::from(i) * 3.6);
        let t = roof.sound(c);
        phase.observe(c, t);
    }
}

#[test]
fn the_order_of_the_cycles_hardly_matters() {
    let mut roof = Roof::new(11);
    let cycles: Vec<_> = (0..120)
        .map(|i| {
            let c = roof.day(f64::from(i) * 3.0);
            let t = roof.sound(c);
            (c, if i % 7 == 3 { t * 1.5 } else { t })
        })
        .collect();
    let learn = |cycles: &mut dyn Iterator<Item = &(Conditions, Seconds)>| {
        let mut phase = Expectation::prior(Seconds(6.7), reference());
        cycles.for_each(|(c, t)| _ = phase.observe(*c, *t));
        phase
    };
    let (forward, backward) = (learn(&mut cycles.iter()), learn(&mut cycles.iter().rev()));
    for t in [-10.0, 10.0, 30.0] {
        let c = Conditions { oil_temperature: Some(Celsius(t)), supply: Some(Volts(12.5)) };
        let (a, b) = (forward.predict(c), backward.predict(c));
        assert!((a.median / b.median).ln().abs() < 0.004, "{a:?} {b:?}");
        assert!((a.scale / b.scale).ln().abs() < 0.1, "{a:?} {b:?}");
    }
}

#[test]
fn stored_and_taken_up_again_it_goes_on_as_before() {
    let mut roof = Roof::new(13);
    let mut phase = Expectation::prior(Seconds(6.7), reference());
    let mut size = 0;
    for i in 0..300 {
        let c = roof.day(f64::from(i));
        let t = roof.sound(c);
        phase.observe(c, t);
        if i == 100 {
            size = serde_json::to_string(&phase).unwrap().len();
        }
    }
    let text = serde_json::to_string(&phase).unwrap();
    assert!(text.len() < size + size / 10, "{size} bytes grew to {}", text.len());
    let mut again: Expectation = serde_json::from_str(&text).unwrap();
    assert!(again.is_for(Seconds(6.7), &reference()) && !again.is_for(Seconds(6.8), &reference()));
    let c = roof.day(20.0);
    let t = roof.sound(c);
    phase.observe(c, t);
    again.observe(c, t);
    assert!((phase.predict(c).median - again.predict(c).median).value().abs() < 1e-9);
}

#[test]
fn after_a_repair_the_level_is_open_and_the_slopes_stay() {
    let mut roof = Roof::new(17);
    roof.t_ref = 9.0;
    let mut phase = Expectation::prior(Seconds(6.7), reference());
    for i in 0..200 {
        let c = roof.day(f64::from(i) * 1.8);
        let t = roof.sound(c);
        phase.observe(c, t);
    }
    let mut repaired = phase.after_repair();
    assert!((repaired.at_its_own_pace().time.value() - 6.7).abs() < 1e-9);
    roof.t_ref = 6.6;
    let c = roof.day(200.0);
    for _ in 0..5 {
        let t = roof.sound(c);
        assert!(repaired.predict(c).tail(t) > 0.01);
        repaired.observe(c, t);
    }
    assert!((repaired.at_its_own_pace().time.value() - 6.6).abs() < 0.25);
    // A cold morning is still known, better than on the first day.
    let winter = Conditions { oil_temperature: Some(Celsius(-8.0)), supply: Some(Volts(11.8)) };
    let new = Expectation::prior(Seconds(6.7), reference());
    assert!(repaired.predict(winter).scale < 0.5 * new.predict(winter).scale);
}

#[test]
fn rubbish_is_left_out() {
    let mut phase = Expectation::prior(Seconds(6.7), reference());
    let before = phase.clone();
    for t in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        assert_eq!(phase.observe(Conditions::default(), Seconds(t)), 0.0);
    }
    assert_eq!(phase, before);
    let bare = Expectation::prior(Seconds(f64::NAN), reference());
    assert!(bare.predict(Conditions::default()).median.value().is_finite());
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn no_cycle_breaks_it(
        cycles in prop::collection::vec((any::<Option<f64>>(), any::<Option<f64>>(), any::<f64>()), 0..40),
        mild in prop::collection::vec((-40f64..80.0, 8f64..16.0, 0.01f64..600.0), 0..40),
    ) {
        let mut phase = Expectation::prior(Seconds(6.7), reference());
        let wild = cycles.into_iter();
        let mild = mild.into_iter().map(|(t, v, lasted)| (Some(t), Some(v), lasted));
        for (t, v, lasted) in wild.chain(mild) {
            let c = Conditions { oil_temperature: t.map(Celsius), supply: v.map(Volts) };
            let sound = phase.observe(c, Seconds(lasted));
            prop_assert!((0.0..=1.0).contains(&sound));
            let p = phase.predict(c);
            prop_assert!(p.median > Seconds(0.0) && p.median.value().is_finite() && p.scale > 0.0, "{p:?}");
            prop_assert!((0.0..=1.0).contains(&p.tail(Seconds(9.0))));
        }
    }
}
