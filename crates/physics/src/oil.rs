//! Kinematic viscosity of oil against temperature.

use foldwatch_units::{Celsius, SquareMillimetresPerSecond};
use std::fmt;

/// An oil's viscosity by the Walther equation, ASTM D341: log10 log10 Z = A - B log10 T, with T in kelvin and
/// Z = v + 0.7 (below 2 mm2/s with the standard's term for thin oils).
///
/// ```
/// use foldwatch_physics::oil::Walther;
/// use foldwatch_units::{Celsius, SquareMillimetresPerSecond as Viscosity};
/// let oil = Walther::from_points((Celsius(40.0), Viscosity(32.0)), (Celsius(100.0), Viscosity(5.4)))?;
/// assert!((oil.viscosity(Celsius(80.0)).value() - 8.53).abs() < 0.005);
/// # Ok::<(), foldwatch_physics::oil::BadPoints>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Walther {
    /// Constant A.
    pub a: f64,
    /// Slope B, positive: oil gets thinner when it warms.
    pub b: f64,
}

/// Two points that no oil has.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BadPoints {
    /// The colder point.
    pub cold: (Celsius, SquareMillimetresPerSecond),
    /// The warmer point.
    pub warm: (Celsius, SquareMillimetresPerSecond),
}

impl fmt::Display for BadPoints {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let ((t0, v0), (t1, v1)) = (self.cold, self.warm);
        write!(
            f,
            "{v0} at {t0} and {v1} at {t1} are no oil: it gets thinner when it warms, and stays above 0.2 mm2/s"
        )
    }
}

impl std::error::Error for BadPoints {}

/// Below this Z departs from v + 0.7 (ASTM D341).
const THIN: f64 = 2.0;
/// The lowest viscosity that ASTM D341 reaches.
const LOWEST: f64 = 0.21;
/// Temperatures are clamped to this span, in °C: beyond it no hydraulic oil flows, or stays oil (judgement).
const SPAN: (f64, f64) = (-60.0, 150.0);

/// Z of ASTM D341 for a viscosity in mm2/s.
fn z_of(v: f64) -> f64 {
    if v < THIN { v + 0.7 + (-1.47 - 1.84 * v - 0.51 * v * v).exp() } else { v + 0.7 }
}

/// The standard's inverse of [`z_of`]; its powers are given from memory, it comes back within 2e-4 mm2/s.
fn v_of(z: f64) -> f64 {
    let x = z - 0.7;
    if x < THIN { x - (-0.7487 - 3.295 * x + 0.6119 * x * x - 0.3193 * x * x * x).exp() } else { x }
}

impl Walther {
    /// The oil through two points.
    ///
    /// # Errors
    /// When the temperatures are equal or impossible, or the oil would not get thinner as it warms.
    pub fn from_points(
        first: (Celsius, SquareMillimetresPerSecond),
        second: (Celsius, SquareMillimetresPerSecond),
    ) -> Result<Self, BadPoints> {
        let (cold, warm) = if first.0 <= second.0 { (first, second) } else { (second, first) };
        let bad = BadPoints { cold, warm };
        let [(x0, y0), (x1, y1)] =
            [cold, warm].map(|(t, v)| ((t.value() + 273.15).log10(), z_of(v.value()).log10().log10()));
        let b = (y0 - y1) / (x1 - x0);
        let a = y0 + b * x0;
        let sound = a.is_finite() && b.is_finite() && b > 0.0 && warm.1.value() >= LOWEST;
        if sound { Ok(Walther { a, b }) } else { Err(bad) }
    }

    /// A usual mineral oil of an ISO viscosity grade, for a profile that names the grade only.
    ///
    /// Takes the grade number out of a name as written on a bottle ("ISO VG 32", "HLP 22"). The viscosity at 40 °C is
    /// the grade's own (ISO 3448); the one at 100 °C is what an oil of viscosity index near 100 has (common practice,
    /// no source). `None`: no grade that is known here.
    ///
    /// ```
    /// use foldwatch_physics::oil::Walther;
    /// use foldwatch_units::Celsius;
    /// let oil = Walther::of_grade("ISO VG 15").unwrap();
    /// assert!((oil.viscosity(Celsius(40.0)).value() - 15.0).abs() < 1e-9);
    /// assert_eq!(Walther::of_grade("red"), None);
    /// ```
    pub fn of_grade(name: &str) -> Option<Self> {
        const GRADES: [(u32, f64); 7] =
            [(7, 2.1), (10, 2.6), (15, 3.4), (22, 4.3), (32, 5.4), (46, 6.8), (68, 8.7)];
        let numbers =
            name.split(|c: char| !c.is_ascii_digit()).filter_map(|digits| digits.parse::<u32>().ok());
        let (grade, warm) =
            numbers.filter_map(|n| GRADES.iter().find(|(grade, _)| *grade == n)).next_back()?;
        let at_40 = (Celsius(40.0), SquareMillimetresPerSecond(f64::from(*grade)));
        Walther::from_points(at_40, (Celsius(100.0), SquareMillimetresPerSecond(*warm))).ok()
    }

    /// Viscosity at a temperature; outside of -60 to 150 °C that of the nearer end. NaN gives NaN.
    pub fn viscosity(&self, at: Celsius) -> SquareMillimetresPerSecond {
        let kelvin = at.value().clamp(SPAN.0, SPAN.1) + 273.15;
        let z = 10f64.powf(10f64.powf(self.a - self.b * kelvin.log10()));
        SquareMillimetresPerSecond(v_of(z))
    }
}

/// Viscosity index by ASTM D2270 from the viscosities at 40 °C (`u`) and 100 °C (`y`), and `l` and `h`, the
/// viscosities at 40 °C of the standard's two reference oils of index 0 and 100 that have the same `y` at 100 °C.
///
/// ```
/// use foldwatch_physics::oil::viscosity_index;
/// use foldwatch_units::SquareMillimetresPerSecond as Viscosity;
/// let index = viscosity_index(Viscosity(73.30), Viscosity(8.86), Viscosity(119.94), Viscosity(69.48));
/// assert_eq!(index.round(), 92.0);
/// ```
pub fn viscosity_index(
    u: SquareMillimetresPerSecond,
    y: SquareMillimetresPerSecond,
    l: SquareMillimetresPerSecond,
    h: SquareMillimetresPerSecond,
) -> f64 {
    if u >= h {
        return 100.0 * ((l - u) / (l - h)); // procedure A
    }
    let n = (h / u).log10() / y.value().log10(); // procedure B
    (10f64.powf(n) - 1.0) / 0.00715 + 100.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn oil(v40: f64, v100: f64) -> Walther {
        let points = [(40.0, v40), (100.0, v100)].map(|(t, v)| (Celsius(t), SquareMillimetresPerSecond(v)));
        Walther::from_points(points[0], points[1]).unwrap()
    }

    #[track_caller]
    fn check(oil: Walther, table: &[(f64, f64, f64)]) {
        for &(t, expected, half_digit) in table {
            let v = oil.viscosity(Celsius(t)).value();
            assert!((v - expected).abs() <= half_digit, "{v} at {t} °C, expected {expected}");
        }
    }

    /// ASTM D341; the values recomputed with T = t + 273.15.
    #[test]
    fn astm_d341_two_points() {
        let vg32 = oil(32.0, 5.4);
        assert!((vg32.a - 9.530815).abs() < 5e-7 && (vg32.b - 3.746578).abs() < 5e-7, "{vg32:?}");
        check(
            vg32,
            &[
                (-20.0, 2291.47, 5e-3),
                (-10.0, 805.147, 5e-4),
                (0.0, 335.9996, 5e-5),
                (20.0, 86.2779, 5e-5),
                (60.0, 15.1859, 5e-5),
                (80.0, 8.5332, 5e-5),
            ],
        );
        let thin = oil(10.0, 2.7);
        assert!((thin.a - 9.424098).abs() < 5e-7 && (thin.b - 3.771015).abs() < 5e-7, "{thin:?}");
        check(thin, &[(-20.0, 196.879, 5e-4), (0.0, 52.196, 5e-4), (20.0, 20.206, 5e-4)]);
    }

    /// ASTM D341, the term for viscosities below 2 mm2/s.
    #[test]
    fn astm_d341_thin_oil() {
        for (v, z) in [(0.5, 1.280661), (1.0, 1.721928), (1.5, 2.204619)] {
            assert!((z_of(v) - z).abs() < 5e-7);
            assert!((v_of(z) - v).abs() < 2e-4, "{} from Z of {v}", v_of(z));
        }
    }

    /// ASTM D2270, the worked examples of procedures A and B (the last one's Y and H from memory).
    #[test]
    fn astm_d2270_examples() {
        let index = |u, y, l, h| {
            let [u, y, l, h] = [u, y, l, h].map(SquareMillimetresPerSecond);
            viscosity_index(u, y, l, h)
        };
        assert!((index(73.30, 8.86, 119.94, 69.48) - 92.43).abs() < 5e-3);
        assert!((index(22.83, 5.05, f64::NAN, 28.97) - 156.37).abs() < 0.01); // printed from a rounded N
        assert!((index(53.47, 7.80, f64::NAN, 57.31) - 111.31).abs() < 5e-3);
    }

    /// ISO 3448: a grade's viscosity at 40 °C lies within 10 % of its number.
    #[test]
    fn iso_3448_grades() {
        for (name, low, high) in [
            ("ISO VG 10", 9.0, 11.0),
            ("VG15", 13.5, 16.5),
            ("HLP 22", 19.8, 24.2),
            ("ISO VG 32", 28.8, 35.2),
            ("HVLP 46, ISO 11158", 41.4, 50.6),
        ] {
            let v = Walther::of_grade(name).unwrap().viscosity(Celsius(40.0)).value();
            assert!((low..=high).contains(&v), "{name}: {v}");
        }
    }

    #[test]
    fn what_is_no_oil_is_refused() {
        for points in [
            [(40.0, 32.0), (40.0, 5.4)],
            [(40.0, 5.4), (100.0, 32.0)],
            [(40.0, 32.0), (100.0, 0.0)],
            [(40.0, f64::NAN), (100.0, 5.4)],
            [(-300.0, 32.0), (100.0, 5.4)],
        ] {
            let [first, second] = points.map(|(t, v)| (Celsius(t), SquareMillimetresPerSecond(v)));
            assert!(Walther::from_points(first, second).is_err(), "{points:?}");
        }
    }

    proptest! {
        #[test]
        fn thinner_when_warmer(v40 in 5f64..100.0, ratio in 2.0..9.0, t in -50.0..140.0, step in 0.1..10.0) {
            let oil = oil(v40, f64::max(v40 / ratio, 1.0));
            let [cold, warm] = [t, t + step].map(|t| oil.viscosity(Celsius(t)).value());
            prop_assert!(warm < cold && warm > 0.0);
        }
    }
}
