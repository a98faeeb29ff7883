//! Intervals for shares and rates.

use serde::Serialize;
use statrs::distribution::{ChiSquared, ContinuousCDF};

/// So many of so many, with an interval of 95 %.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct Share {
    /// Hits.
    pub hits: u64,
    /// Of.
    pub of: u64,
}

/// Two-sided 95 % of the normal distribution.
const Z: f64 = 1.959_964;

impl Share {
    /// Counts one.
    pub fn add(&mut self, hit: bool) {
        self.of += 1;
        self.hits += u64::from(hit);
    }

    /// The share itself; `None` of nothing.
    pub fn value(self) -> Option<f64> {
        (self.of > 0).then(|| self.hits as f64 / self.of as f64)
    }

    /// Wilson's score interval (Wilson 1927); everything is possible where nothing was counted.
    ///
    /// ```
    /// use foldwatch_scorecard::Share;
    /// let (low, high) = Share { hits: 10, of: 10 }.interval();
    /// assert!((low - 0.7225).abs() < 1e-4 && (high - 1.0).abs() < 1e-9);
    /// ```
    pub fn interval(self) -> (f64, f64) {
        let Some(p) = self.value() else { return (0.0, 1.0) };
        let n = self.of as f64;
        let middle = p + Z * Z / (2.0 * n);
        let half = Z * (p * (1.0 - p) / n + Z * Z / (4.0 * n * n)).sqrt();
        let scale = 1.0 + Z * Z / n;
        (((middle - half) / scale).max(0.0), ((middle + half) / scale).min(1.0))
    }
}

/// The exact interval of 95 % for a count of rare events (Garwood 1936).
pub fn counted(events: u64) -> (f64, f64) {
    let quantile = |share: f64, freedom: f64| {
        ChiSquared::new(freedom).map_or(f64::NAN, |chi| chi.inverse_cdf(share) / 2.0)
    };
    let n = events as f64;
    let low = if events == 0 { 0.0 } else { quantile(0.025, 2.0 * n) };
    (low, quantile(0.975, 2.0 * (n + 1.0)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Garwood 1936, table: 0 events 0 to 3.69, 10 events 4.80 to 18.39.
    #[test]
    fn rare_events() {
        let (low, high) = counted(0);
        assert!(low == 0.0 && (high - 3.689).abs() < 2e-3, "{high}");
        let (low, high) = counted(10);
        assert!((low - 4.795).abs() < 5e-3 && (high - 18.391).abs() < 5e-3, "{low} {high}");
    }

    #[test]
    fn of_nothing_everything_is_possible() {
        assert_eq!(Share::default().interval(), (0.0, 1.0));
        let half = Share { hits: 50, of: 100 }.interval();
        assert!((half.0 - 0.4038).abs() < 1e-3 && (half.1 - 0.5962).abs() < 1e-3, "{half:?}");
    }
}
