//! How far a signal scatters from row to row, as it comes.

use serde::{Deserialize, Serialize};

/// Readings over which the mean is taken.
const READINGS: f64 = 32.0;
/// Mean absolute difference of two readings over their standard deviation: normal distribution, 2 over the root of pi.
const DIFFERENCE: f64 = std::f64::consts::FRAC_2_SQRT_PI;

/// The mean absolute difference from reading to reading, the newest weighing most. What repeats the reading before is left
/// out: a logger may leave it out as well.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Scatter {
    last: Option<f64>,
    mean: f64,
    count: f64,
}

impl Scatter {
    /// Takes in one reading; the standard deviation of the readings before it. The reading itself does not count, nor
    /// how far it is from the last one: that is what it is held against.
    pub fn see(&mut self, value: f64) -> f64 {
        let before = self.mean / DIFFERENCE;
        if !value.is_finite() || self.last == Some(value) {
            return before;
        }
        if let Some(last) = self.last.replace(value) {
            self.count = (self.count + 1.0).min(READINGS);
            self.mean += ((value - last).abs() - self.mean) / self.count;
        }
        before
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn deviation_of_known_noise() {
        let mut scatter = Scatter::default();
        // Evenly spread over 0 to 1 by the golden ratio, which leaves no order from one to the next but this one: its
        // mean difference is known, 2 f (1 - f) with f = 0.618.
        let f = 0.618_033_988_749_895;
        let told = (0..400).map(|n| scatter.see((f64::from(n) * f).fract())).last().unwrap();
        assert!((told - 2.0 * f * (1.0 - f) / DIFFERENCE).abs() < 0.02, "{told}");
        let repeated = (0..9).map(|_| scatter.see(3.0)).last().unwrap();
        assert_eq!(scatter.see(f64::NAN), repeated);
        let still = (0..400).map(|n| scatter.see(3.0 + 0.001 * f64::from(n % 2))).last().unwrap();
        assert!(still < 0.01, "{still}");
    }
}
