//! What each step should have taken at the conditions it ran under.

use foldwatch_physics::expect::{self, Expectation, Prior};
use foldwatch_physics::oil::Walther;
use foldwatch_profile::{Phase, PhaseRef, Profile, SignalKind};
use foldwatch_segment::{Cycle, PhaseRun};
use foldwatch_units::{Celsius, Micros, Seconds, Volts};

use crate::history::History;
use crate::look;
use crate::run::RunFacts;

/// What a step ran under; `None` where it is not recorded.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Conditions {
    /// Oil temperature.
    pub oil: Option<Celsius>,
    /// Supply voltage while the pump ran.
    pub supply: Option<Volts>,
}

impl From<Conditions> for expect::Conditions {
    fn from(conditions: Conditions) -> Self {
        expect::Conditions { oil_temperature: conditions.oil, supply: conditions.supply }
    }
}

/// The time of one run against what it should have been.
#[derive(Debug, Clone, PartialEq)]
pub struct PhaseTiming {
    /// Place in [`Cycle::phases`].
    pub run: usize,
    /// Which step.
    pub phase: PhaseRef,
    /// What it ran under.
    pub conditions: Conditions,
    /// Time that the mechanism moved.
    pub driven: Seconds,
    /// What this car should take at these conditions: half of its times are longer.
    pub expected: Seconds,
    /// The profile's limit, corrected to these conditions and widened by twice the correction's uncertainty.
    pub limit: Seconds,
    /// The time as it would have been at the profile's reference conditions.
    pub corrected: Seconds,
    /// Standard uncertainty of `corrected`.
    pub u_corrected: Seconds,
    /// What makes the difference between the profile's time and `expected`, the largest first; they add up to it.
    pub contributions: Vec<(&'static str, Seconds)>,
    /// The chance that a sound cycle takes longer than this one did; `None` where the motion's end is not known.
    pub tail: Option<f64>,
    /// The expectation has learned from enough cycles of this car to speak for it.
    pub learned: bool,
}

/// Cycles of a step after which the car's own expectation counts, the same for pressure and current. Judgment: what few
/// cycles leave open is in the prediction's width already. By weight: each sound cycle counts a little less than one.
pub(crate) const ENOUGH_CYCLES: f64 = 4.0;
/// An oil for profiles that name none: thin hydraulic oils differ little in how they thicken. Common practice.
const UNNAMED_OIL: &str = "VG 10";
/// Relative standard uncertainty that the sensors of the conditions bring into a corrected time: 0.03 V of 12 V, and
/// about as much for 1 K of the oil. Judgment, as for shop gauges.
const SENSORS: f64 = 0.0025;
/// The motor's start is over after this time, in seconds. Judgment.
pub(crate) const INRUSH_OVER: f64 = 0.4;

/// The timing of every run whose motion's end is known.
pub(crate) fn timings(
    profile: &Profile,
    cycle: &Cycle,
    facts: &[RunFacts],
    history: &History,
) -> Vec<PhaseTiming> {
    facts.iter().map(|facts| timing(profile, cycle, facts, history)).collect()
}

fn timing(profile: &Profile, cycle: &Cycle, facts: &RunFacts, history: &History) -> PhaseTiming {
    let run = &cycle.phases[facts.run];
    let phase = run.phase.of(profile);
    let conditions = conditions(profile, cycle, run, phase);
    let fresh;
    let expectation = match history.expectation(profile, run.phase) {
        Some(known) => known,
        None => {
            fresh = begin(profile, phase);
            &fresh
        }
    };
    let known = conditions.into();
    let predicted = expectation.predict(known);
    let driven = facts.motion.map_or(Seconds(facts.driven_until_left), Seconds);
    let corrected = expectation.at_reference(known, driven);
    // What is not recorded is taken as it should be: a limit that gives way to whatever may have been is none.
    let assumed = expect::Conditions {
        oil_temperature: Some(conditions.oil.unwrap_or(profile.reference.oil_temperature)),
        supply: Some(conditions.supply.unwrap_or(profile.reference.supply)),
    };
    let one = expectation.at_reference(assumed, Seconds(1.0));
    let of_sensors = if conditions == Conditions::default() { 0.0 } else { SENSORS };
    let factor = (2.0 * one.relative_u.hypot(of_sensors)).exp() / one.time.0;
    PhaseTiming {
        run: facts.run,
        phase: run.phase,
        conditions,
        driven,
        expected: predicted.median,
        limit: if factor.is_finite() && factor > 0.0 { phase.limit * factor } else { phase.limit },
        corrected: corrected.time,
        u_corrected: corrected.time * corrected.relative_u.hypot(run.u_duration.0 / driven.0.max(1e-3)),
        contributions: predicted.contributions.iter().map(|c| (c.influence.as_str(), c.seconds)).collect(),
        tail: facts
            .motion
            .filter(|seconds| seconds.is_finite() && *seconds > 0.0)
            .map(|seconds| predicted.tail(Seconds(seconds))),
        learned: expectation.cycles() >= ENOUGH_CYCLES,
    }
}

/// What is expected of a step before its first cycle.
pub(crate) fn begin(profile: &Profile, phase: &Phase) -> Expectation {
    let mut prior = Prior::default();
    if !phase.pump {
        // Gravity and springs do not know the supply.
        prior.supply = expect::Belief { mean: 0.0, sd: 0.1 };
    }
    Expectation::with_prior(phase.expected, reference(profile), prior)
}

/// The conditions that the profile's times hold for.
pub(crate) fn reference(profile: &Profile) -> expect::Reference {
    expect::Reference {
        oil: oil(profile),
        oil_temperature: profile.reference.oil_temperature,
        supply: profile.reference.supply,
    }
}

/// The viscosity of a roof's oil: by its two points, else by the grade in its name, else by what is usual.
pub fn oil(profile: &Profile) -> Walther {
    let hydraulics = &profile.hydraulics;
    let by_points = hydraulics
        .viscosity_40
        .zip(hydraulics.viscosity_100)
        .and_then(|(v40, v100)| Walther::from_points((Celsius(40.0), v40), (Celsius(100.0), v100)).ok());
    let by_name = || hydraulics.oil_grade.as_deref().and_then(Walther::of_grade);
    by_points
        .or_else(by_name)
        .or_else(|| Walther::of_grade(UNNAMED_OIL))
        .unwrap_or(Walther { a: 9.0, b: 3.6 })
}

/// Oil temperature and supply during a run.
pub(crate) fn conditions(profile: &Profile, cycle: &Cycle, run: &PhaseRun, phase: &Phase) -> Conditions {
    let mean = |kind, from: Micros| {
        let lane = look::lane_of_kind(profile, cycle, kind)?;
        // A sensor at the end of its range says nothing about the oil.
        if kind == SignalKind::Temperature && crate::checks::is_pinned(profile, lane) {
            return None;
        }
        let part = lane.within(from, run.end);
        // A short step between two rows, or a slow sensor: the last number before it stands.
        part.mean().or_else(|| lane.within(Micros::MIN, run.end).points().next_back().map(|p| p.1))
    };
    let started = run.start + Seconds(INRUSH_OVER);
    let under_load = if phase.pump && started < run.end { started } else { run.start };
    Conditions {
        oil: mean(SignalKind::Temperature, run.start).map(Celsius),
        supply: mean(SignalKind::Voltage, under_load).filter(|volts| *volts > 0.0).map(Volts),
    }
}
