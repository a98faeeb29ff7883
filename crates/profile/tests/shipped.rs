//! The profiles that come with foldwatch are sound, and agree with plain arithmetic and published oil data.

#![allow(clippy::unwrap_used)] // Tests: helpers count as no test to the lint.

use std::path::Path;

use foldwatch_profile::{Loaded, displaced, parse};
use foldwatch_units::Direction;

fn shipped() -> Vec<(String, Loaded)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../config/profiles");
    let mut out: Vec<(String, Loaded)> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|e| e == "toml"))
        .map(|path| {
            let name = path.file_stem().unwrap().to_str().unwrap().to_owned();
            match parse(&std::fs::read_to_string(&path).unwrap()) {
                Ok(loaded) => (name, loaded),
                Err(problems) => {
                    panic!("{name}:\n{}", problems.iter().map(|p| format!("{p}\n")).collect::<String>())
                }
            }
        })
        .collect();
    out.sort_by(|a, b| a.0.cmp(&b.0));
    out
}

#[test]
fn they_load_without_advice_and_are_named_as_their_files() {
    for (file, loaded) in shipped() {
        assert_eq!(loaded.profile.id, file);
        let advice: String = loaded.advice.iter().map(|p| format!("{p}\n")).collect();
        assert_eq!(advice, "", "{file}");
    }
}

/// t = V/Q with V = area x stroke (Rabie, Fluid Power Engineering, ch. 1, as the two cylinder cases of that formula).
#[test]
fn steps_take_as_long_as_the_pump_needs_for_their_cylinders() {
    for (file, loaded) in shipped() {
        let profile = &loaded.profile;
        let millilitres_a_second = profile.hydraulics.pump_delivery.unwrap().value() * 1000.0 / 60.0;
        for phase in profile.opening.iter().chain(&profile.closing).filter(|phase| phase.pump) {
            let needed = displaced(&profile.hydraulics.cylinders, phase).value() / millilitres_a_second;
            let ratio = phase.expected.value() / needed;
            assert!(
                (0.85..1.15).contains(&ratio),
                "{file}, {}: {:?}, {needed} s",
                phase.name,
                phase.expected
            );
        }
    }
}

/// Bore 16 mm, stroke 32 mm at 0.3 L/min takes 1.286797 s; the rod side with an 8 mm rod moves 4/3 as fast.
#[test]
fn the_lock_cylinder_takes_what_the_formula_says() {
    let (_, loaded) = shipped().into_iter().find(|(file, _)| file == "hardtop-five").unwrap();
    let profile = &loaded.profile;
    let seconds = |direction, name: &str| {
        let phase = profile.sequence(direction).iter().find(|phase| phase.name == name).unwrap();
        displaced(&profile.hydraulics.cylinders, phase).value() / 5.0
    };
    assert!((seconds(Direction::Closing, "Lock front") - 1.286797).abs() < 1e-6);
    assert!((seconds(Direction::Opening, "Unlock front") - 1.286797 * 0.75).abs() < 1e-6);
}

/// ISO 3448: a grade's viscosity at 40 °C is within 10 % of its number.
#[test]
fn oils_are_of_the_grade_they_name() {
    for (file, loaded) in shipped() {
        let hydraulics = &loaded.profile.hydraulics;
        let grade: f64 = hydraulics.oil_grade.as_ref().unwrap().rsplit(' ').next().unwrap().parse().unwrap();
        let ratio = hydraulics.viscosity_40.unwrap().value() / grade;
        assert!((0.9..=1.1).contains(&ratio), "{file}");
    }
}

#[test]
fn the_two_ends_can_be_told_apart() {
    for (file, loaded) in shipped() {
        let profile = &loaded.profile;
        let ends = [Direction::Opening, Direction::Closing].map(|d| profile.end_position(d));
        let states = ends.clone().map(|end| end.wanted());
        assert!(
            states[0].iter().any(|(ix, on)| states[1].contains(&(*ix, !on)) || {
                profile.signal(*ix).excludes.iter().any(|other| states[1].contains(&(*other, true)))
            }),
            "{file}: {} / {}",
            ends[0].written(profile),
            ends[1].written(profile)
        );
    }
}
