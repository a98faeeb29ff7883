//! What of a cycle is followed over the cycles, at reference conditions.

use foldwatch_profile::Profile;
use foldwatch_store::CycleRecord;
use foldwatch_trend::Worse;
use foldwatch_units::{Celsius, Direction};

/// What a car's number is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct What {
    /// Which way the roof went.
    pub direction: Direction,
    /// Place of the step in the profile's sequence; `None`: the whole cycle.
    pub step: Option<u32>,
    /// Which number.
    pub measure: Followed,
}

/// A number that is followed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Followed {
    /// How long a step takes.
    Time,
    /// Apparent volumetric efficiency of a step.
    Efficiency,
    /// How fast the held pressure falls.
    Hold,
    /// How long the pump runs on.
    RunOn,
}

/// The measures of the store that are followed besides the times.
pub const MEASURES: [&str; 3] = ["volumetric-efficiency", "hold-time-constant", "run-on"];

/// A hold is at its limit at this share of what it was while it was well: the ground of the finding leak-down.
const HOLD_LEFT: f64 = 0.5;

impl Followed {
    /// Its name in tables.
    pub fn name(self) -> &'static str {
        match self {
            Followed::Time => "time",
            Followed::Efficiency => MEASURES[0],
            Followed::Hold => MEASURES[1],
            Followed::RunOn => MEASURES[2],
        }
    }

    /// Its unit; empty: a ratio.
    pub fn unit(self) -> &'static str {
        match self {
            Followed::Efficiency => "",
            _ => "s",
        }
    }

    /// Which way it gets worse.
    pub fn worse(self) -> Worse {
        match self {
            Followed::Time | Followed::RunOn => Worse::Higher,
            Followed::Efficiency | Followed::Hold => Worse::Lower,
        }
    }
}

impl What {
    /// The limit that it is held against; `level`: what it was while it was well, once that is known.
    pub fn limit(&self, profile: &Profile, level: Option<f64>) -> Option<f64> {
        match self.measure {
            Followed::Time => {
                let step = usize::try_from(self.step?).ok()?;
                Some(profile.sequence(self.direction).get(step)?.limit.0)
            }
            Followed::Efficiency => None,
            Followed::Hold => level.map(|level| HOLD_LEFT * level),
            Followed::RunOn => Some(profile.timing.run_on.0),
        }
    }

    /// The name of its step.
    pub fn phase(&self, profile: &Profile) -> Option<String> {
        let step = usize::try_from(self.step?).ok()?;
        Some(profile.sequence(self.direction).get(step)?.name.clone())
    }
}

/// One number of one cycle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Number {
    /// What it is of.
    pub what: What,
    /// At reference conditions.
    pub value: f64,
    /// As measured.
    pub raw: f64,
}

/// Every number of a cycle that is followed; of a step that was run twice the last run counts.
pub fn numbers(profile: &Profile, cycle: &CycleRecord) -> Vec<Number> {
    let mut found: Vec<Number> = Vec::new();
    let mut put = |number: Number| {
        if number.value.is_finite() {
            found.retain(|known| known.what != number.what);
            found.push(number);
        }
    };
    for phase in &cycle.phases {
        if let Some(corrected) = phase.corrected {
            let what = What { direction: phase.direction, step: Some(phase.index), measure: Followed::Time };
            put(Number { what, value: corrected.0, raw: phase.duration.0 });
        }
    }
    for measure in &cycle.measures {
        let of_phase = measure.phase.and_then(|place| cycle.phases.get(usize::try_from(place).ok()?));
        let raw = measure.value;
        let whole = |measure: Followed, value: f64| Number {
            what: What { direction: cycle.direction, step: None, measure },
            value,
            raw,
        };
        match (measure.name.as_str(), of_phase) {
            ("run-on", _) => put(whole(Followed::RunOn, raw)),
            ("hold-time-constant", _) => {
                // Oil that gets past a seal does so the slower the thicker it is: a laminar gap, so in proportion.
                let oil = cycle.phases.iter().rev().find_map(|phase| phase.oil);
                let thickness = oil.map_or(1.0, |oil| thickness(profile, oil));
                put(whole(Followed::Hold, raw / thickness));
            }
            ("volumetric-efficiency", Some(phase)) => {
                let Some(corrected) = phase.corrected.filter(|c| c.0 > 0.0) else { continue };
                let what = What {
                    direction: phase.direction,
                    step: Some(phase.index),
                    measure: Followed::Efficiency,
                };
                // The step's volume over a delivery and the step's time: what holds for the time holds for it.
                put(Number { what, value: raw * phase.duration.0 / corrected.0, raw });
            }
            _ => {}
        }
    }
    found
}

/// Viscosity of the oil over that at the profile's reference temperature.
fn thickness(profile: &Profile, at: Celsius) -> f64 {
    let oil = foldwatch_score::oil(profile);
    oil.viscosity(at) / oil.viscosity(profile.reference.oil_temperature)
}
