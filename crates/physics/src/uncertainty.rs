//! Standard uncertainty after JCGM 100:2008 (the GUM).

use crate::stats::t_quantile;

/// Standard uncertainty of a value that lies anywhere within ±`half_width` alike (4.3.7).
pub fn rectangular(half_width: f64) -> f64 {
    half_width / 3f64.sqrt()
}

/// Standard uncertainty of a value within ±`half_width` that is likelier in the middle: the sum of two equal rectangular
/// ones (4.3.9). The duration between two sampled edges is such, with the sample period for half width.
pub fn triangular(half_width: f64) -> f64 {
    half_width / 6f64.sqrt()
}

/// Standard uncertainty of a value that swings like a sine within ±`half_width` (H.1.3.4).
pub fn arcsine(half_width: f64) -> f64 {
    half_width / 2f64.sqrt()
}

/// Standard uncertainty of a reading in steps (F.2.2.1).
///
/// ```
/// use foldwatch_physics::uncertainty::resolution;
/// assert!((resolution(0.5) - 0.144338).abs() < 1e-6);
/// ```
pub fn resolution(step: f64) -> f64 {
    step / 12f64.sqrt()
}

/// Mean of repeated readings and its standard uncertainty (4.2.3). `None` for fewer than two.
pub fn of_readings(readings: &[f64]) -> Option<(f64, f64)> {
    let n = readings.len() as f64;
    if n < 2.0 {
        return None;
    }
    let mean = readings.iter().sum::<f64>() / n;
    let squares: f64 = readings.iter().map(|x| (x - mean).powi(2)).sum();
    Some((mean, (squares / (n * (n - 1.0))).sqrt()))
}

/// Correlation of the means of two quantities that were read together (5.2.3). `None` where readings don't pair or
/// don't vary.
pub fn correlation(a: &[f64], b: &[f64]) -> Option<f64> {
    let ((mean_a, u_a), (mean_b, u_b)) = (of_readings(a)?, of_readings(b)?);
    if a.len() != b.len() || u_a == 0.0 || u_b == 0.0 {
        return None;
    }
    let n = a.len() as f64;
    let products: f64 = a.iter().zip(b).map(|(a, b)| (a - mean_a) * (b - mean_b)).sum();
    Some(products / (n * (n - 1.0)) / (u_a * u_b))
}

/// An input's share in a result.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Component {
    /// How much the result changes for a change of the input.
    pub sensitivity: f64,
    /// Standard uncertainty of the input.
    pub u: f64,
    /// Degrees of freedom of `u`; infinite where it is exactly known.
    pub df: f64,
}

impl Component {
    /// A component with an exactly known uncertainty.
    pub fn new(sensitivity: f64, u: f64) -> Component {
        Component { sensitivity, u, df: f64::INFINITY }
    }

    fn share(&self) -> f64 {
        self.sensitivity * self.u
    }
}

/// Combined standard uncertainty of independent inputs (5.1.2).
///
/// ```
/// use foldwatch_physics::uncertainty::{Component, combine};
/// assert_eq!(combine(&[Component::new(1.0, 3.0), Component::new(-2.0, 2.0)]), 5.0);
/// ```
pub fn combine(components: &[Component]) -> f64 {
    combine_correlated(components, |_, _| 0.0)
}

/// Combined standard uncertainty (5.2.2); `r` gives the correlation of two inputs by their places, and is asked for
/// pairs of different ones only.
pub fn combine_correlated(components: &[Component], r: impl Fn(usize, usize) -> f64) -> f64 {
    covariance(components, components, |i, j| if i == j { 1.0 } else { r(i, j) }).max(0.0).sqrt()
}

/// Covariance of two results of the same inputs (H.2.3).
pub fn covariance(a: &[Component], b: &[Component], r: impl Fn(usize, usize) -> f64) -> f64 {
    let pairs = a.iter().enumerate().flat_map(|x| b.iter().enumerate().map(move |y| (x, y)));
    pairs.map(|((i, a), (j, b))| a.share() * b.share() * r(i, j)).sum()
}

/// Effective degrees of freedom of a combined uncertainty of independent inputs (Welch-Satterthwaite, G.4.1).
pub fn effective_df(components: &[Component]) -> f64 {
    let fourths: f64 = components.iter().map(|c| c.share().powi(4) / c.df).sum();
    combine(components).powi(4) / fourths
}

/// Factor from a standard uncertainty to an interval that holds the value with probability `p` (G.3); degrees of freedom
/// are cut to the next lower integer, as G.4.1 has it.
///
/// ```
/// use foldwatch_physics::uncertainty::coverage_factor;
/// assert!((coverage_factor(0.99, 16.75) - 2.9208).abs() < 1e-4);
/// assert!((coverage_factor(0.95, f64::INFINITY) - 1.95996).abs() < 1e-5);
/// ```
pub fn coverage_factor(p: f64, df: f64) -> f64 {
    t_quantile(0.5 * (1.0 + p), df.floor().max(1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn close(found: f64, expected: f64, within: f64) {
        assert!((found - expected).abs() <= within, "{found}, expected {expected}");
    }

    /// JCGM 100, 4.3 and F.2.2.1.
    #[test]
    fn half_widths() {
        close(rectangular(1.0), 0.577350, 5e-7);
        close(triangular(1.0), 0.408248, 5e-7);
        close(10.0 * arcsine(1.0), 7.07107, 5e-6);
        close(resolution(0.5), 0.144338, 5e-7);
    }

    /// JCGM 100, H.1: end-gauge calibration, in nm; results recomputed with GTC 1.5.1.
    #[test]
    fn end_gauge() {
        let with = |sensitivity, u, df| Component { sensitivity, u, df };
        let difference = [with(1.0, 5.8, 24.0), with(1.0, 3.9, 5.0), with(1.0, 6.7, 8.0)];
        close(combine(&difference), 9.682, 5e-4);
        close(effective_df(&difference), 25.4, 0.05);

        let (length, theta, alpha) = (50_000_623.0, -0.1, 11.5e-6);
        let inputs = [
            with(1.0, 25.0, 18.0),
            with(1.0, combine(&difference), effective_df(&difference)),
            with(-length * theta, rectangular(1e-6), 50.0),
            with(-length * alpha, rectangular(0.05), 2.0),
            // Their sensitivities vanish: the estimates of the differences are 0.
            Component::new(0.0, rectangular(2e-6)),
            Component::new(0.0, 0.2f64.hypot(arcsine(0.5))),
        ];
        close(inputs[3].share().abs(), 16.6, 0.05);
        close(combine(&inputs), 31.664, 5e-4);
        close(effective_df(&inputs), 16.75, 0.005);
        close(combine(&inputs) * coverage_factor(0.99, effective_df(&inputs)), 92.5, 0.05);
        // Second order (H.1.7): 11.7 nm beside.
        close(combine(&inputs).hypot(11.7), 33.76, 0.005);
    }

    /// JCGM 100, H.2: resistance, reactance and impedance from five simultaneous readings (the readings from memory;
    /// their means, uncertainties and correlations are the published ones).
    #[test]
    fn correlated_inputs() {
        let v = [5.007, 4.994, 5.005, 4.990, 4.999];
        let i = [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3];
        let phi = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433];
        let readings = [&v, &i, &phi];
        let [(v, u_v), (i, u_i), (phi, u_phi)] = readings.map(|x| of_readings(x).unwrap());
        let r = |a: usize, b: usize| correlation(readings[a], readings[b]).unwrap();
        close(u_v, 0.0032, 5e-5);
        close(u_i, 0.0095e-3, 5e-8);
        close(u_phi, 0.00075, 5e-6);
        close(r(0, 1), -0.355, 5e-4);
        close(r(0, 2), 0.858, 5e-4);
        close(r(1, 2), -0.645, 5e-4);

        let z = v / i;
        let inputs = |by_v, by_i, by_phi| {
            [Component::new(by_v, u_v), Component::new(by_i, u_i), Component::new(by_phi, u_phi)]
        };
        let (sin, cos) = phi.sin_cos();
        let resistance = inputs(cos / i, -z * cos / i, -z * sin);
        let reactance = inputs(sin / i, -z * sin / i, z * cos);
        let impedance = inputs(1.0 / i, -z / i, 0.0);
        let results = [&resistance, &reactance, &impedance];
        for (result, (value, expected, u)) in results.into_iter().zip([
            (z * cos, 127.732, 0.0711),
            (z * sin, 219.847, 0.2956),
            (z, 254.260, 0.2363),
        ]) {
            close(value, expected, 5e-4);
            close(combine_correlated(result, r), u, 1e-4);
        }
        let all = |a: usize, b: usize| if a == b { 1.0 } else { r(a, b) };
        let correlation_of = |a: &[Component], b: &[Component]| {
            covariance(a, b, all) / (combine_correlated(a, r) * combine_correlated(b, r))
        };
        close(correlation_of(&resistance, &reactance), -0.5884, 5e-5);
        close(correlation_of(&resistance, &impedance), -0.4853, 5e-5);
        close(correlation_of(&reactance, &impedance), 0.9925, 5e-5);
    }

    #[test]
    fn too_few_readings_say_nothing() {
        assert_eq!(of_readings(&[1.0]), None);
        assert_eq!(correlation(&[1.0, 2.0], &[1.0, 1.0]), None);
        assert_eq!(correlation(&[1.0, 2.0, 3.0], &[1.0, 2.0]), None);
    }
}
