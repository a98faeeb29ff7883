//! One type for each physical quantity that crosses a crate boundary.

use std::fmt;
use std::ops::{Add, Div, Mul, Neg, Sub};

macro_rules! quantities {
    ($($(#[$doc:meta])* $name:ident $symbol:literal),+ $(,)?) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default, serde::Serialize, serde::Deserialize)]
        pub struct $name(pub f64);

        impl $name {
            /// The unit's symbol, as it is printed and as it stands in table headers.
            pub const SYMBOL: &'static str = $symbol;

            /// The number in this unit.
            pub fn value(self) -> f64 {
                self.0
            }

            /// The larger of the two; a NaN loses.
            pub fn max(self, other: Self) -> Self {
                Self(self.0.max(other.0))
            }

            /// The smaller of the two; a NaN loses.
            pub fn min(self, other: Self) -> Self {
                Self(self.0.min(other.0))
            }
        }

        impl Add for $name { type Output = Self; fn add(self, o: Self) -> Self { Self(self.0 + o.0) } }
        impl Sub for $name { type Output = Self; fn sub(self, o: Self) -> Self { Self(self.0 - o.0) } }
        impl Neg for $name { type Output = Self; fn neg(self) -> Self { Self(-self.0) } }
        impl Mul<f64> for $name { type Output = Self; fn mul(self, k: f64) -> Self { Self(self.0 * k) } }
        impl Div<f64> for $name { type Output = Self; fn div(self, k: f64) -> Self { Self(self.0 / k) } }
        /// The ratio of two quantities of one kind is a bare number.
        impl Div for $name { type Output = f64; fn div(self, o: Self) -> f64 { self.0 / o.0 } }
        impl std::iter::Sum for $name {
            fn sum<I: Iterator<Item = Self>>(it: I) -> Self { Self(it.map(|q| q.0).sum()) }
        }
        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                fmt::Display::fmt(&self.0, f)?;
                write!(f, " {}", $symbol)
            }
        }
    )+};
}

quantities! {
    /// A span of time.
    Seconds "s",
    /// Gauge pressure.
    Bar "bar",
    /// Electric current.
    Amps "A",
    /// Voltage.
    Volts "V",
    /// Temperature on the Celsius scale.
    Celsius "°C",
    /// Length.
    Millimetres "mm",
    /// Angle.
    Degrees "deg",
    /// Volume.
    Millilitres "mL",
    /// Volume flow.
    LitresPerMinute "L/min",
    /// Energy.
    Joules "J",
    /// Power.
    Watts "W",
    /// Electric charge.
    AmpSeconds "As",
    /// Heat measure of a current, the integral of its square.
    AmpSquaredSeconds "A2s",
    /// Kinematic viscosity.
    SquareMillimetresPerSecond "mm2/s",
    /// Frequency.
    Hertz "Hz",
    /// Force.
    Newtons "N",
    /// Area.
    SquareMillimetres "mm2",
    /// Speed of a rod or of oil in a pipe.
    MillimetresPerSecond "mm/s",
    /// Rate of a pressure's rise or fall.
    BarPerSecond "bar/s",
    /// Density.
    KilogramsPerCubicMetre "kg/m3",
}

/// A value with its standard uncertainty, both in the unit of `Q` (JCGM 100, 2.3.1).
#[derive(Debug, Clone, Copy, PartialEq, Default, serde::Serialize, serde::Deserialize)]
pub struct Measured<Q> {
    /// The best estimate.
    pub value: Q,
    /// The standard uncertainty, not negative.
    pub u: Q,
}
