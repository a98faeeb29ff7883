//! What a trend is made of.

use foldwatch_units::Micros;

/// One cycle's number: a phase's time, a hold's time constant, a run-on, an efficiency.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Point {
    /// The car's count of cycles; rises, need not be without holes.
    pub cycle: u64,
    /// When the cycle began.
    pub at: Micros,
    /// The number at reference conditions: what the trend is judged by.
    pub value: f64,
    /// The number as measured, for showing beside it.
    pub raw: f64,
}

/// Something that was done to the car.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Service {
    /// When.
    pub at: Micros,
    /// What, in the words of whoever did it: "lid cylinder resealed".
    pub what: String,
}

/// Which way a number gets worse.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Worse {
    /// Longer is worse: times, run-on.
    #[default]
    Higher,
    /// Less is worse: a hold's time constant, an efficiency.
    Lower,
}

impl Worse {
    /// 1 where higher is worse, else -1: a value times this rises as it gets worse.
    pub fn sign(self) -> f64 {
        match self {
            Worse::Higher => 1.0,
            Worse::Lower => -1.0,
        }
    }
}

/// A best value with the interval that holds the true one with 95 %.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Estimate {
    /// Best value.
    pub value: f64,
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

impl Estimate {
    /// Both ends on one side of 0.
    pub fn excludes_zero(&self) -> bool {
        self.low > 0.0 || self.high < 0.0
    }

    /// The same in another unit.
    pub(crate) fn times(self, factor: f64) -> Self {
        Estimate { value: self.value * factor, low: self.low * factor, high: self.high * factor }
    }
}

/// Seconds in a day.
pub(crate) const DAY: f64 = 86_400.0;

/// A mean month: a twelfth of 365.25 days.
pub(crate) const MONTH_DAYS: f64 = 365.25 / 12.0;

/// Days from one moment to another, negative where it lies before.
pub(crate) fn days_between(from: Micros, to: Micros) -> f64 {
    (to - from).0 / DAY
}
