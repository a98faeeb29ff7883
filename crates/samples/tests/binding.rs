//! A logger's channels against a profile's signals.

mod common;

use common::*;
use foldwatch_profile::{Profile, SignalIx};
use foldwatch_samples::Binding;
use foldwatch_wire::{Kind, NO_READING};

/// What `counts` of a channel give for the profile's pressure.
fn pressure(unit: &str, exponent: i8, calibration: Option<(f64, f64)>, counts: i32) -> Result<f32, String> {
    let mut profile = profile();
    if let Some((gain, offset)) = calibration {
        profile.signals[2].calibration.gain = gain;
        profile.signals[2].calibration.offset = offset;
    }
    bound(&profile, unit, exponent).map(|binding| {
        let mut row = [f32::NAN; 5];
        binding.fill(&[counts], 0, &mut row);
        row[2]
    })
}

fn bound(profile: &Profile, unit: &str, exponent: i8) -> Result<Binding, String> {
    let mut hello = hello();
    hello.signals = vec![channel("pressure", Kind::Number, unit, exponent)];
    Binding::new(&hello, profile).map_err(|e| e.to_string())
}

#[test]
fn units_of_the_quantity_are_converted() {
    assert_eq!(pressure("bar", -2, None, 12_345), Ok(123.45));
    assert_eq!(pressure("MPa", -1, None, 180), Ok(180.0));
    assert_eq!(pressure("psi", 0, None, 1000), Ok(68.947_57));
}

#[test]
fn a_stated_unit_is_taken_as_calibrated() {
    let mut profile = profile();
    profile.signals[2].calibration.gain = 62.5;
    let binding = bound(&profile, "bar", 0).unwrap();
    assert_eq!(binding.calibrated(), [SignalIx(2)]);
    assert_eq!(pressure("bar", 0, Some((62.5, -31.25)), 100), Ok(100.0));
}

#[test]
fn a_sensor_output_needs_the_calibration() {
    assert_eq!(pressure("V", -3, Some((62.5, -31.25)), 2500), Ok(125.0));
    assert_eq!(pressure("", 0, Some((0.1, -5.0)), 2000), Ok(195.0));
    assert_eq!(pressure("count", 0, Some((0.1, -5.0)), 2000), Ok(195.0));
    let error = pressure("V", -3, None, 0).unwrap_err();
    assert!(error.contains("channel `pressure` comes in V, but the profile's signal is in bar"), "{error}");
    let error = pressure("furlong", 0, None, 0).unwrap_err();
    assert!(error.contains("unit `furlong` is not known") && error.contains("mbar"), "{error}");
}

#[test]
fn every_problem_is_named_at_once() {
    let mut hello = hello();
    hello.signals = vec![
        channel("pressure", Kind::State, "", 0),
        channel("pump", Kind::Number, "V", 0),
        channel("supply", Kind::Number, "V", 0),
        channel("supply", Kind::Number, "V", 0),
    ];
    let problems = Binding::new(&hello, &profile()).unwrap_err().problems;
    assert_eq!(problems.len(), 3, "{problems:?}");
}

#[test]
fn what_could_not_be_read_is_left_as_it_is() {
    let binding = bound(&profile(), "bar", 0).unwrap();
    let mut row = [f32::NAN; 5];
    binding.fill(&[NO_READING], 0, &mut row);
    assert!(row.iter().all(|value| value.is_nan()));
}
