//! EWMA: an exponentially weighted moving average and its limits.
//!
//! NIST/SEMATECH e-Handbook of Statistical Methods (doi 10.18434/M32189), section 6.3.2.4. Average run length by a
//! Markov chain: Lucas and Saccucci, Technometrics 32, 1-12 (1990).

use super::dist::normal_cdf;
use super::markov::steps_until_leaving;

/// How an EWMA is set.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Chart {
    /// The value in control, where the average starts.
    pub target: f64,
    /// Standard deviation of one value.
    pub sd: f64,
    /// Weight of the newest value, above 0 and at most 1.
    pub weight: f64,
    /// Distance of the steady limits in standard deviations of the average.
    pub reach: f64,
}

impl Chart {
    /// Half the distance between the limits after `t` values; they widen towards [`Chart::steady_half_width`].
    pub fn half_width(&self, t: u32) -> f64 {
        let start = 1.0 - (1.0 - self.weight).powi(i32::try_from(t).unwrap_or(i32::MAX).saturating_mul(2));
        self.steady_half_width() * start.sqrt()
    }

    /// Half the distance between the limits after many values.
    ///
    /// ```
    /// use foldwatch_trend::stats::ewma::Chart;
    /// // NIST e-Handbook, 6.3.2.4 (which rounds on the way and prints 52.5884).
    /// let chart = Chart { target: 50.0, sd: 2.0539, weight: 0.3, reach: 3.0 };
    /// assert!((chart.target + chart.steady_half_width() - 52.588432).abs() < 1e-6);
    /// ```
    pub fn steady_half_width(&self) -> f64 {
        self.reach * self.sd * (self.weight / (2.0 - self.weight)).sqrt()
    }

    /// The average after one more value.
    pub fn next(&self, average: f64, value: f64) -> f64 {
        self.weight * value + (1.0 - self.weight) * average
    }
}

/// Average number of independent normal values until the average passes a steady limit on either side; `weight` and
/// `reach` as in [`Chart`], the shift of the mean in standard deviations of one value.
///
/// ```
/// use foldwatch_trend::stats::ewma::run_length;
/// // Lucas and Saccucci (1990), from memory: 500 for weight 0.1, reach 2.814.
/// assert!((run_length(0.1, 2.814, 0.0) - 500.0).abs() < 2.5);
/// ```
pub fn run_length(weight: f64, reach: f64, shift: f64) -> f64 {
    let h = reach * (weight / (2.0 - weight)).sqrt();
    from_centre(weight, -h, h, shift)
}

/// The same with a limit on the upper side only. The average may fall without end; below minus four steady standard
/// deviations it is taken to stand there, which changes the fourth digit at most.
pub fn upper_run_length(weight: f64, reach: f64, shift: f64) -> f64 {
    let sd = (weight / (2.0 - weight)).sqrt();
    chain(weight, -4.0 * sd, reach * sd, shift, true)
}

fn from_centre(weight: f64, low: f64, high: f64, shift: f64) -> f64 {
    chain(weight, low, high, shift, false)
}

/// An odd number of states puts 0 into the middle of one where the limits are symmetric.
const STATES: usize = 161;

fn chain(weight: f64, low: f64, high: f64, shift: f64, floor: bool) -> f64 {
    let step = (high - low) / STATES as f64;
    let centre = |i: usize| low + (i as f64 + 0.5) * step;
    let stay = (0..STATES)
        .map(|i| {
            // The average goes from c to at most a where the value is at most (a - (1 - weight) c) / weight.
            let at_most = |a: f64| normal_cdf((a - (1.0 - weight) * centre(i)) / weight - shift);
            (0..STATES)
                .map(|j| {
                    let below = if floor && j == 0 { 0.0 } else { at_most(centre(j) - step / 2.0) };
                    at_most(centre(j) + step / 2.0) - below
                })
                .collect()
        })
        .collect();
    let start = ((-low / step) as usize).min(STATES - 1);
    steps_until_leaving(stay).get(start).copied().unwrap_or(f64::NAN)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Lucas and Saccucci (1990), as reprinted in Montgomery, Introduction to Statistical Quality Control, table 9.11
    /// (from memory): rows by shift, columns by weight and reach.
    #[test]
    fn published_run_lengths() {
        let charts = [(0.4, 3.054), (0.25, 2.998), (0.2, 2.962), (0.1, 2.814), (0.05, 2.615)];
        for (shift, row) in [
            (0.0, [500.0, 500.0, 500.0, 500.0, 500.0]),
            (0.25, [224.0, 170.0, 150.0, 106.0, 84.1]),
            (0.5, [71.2, 48.2, 41.8, 31.3, 28.8]),
            (0.75, [28.4, 20.1, 18.2, 15.9, 16.4]),
            (1.0, [14.3, 11.1, 10.5, 10.3, 11.4]),
            (1.5, [5.9, 5.5, 5.5, 6.1, 7.1]),
            (2.0, [3.5, 3.6, 3.7, 4.4, 5.2]),
        ] {
            for ((weight, reach), expected) in charts.into_iter().zip(row) {
                let found = run_length(weight, reach, shift);
                assert!(
                    (found - expected).abs() <= 0.01 * expected + 0.05,
                    "weight {weight}, shift {shift}: {found}, not {expected}"
                );
            }
        }
    }

    #[test]
    fn limits_widen() {
        let chart = Chart { target: 50.0, sd: 2.0539, weight: 0.3, reach: 3.0 };
        for (t, upper) in [(1, 51.8485), (2, 52.2564), (3, 52.4314), (4, 52.5127), (5, 52.5516)] {
            assert!((chart.target + chart.half_width(t) - upper).abs() < 5e-5);
        }
    }

    #[test]
    fn one_side_alarms_half_as_often() {
        let ratio = upper_run_length(0.2, 3.0, 0.0) / run_length(0.2, 3.0, 0.0);
        assert!((ratio - 2.0).abs() < 0.06, "{ratio}");
    }
}
