//! Tabular CUSUM: adds up what lies beyond the target by more than an allowance.
//!
//! NIST/SEMATECH e-Handbook of Statistical Methods (doi 10.18434/M32189), section 6.3.2.3. Average run length by a
//! Markov chain: Brook and Evans, Biometrika 59, 539-549 (1972); in closed form: Siegmund, Sequential Analysis (1985).

use super::dist::{normal_cdf, normal_density};
use super::markov::steps_until_leaving;

/// The two sums. Plain data: the same numbers in the same order give the same sums.
#[derive(Debug, Clone, Copy, PartialEq, Default, serde::Serialize, serde::Deserialize)]
pub struct Cusum {
    /// Sum of what lies above the target by more than the allowance; never below 0.
    pub high: f64,
    /// The same below the target.
    pub low: f64,
}

/// How a CUSUM is set, in the unit of the values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Chart {
    /// The value in control.
    pub target: f64,
    /// k: half the shift that is to be found.
    pub allowance: f64,
    /// h: an alarm is given while a sum is above.
    pub decision: f64,
}

impl Cusum {
    /// Takes in one value.
    ///
    /// ```
    /// use foldwatch_trend::stats::cusum::{Chart, Cusum};
    /// let chart = Chart { target: 325.0, allowance: 0.3175, decision: 4.1959 };
    /// let mut sums = Cusum::default();
    /// sums.push(&chart, 329.5);
    /// assert!((sums.high - 4.1825).abs() < 1e-9);
    /// assert!(!sums.alarm(&chart));
    /// ```
    pub fn push(&mut self, chart: &Chart, value: f64) {
        self.high = (self.high + value - chart.target - chart.allowance).max(0.0);
        self.low = (self.low + chart.target - value - chart.allowance).max(0.0);
    }

    /// One of the sums is past the decision value.
    pub fn alarm(&self, chart: &Chart) -> bool {
        self.high > chart.decision || self.low > chart.decision
    }
}

/// Average number of independent normal values until one sum passes `h` (k, h and shift in standard deviations), the
/// sum starting at 0. Good to 4 digits with the 100 states used here.
///
/// ```
/// use foldwatch_trend::stats::cusum::{one_sided_run_length, two_sided_run_length};
/// // Montgomery, Introduction to Statistical Quality Control, chapter 9 (from memory): 168 for k 1/2, h 4.
/// assert!((two_sided_run_length(0.5, 4.0, 0.0) - 168.0).abs() < 0.5);
/// assert!(one_sided_run_length(0.5, 4.0, 1.0) < 9.0);
/// ```
pub fn one_sided_run_length(k: f64, h: f64, shift: f64) -> f64 {
    const STATES: usize = 100;
    // State 0 is the sum at 0 (and half a step above), state j the sum within half a step of j steps.
    let step = 2.0 * h / (2 * STATES - 1) as f64;
    let at_most = |sum: f64| normal_cdf(sum + k - shift);
    let stay = (0..STATES)
        .map(|i| {
            (0..STATES)
                .map(|j| {
                    let centre = (j as f64 - i as f64) * step;
                    let below = if j == 0 { 0.0 } else { at_most(centre - step / 2.0) };
                    at_most(centre + step / 2.0) - below
                })
                .collect()
        })
        .collect();
    steps_until_leaving(stay).first().copied().unwrap_or(f64::NAN)
}

/// Average run length of both sums watched together.
pub fn two_sided_run_length(k: f64, h: f64, shift: f64) -> f64 {
    1.0 / (1.0 / one_sided_run_length(k, h, shift) + 1.0 / one_sided_run_length(k, h, -shift))
}

/// Siegmund's approximation of [`one_sided_run_length`], within some per cent.
///
/// ```
/// use foldwatch_trend::stats::cusum::siegmund;
/// assert!((siegmund(0.5, 5.0, 0.0) / 938.2 - 1.0).abs() < 1e-3);
/// ```
pub fn siegmund(k: f64, h: f64, shift: f64) -> f64 {
    let (drift, b) = (shift - k, h + 1.166);
    if drift.abs() < 1e-9 {
        return b * b;
    }
    ((-2.0 * drift * b).exp() + 2.0 * drift * b - 1.0) / (2.0 * drift * drift)
}

/// False alarms per value on one side where the target is not known but was estimated from `m` values: the rate
/// averaged over the error of the estimate.
pub fn one_sided_alarm_rate(k: f64, h: f64, m: f64) -> f64 {
    let sd = 1.0 / m.sqrt();
    let nodes = 41;
    let width = 8.0 / (nodes - 1) as f64;
    (0..nodes)
        .map(|i| {
            let z = -4.0 + width * f64::from(i);
            normal_density(z) * width / one_sided_run_length(k, h, z * sd)
        })
        .sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Montgomery, Introduction to Statistical Quality Control, table 9.3 (from memory): k = 1/2.
    #[test]
    fn published_run_lengths() {
        for (shift, h4, h5) in [
            (0.0, 168.0, 465.0),
            (0.25, 74.2, 139.0),
            (0.5, 26.6, 38.0),
            (0.75, 13.3, 17.0),
            (1.0, 8.38, 10.4),
            (1.5, 4.75, 5.75),
            (2.0, 3.34, 4.01),
            (3.0, 2.19, 2.57),
        ] {
            for (h, expected) in [(4.0, h4), (5.0, h5)] {
                let found = two_sided_run_length(0.5, h, shift);
                assert!(
                    (found / expected - 1.0).abs() < 0.005,
                    "h {h}, shift {shift}: {found}, not {expected}"
                );
            }
        }
    }

    #[test]
    fn closed_form_agrees() {
        for (h, shift) in [(4.0, 0.0), (5.0, 0.0), (8.0, 0.0), (5.0, 0.5), (5.0, 1.0)] {
            let chain = one_sided_run_length(0.5, h, shift);
            assert!((siegmund(0.5, h, shift) / chain - 1.0).abs() < 0.04, "h {h}, shift {shift}");
        }
    }

    #[test]
    fn an_estimated_target_costs_false_alarms() {
        let known = 1.0 / one_sided_run_length(0.5, 5.0, 0.0);
        assert!(one_sided_alarm_rate(0.5, 5.0, 30.0) > 1.3 * known);
        assert!((one_sided_alarm_rate(0.5, 5.0, 1e9) / known - 1.0).abs() < 1e-3);
    }
}
