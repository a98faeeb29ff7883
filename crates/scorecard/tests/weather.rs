//! A year of weather, on simulated roofs: what the correction for cold oil and low supply leaves of it, from the first cycle
//! on, and with bad cycles in between.

use std::collections::BTreeMap;

use foldwatch_pipeline::Verdict;
use foldwatch_profile::{PhaseRef, Profile};
use foldwatch_rig::{Fault, FaultKind, Operator, Scenario, Target, Use, Weather};
use foldwatch_scorecard::{Logger, play};
use foldwatch_units::{Direction, Seconds};

const ROOFS: [&str; 3] = ["hardtop-five", "softtop-cover", "hardtop-six"];
const DAY: f64 = 86_400.0;

fn roof(name: &str) -> Profile {
    let path = format!("{}/../../config/profiles/{name}.toml", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(path).expect("the profile is there");
    foldwatch_profile::parse(&text).expect("the profile is right").profile
}

/// Opened and closed once in a few days at changing hours over some years, from frost to a summer's afternoon.
fn years(profile: &Profile, years: u32, pairs: u32) -> Scenario {
    let mut scenario = Scenario::new(profile, 7);
    scenario.weather = Weather { mean_c: 11.0, season_k: 9.0, day_k: 7.0 };
    scenario.sample_rate_hz = 50.0;
    scenario.relaxation = Seconds(60.0);
    scenario.sleep_rate_hz = 1.0 / 3600.0;
    for n in 0..pairs {
        let days = 365.0 * f64::from(years * n) / f64::from(pairs) + 0.25 + 0.1 * f64::from(n % 6);
        for (direction, later) in [(Direction::Opening, 0.0), (Direction::Closing, 1200.0)] {
            let at = scenario.start + Seconds(DAY * days + later);
            scenario.uses.push(Use { at, direction, operator: Operator::Hold });
        }
    }
    scenario.end = scenario.start + Seconds(DAY * 365.0 * f64::from(years));
    scenario
}

fn judged(scenario: &Scenario) -> Vec<Verdict> {
    play(scenario, &Logger { edges: true, absent: Vec::new() }).expect("the rig runs").verdicts
}

/// Times of each pump-driven step as they were, and as they would have been at reference conditions.
fn times(profile: &Profile, verdicts: &[Verdict]) -> BTreeMap<PhaseRef, (Vec<f64>, Vec<f64>)> {
    let mut out: BTreeMap<PhaseRef, (Vec<f64>, Vec<f64>)> = BTreeMap::new();
    for timing in verdicts.iter().flat_map(|v| &v.judged.timings) {
        if timing.phase.of(profile).pump && timing.tail.is_some() {
            let (raw, corrected) = out.entry(timing.phase).or_default();
            raw.push(timing.driven.0);
            corrected.push(timing.corrected.0);
        }
    }
    out
}

/// Standard deviation over the mean.
fn spread(values: &[f64]) -> f64 {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt() / mean
}

#[test]
fn a_years_weather_leaves_a_fifth_of_its_spread() {
    for name in ROOFS {
        let profile = roof(name);
        let verdicts = judged(&years(&profile, 2, 60));
        assert!(verdicts.iter().all(|v| v.judged.findings.is_empty()), "{name} is sound");
        // The first year is learned from.
        for (phase, (raw, corrected)) in times(&profile, &verdicts[verdicts.len() / 2..]) {
            let (raw, corrected) = (spread(&raw), spread(&corrected));
            println!(
                "{name} {}: {:.1} % raw, {:.2} % corrected",
                phase.of(&profile).name,
                100.0 * raw,
                100.0 * corrected
            );
            assert!(corrected <= raw / 5.0, "{name} {}: {corrected} of {raw}", phase.of(&profile).name);
        }
    }
}

#[test]
fn the_first_cycle_of_a_car_on_a_cold_day_is_known_as_well_as_physics_says() {
    for name in ROOFS {
        let profile = roof(name);
        let mut scenario = Scenario::cycles(&profile, 7, 1);
        scenario.weather = Weather::steady(profile.reference.oil_temperature.0);
        let usual = times(&profile, &judged(&scenario));
        scenario.weather = Weather::steady(-5.0);
        let cold = judged(&scenario);
        assert!(cold[0].judged.findings.is_empty(), "{name}");
        for timing in cold[0].judged.timings.iter().filter(|t| t.phase.of(&profile).pump) {
            let step = &timing.phase.of(&profile).name;
            let reference = usual[&timing.phase].0[0];
            assert!(timing.driven.0 > 1.03 * reference, "{name} {step}: the cold costs time");
            // Nothing of this car is known yet, and its uncertainty says so.
            let (off, u) = (timing.corrected.0 - reference, timing.u_corrected.0);
            println!("{name} {step}: {:.2} s at reference, told {off:+.2} s, u {u:.2} s", reference);
            assert!(
                !timing.learned && off.abs() < 2.0 * u && u < 0.3 * reference,
                "{name} {step}: {off} +- {u}"
            );
            assert!(
                timing.contributions.iter().any(|(what, s)| *what == "cold oil" && s.0 > 0.0),
                "{name} {step}"
            );
        }
    }
}

#[test]
fn a_fifth_of_bad_cycles_does_not_move_what_is_expected() {
    for name in ROOFS {
        let profile = roof(name);
        let scenario = years(&profile, 1, 30);
        let step = PhaseRef { direction: Direction::Opening, index: 2 };
        let mut bad = scenario.clone();
        bad.faults.push(Fault::new(FaultKind::WornPump, Target::System, 0.8).now_and_then(0.2));
        bad.faults.push(Fault::new(FaultKind::Friction, Target::Step(step), 0.9).now_and_then(0.2));
        let (sound, bad) = (judged(&scenario), judged(&bad));
        let told = bad.iter().filter(|v| !v.judged.findings.is_empty()).count();
        assert!(6 * told > bad.len(), "{name}: only {told} of {} were bad", bad.len());
        for direction in [Direction::Opening, Direction::Closing] {
            let last = |verdicts: &[Verdict]| {
                let of = verdicts.iter().rfind(|v| v.cycle.direction == direction);
                of.map(|v| v.judged.timings.clone()).unwrap_or_default()
            };
            let (sound, bad) = (last(&sound), last(&bad));
            let both = sound.iter().filter_map(|a| Some((a, bad.iter().find(|b| b.phase == a.phase)?)));
            for (a, b) in both.filter(|(a, _)| a.phase.of(&profile).pump) {
                let moved = (b.expected.0 / a.expected.0).ln().abs();
                println!("{name} {}: moved by {:.2} %", a.phase.of(&profile).name, 100.0 * moved);
                assert!(moved < 0.02, "{name} {}: moved by {moved}", a.phase.of(&profile).name);
            }
        }
    }
}
