//! The oil of the rig: viscosity, density and compressibility. Written for the rig alone.

use foldwatch_units::{Celsius, SquareMillimetresPerSecond};

/// Absolute pressure at gauge zero, Pa (standard atmosphere).
pub const ATMOSPHERE: f64 = 101_325.0;

/// Density at 15 °C, kg/m3, and its loss per kelvin: round figures for mineral oil, common practice, no source.
const DENSITY_15: f64 = 870.0;
const DENSITY_LOSS: f64 = 0.65;

/// Bulk modulus of the oil without any gas, Pa: middle of the working range 1.2 to 1.7 GPa that handbooks of fluid
/// power give (from memory).
pub const BULK: f64 = 1.4e9;

/// Exponent of the gas in quick changes of state: air, between isothermal and isentropic.
const POLYTROPIC: f64 = 1.3;

/// An oil, by two points of its viscosity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Oil {
    a: f64,
    b: f64,
}

impl Oil {
    /// From kinematic viscosities at 40 and 100 °C.
    ///
    /// Straight line through the two points in the coordinates of ASTM D341: log10 log10(v + 0.7) against log10 of
    /// the absolute temperature. Points that make no sense (not positive, not falling) are pulled to ones that do.
    pub fn new(at_40: SquareMillimetresPerSecond, at_100: SquareMillimetresPerSecond) -> Oil {
        let cold = if at_40.0.is_finite() { at_40.0.clamp(2.0, 1e4) } else { 15.0 };
        let hot = if at_100.0.is_finite() { at_100.0.clamp(1.0, cold * 0.8) } else { cold * 0.25 };
        let w = |v: f64| (v + 0.7).log10().log10();
        let (x1, x2) = ((40.0f64 + 273.15).log10(), (100.0f64 + 273.15).log10());
        let b = (w(cold) - w(hot)) / (x2 - x1);
        Oil { a: w(cold) + b * x1, b }
    }

    /// Kinematic viscosity.
    pub fn kinematic(&self, t: Celsius) -> SquareMillimetresPerSecond {
        // Below -40 °C the oil is wax and the line no longer holds; the rig stays at its edge.
        let kelvin = t.0.clamp(-40.0, 150.0) + 273.15;
        let v = 10f64.powf(10f64.powf(self.a - self.b * kelvin.log10())) - 0.7;
        SquareMillimetresPerSecond(v)
    }

    /// Dynamic viscosity in Pa s.
    pub fn dynamic(&self, t: Celsius) -> f64 {
        self.kinematic(t).0 * 1e-6 * density(t)
    }
}

/// Density in kg/m3.
pub fn density(t: Celsius) -> f64 {
    DENSITY_15 - DENSITY_LOSS * (t.0 - 15.0)
}

/// Compressibility in 1/Pa at a gauge pressure in Pa, `air` being the part of the volume that is free gas at
/// atmospheric pressure.
///
/// Oil and bubbles side by side, the gas by p V^n = const: the volume of the gas at p is air (p0/p)^(1/n), and it
/// yields by 1/(n p). (Fluid power text books, from memory.)
pub fn compressibility(gauge: f64, air: f64) -> f64 {
    let ratio = ATMOSPHERE / (ATMOSPHERE + gauge.max(-0.9 * ATMOSPHERE));
    1.0 / BULK + air * ratio.powf(1.0 / POLYTROPIC) * ratio / (POLYTROPIC * ATMOSPHERE)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn oil(v40: f64, v100: f64) -> Oil {
        Oil::new(SquareMillimetresPerSecond(v40), SquareMillimetresPerSecond(v100))
    }

    /// Worked figures for the ASTM D341 line, 32 and 5.4 mm2/s, and a thin fluid, with 273.15.
    #[test]
    fn viscosity_follows_the_d341_line() {
        let thick = oil(32.0, 5.4);
        for (t, v) in [(-20.0, 2291.47), (-10.0, 805.147), (0.0, 335.9996), (20.0, 86.2779), (80.0, 8.5332)] {
            let got = thick.kinematic(Celsius(t)).0;
            assert!((got / v - 1.0).abs() < 1e-5, "{t} °C: {got} instead of {v}");
        }
        let thin = oil(10.0, 2.7);
        for (t, v) in [(-20.0, 196.879), (0.0, 52.196), (20.0, 20.206)] {
            assert!((thin.kinematic(Celsius(t)).0 / v - 1.0).abs() < 1e-4);
        }
    }

    #[test]
    fn nonsense_viscosities_do_not_break_the_oil() {
        for (a, b) in [(0.0, 0.0), (-3.0, 5.0), (f64::NAN, f64::NAN), (10.0, 50.0), (f64::INFINITY, 1.0)] {
            let v = oil(a, b).kinematic(Celsius(20.0)).0;
            assert!(v.is_finite() && v > 0.0, "{a} {b}: {v}");
        }
    }

    /// The modulus is felt as dp = -E dV / V: 1 mL out of 420 mL at 1.4 GPa takes 33.33 bar; air makes it softer,
    /// the more so the lower the pressure.
    #[test]
    fn compressibility_of_pure_and_of_aerated_oil() {
        assert!((1e-6 / (compressibility(0.0, 0.0) * 420e-6) / 1e5 - 33.3333).abs() < 1e-3);
        let soft = |bar: f64| compressibility(bar * 1e5, 0.005) * BULK;
        assert!(soft(0.0) > 30.0 && soft(10.0) > 1.5 && soft(150.0) < 1.05);
        assert!(soft(0.0) > soft(1.0) && soft(1.0) > soft(10.0));
    }
}
