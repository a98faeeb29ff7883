//! What is believed of a phase before its first cycle.

use crate::oil::Walther;
use foldwatch_units::{Celsius, Volts};

/// The conditions that the expected time holds for, and the oil that turns a temperature into a viscosity.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Reference {
    /// The oil.
    pub oil: Walther,
    /// Oil temperature.
    pub oil_temperature: Celsius,
    /// Supply voltage while the pump runs.
    pub supply: Volts,
}

/// A normal belief about a coefficient.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Belief {
    /// The best guess.
    pub mean: f64,
    /// Its standard uncertainty.
    pub sd: f64,
}

/// Beliefs before the first cycle. All numbers are without unit, of ln t. The defaults are judgement, each with its
/// reason; a few dozen cycles outweigh them.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Prior {
    /// Standard uncertainty of the level: 0.12. Between sound roofs of one kind a phase differs by the tolerances of
    /// pump delivery and friction, and the profile's time is itself taken from few of them.
    pub level_sd: f64,
    /// b_V: 1 ± 0.4. Speed of an unloaded direct-current motor, and so a displacement pump's delivery, goes with the
    /// voltage: 1. Under load the winding's drop makes it steeper; a phase paced by gravity or a throttle makes it
    /// weaker.
    pub supply: Belief,
    /// b_nu: 0.15 ± 0.12. From 20 °C to -10 °C an oil of grade 10 gets 5 times thicker; a roof that then takes a
    /// quarter to a third longer has 0.15. It can't be far below 0, and a phase that is all hose resistance has 0.3.
    pub viscosity: Belief,
    /// c: 0 ± 0.03, the bend of the line. Hose resistance grows with nu itself and pump slip with 1/nu, so the line may
    /// bend upwards at both ends; the physics fixes neither. It keeps a winter that was never seen uncertain.
    pub bend: Belief,
    /// Scatter of a sound cycle about the line, relative: 0.03, of sampling, load and wind ...
    pub scatter: f64,
    /// ... held with the weight of this many cycles: 4.
    pub scatter_cycles: f64,
    /// Share of cycles that are bad (hindered, interrupted, faulty): 0.1. With a fifth of them bad the level holds,
    /// which is tested.
    pub bad_share: f64,
    /// Standard uncertainty of V_ref / V - 1 where no supply is recorded: 0.06. A 12 V battery under the pump's load
    /// shows 11.5 to 13.5 V.
    pub unknown_supply: f64,
    /// Standard uncertainty of ln nu - ln nu_ref where no temperature is recorded: 0.7, which is some 20 °C either way.
    pub unknown_viscosity: f64,
}

impl Default for Prior {
    fn default() -> Self {
        Prior {
            level_sd: 0.12,
            supply: Belief { mean: 1.0, sd: 0.4 },
            viscosity: Belief { mean: 0.15, sd: 0.12 },
            bend: Belief { mean: 0.0, sd: 0.03 },
            scatter: 0.03,
            scatter_cycles: 4.0,
            bad_share: 0.1,
            unknown_supply: 0.06,
            unknown_viscosity: 0.7,
        }
    }
}
