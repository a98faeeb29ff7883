//! Power, flow, cylinders and the give of oil.
//!
//! Formulas as in any fluid power handbook (Rabie, Fluid Power Engineering, chapter 1), in the units of the trade.

use foldwatch_units::{
    Bar, BarPerSecond, KilogramsPerCubicMetre, LitresPerMinute, Millilitres, Millimetres,
    MillimetresPerSecond, Newtons, Seconds, SquareMillimetres, Watts,
};
use std::f64::consts::FRAC_PI_4;

/// Bulk modulus of mineral oil without air: 14 000 bar (1.4e9 Pa; from memory, 1.2e9 to 1.7e9 is usual). About 0.7 %
/// of its volume for 100 bar.
pub const OIL_MODULUS: Bar = Bar(14_000.0);
/// Standard atmosphere (ISO 2533), to turn gauge pressure into absolute.
pub const ATMOSPHERE: Bar = Bar(1.013_25);

/// Hydraulic power: `P[kW] = p[bar] Q[L/min] / 600`.
///
/// ```
/// use foldwatch_physics::hydraulic::power;
/// use foldwatch_units::{Bar, LitresPerMinute};
/// assert!((power(Bar(200.0), LitresPerMinute(0.3)).value() - 100.0).abs() < 1e-9);
/// ```
pub fn power(pressure: Bar, flow: LitresPerMinute) -> Watts {
    Watts(pressure.value() * flow.value() / 0.6)
}

/// Area of a piston, or of a bore.
pub fn piston_area(bore: Millimetres) -> SquareMillimetres {
    SquareMillimetres(FRAC_PI_4 * bore.value().powi(2))
}

/// Area on the rod's side of a piston.
pub fn rod_side_area(bore: Millimetres, rod: Millimetres) -> SquareMillimetres {
    piston_area(bore) - piston_area(rod)
}

/// Oil that a stroke takes.
///
/// ```
/// use foldwatch_physics::hydraulic::{piston_area, stroke_time, stroke_volume};
/// use foldwatch_units::{LitresPerMinute, Millimetres};
/// let volume = stroke_volume(piston_area(Millimetres(16.0)), Millimetres(32.0));
/// let time = stroke_time(volume, LitresPerMinute(0.3));
/// assert!((time.value() - 1.2868).abs() < 1e-4);
/// ```
pub fn stroke_volume(area: SquareMillimetres, stroke: Millimetres) -> Millilitres {
    Millilitres(area.value() * stroke.value() * 1e-3)
}

/// How long a flow takes to fill a volume.
pub fn stroke_time(volume: Millilitres, flow: LitresPerMinute) -> Seconds {
    Seconds(volume.value() / per_second(flow))
}

/// Speed of a piston, or of oil in a pipe: v = Q / A.
pub fn speed(flow: LitresPerMinute, area: SquareMillimetres) -> MillimetresPerSecond {
    MillimetresPerSecond(per_second(flow) * 1e3 / area.value())
}

/// Force of a piston: F = p A.
pub fn force(pressure: Bar, area: SquareMillimetres) -> Newtons {
    Newtons(pressure.value() * area.value() * 0.1)
}

/// Pressure that a volume of oil gains when `more` is pushed into it: dp = E dV / V.
pub fn pressure_gain(modulus: Bar, volume: Millilitres, more: Millilitres) -> Bar {
    modulus * (more / volume)
}

/// Effective bulk modulus from the pressure's rise against a stop: E = V (dp/dt) / Q.
///
/// `volume` is all oil under pressure, with what hoses and cylinders give it is effective, not the oil's own. It drops
/// steeply with a little air.
///
/// ```
/// use foldwatch_physics::hydraulic::modulus_of_rise;
/// use foldwatch_units::{BarPerSecond, LitresPerMinute, Millilitres};
/// let modulus = modulus_of_rise(BarPerSecond(140.0), Millilitres(420.0), LitresPerMinute(0.3));
/// assert!((modulus.value() - 11_760.0).abs() < 1e-6);
/// ```
pub fn modulus_of_rise(rise: BarPerSecond, volume: Millilitres, flow: LitresPerMinute) -> Bar {
    Bar(rise.value() * volume.value() / per_second(flow))
}

/// Leakage that lets a held volume lose pressure at this rate: q = V (dp/dt) / E.
pub fn leak_flow(fall: BarPerSecond, volume: Millilitres, modulus: Bar) -> LitresPerMinute {
    LitresPerMinute(0.06 * fall.value() * volume.value() / modulus.value())
}

/// Rate at which a leakage lets a held volume lose pressure: dp/dt = E q / V.
pub fn fall_of_leak(leak: LitresPerMinute, volume: Millilitres, modulus: Bar) -> BarPerSecond {
    BarPerSecond(modulus.value() * per_second(leak) / volume.value())
}

/// Share of air in the oil, by volume at atmospheric pressure, from an effective bulk modulus found at a gauge
/// pressure: 1/E = 1/E_oil + share p_0 / p², for a small share of undissolved air that is pressed together isothermally
/// (textbook form, from memory). Never below 0.
///
/// ```
/// use foldwatch_physics::hydraulic::{OIL_MODULUS, air_share};
/// use foldwatch_units::Bar;
/// assert_eq!(air_share(OIL_MODULUS, OIL_MODULUS, Bar(50.0)), 0.0);
/// let share = air_share(Bar(7_000.0), OIL_MODULUS, Bar(50.0));
/// assert!((0.15..0.2).contains(&share), "{share}");
/// ```
pub fn air_share(effective: Bar, oil: Bar, at: Bar) -> f64 {
    let absolute = (at + ATMOSPHERE).value();
    ((1.0 / effective.value() - 1.0 / oil.value()) * absolute * absolute / ATMOSPHERE.value()).max(0.0)
}

/// Flow through an orifice: Q = Cd A sqrt(2 dp / rho); Cd is about 0.6 for a sharp edge (from memory). 0 for no pressure drop.
pub fn orifice_flow(
    diameter: Millimetres,
    discharge_coefficient: f64,
    drop: Bar,
    density: KilogramsPerCubicMetre,
) -> LitresPerMinute {
    let speed = (2.0 * drop.value().max(0.0) * 1e5 / density.value()).sqrt();
    LitresPerMinute(discharge_coefficient * piston_area(diameter).value() * speed * 0.06)
}

/// In mL/s.
fn per_second(flow: LitresPerMinute) -> f64 {
    flow.value() / 0.06
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn close(found: f64, expected: f64, within: f64) {
        assert!((found - expected).abs() <= within, "{found}, expected {expected}");
    }

    /// Worked values of fluid power handbooks (Rabie, Fluid Power Engineering, chapter 1).
    #[test]
    fn worked_values() {
        close(power(Bar(60.0), LitresPerMinute(2.0)).value(), 200.0, 1e-9);
        close(0.96 * power(Bar(60.0), LitresPerMinute(2.0)).value(), 192.0, 1e-9);
        // v[m/s] = 21.22 Q[L/min] / D[mm]²
        close(speed(LitresPerMinute(10.0), piston_area(Millimetres(10.0))).value(), 2122.066, 1e-3);

        let piston = piston_area(Millimetres(16.0));
        close(piston.value(), 201.0619, 5e-5);
        close(force(Bar(200.0), piston).value(), 4021.239, 5e-4);
        close(speed(LitresPerMinute(0.3), piston).value(), 24.86796, 5e-6);
        let time = stroke_time(stroke_volume(piston, Millimetres(32.0)), LitresPerMinute(0.3));
        close(time.value(), 1.286797, 1e-6);

        let rod_side = rod_side_area(Millimetres(16.0), Millimetres(8.0));
        close(rod_side.value(), 150.7964, 5e-5);
        close(speed(LitresPerMinute(0.3), rod_side).value(), 33.15728, 5e-6);
    }

    /// dp = E dV / V and its rate, by definition.
    #[test]
    fn compressibility() {
        close(pressure_gain(OIL_MODULUS, Millilitres(420.0), Millilitres(1.0)).value(), 33.3333, 5e-5);
        close(pressure_gain(OIL_MODULUS, Millilitres(420.0), Millilitres(6.0)).value(), 200.0, 1e-9);
        let fall = fall_of_leak(LitresPerMinute(1e-3), Millilitres(50.0), OIL_MODULUS);
        close(fall.value(), 4.66667, 5e-6);
        close(leak_flow(fall, Millilitres(50.0), OIL_MODULUS).value(), 1e-3, 1e-12);
        // There and back: a rise by a known modulus gives it again.
        let rise = fall_of_leak(LitresPerMinute(0.3), Millilitres(420.0), Bar(9_000.0));
        close(modulus_of_rise(rise, Millilitres(420.0), LitresPerMinute(0.3)).value(), 9_000.0, 1e-6);
    }

    #[test]
    fn orifices() {
        let flow = |d, cd, drop, density| {
            orifice_flow(Millimetres(d), cd, Bar(drop), KilogramsPerCubicMetre(density)).value()
        };
        close(flow(0.5, 0.6, 100.0, 870.0), 1.0717360, 5e-7);
        close(flow(1.0, 0.62, 10.0, 850.0), 1.4172235, 5e-7);
        assert_eq!(flow(1.0, 0.62, -1.0, 850.0), 0.0);
    }

    #[test]
    fn a_little_air_takes_much_stiffness() {
        let shares =
            [13_000.0, 10_000.0, 5_000.0, 1_000.0].map(|e| air_share(Bar(e), OIL_MODULUS, Bar(60.0)));
        assert!(shares.is_sorted() && shares[0] > 0.0);
        assert_eq!(air_share(Bar(20_000.0), OIL_MODULUS, Bar(60.0)), 0.0);
    }
}
