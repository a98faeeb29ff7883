//! Hodges-Lehmann shift: the median of all differences between two samples.
//!
//! Hodges and Lehmann, Ann. Math. Statist. 34, 598-611 (1963); interval: Hollander and Wolfe, Nonparametric
//! Statistical Methods (1973), section 4.3.

use super::dist::normal_quantile;
use super::order::{all_finite, median, nth, tie_sizes};
use super::rank_tests::{EXACT_UP_TO, chances, variance_of_u};

/// How far one sample lies above another.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shift {
    /// Median of the differences.
    pub shift: f64,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end of the interval.
    pub high: f64,
    /// Probability with which the interval holds the shift: exact where the distribution was counted, else as asked.
    pub confidence: f64,
}

/// The shift `to - from` with an interval of at least `confidence` where that can be had, values being independent.
///
/// Its ends are order statistics of the differences: by the exact distribution for small samples without ties, else
/// by the normal approximation, whose variance is multiplied by `variance_factor` (1 for independent values; a factor
/// other than 1 always takes the normal approximation).
///
/// `None`: a sample is empty, a value is not finite, or confidence or factor make no sense.
///
/// ```
/// use foldwatch_trend::stats::hodges_lehmann::shift;
/// let found = shift(&[1.0, 2.0, 3.0], &[4.0, 5.0, 6.5], 0.9, 1.0).unwrap();
/// assert_eq!(found.shift, 3.0);
/// ```
pub fn shift(from: &[f64], to: &[f64], confidence: f64, variance_factor: f64) -> Option<Shift> {
    if from.is_empty() || to.is_empty() || !all_finite(from) || !all_finite(to) {
        return None;
    }
    if !(confidence > 0.0 && confidence < 1.0 && variance_factor > 0.0) {
        return None;
    }
    let mut differences: Vec<f64> = to.iter().flat_map(|t| from.iter().map(move |f| t - f)).collect();
    let ties = tie_sizes(&mut [from, to].concat());
    let tail = (1.0 - confidence) / 2.0;
    let count = differences.len();
    let (outside, confidence) = if ties.is_empty() && count <= EXACT_UP_TO && variance_factor == 1.0 {
        // `outside` differences are left out at each end: P(U < outside) is at most the tail.
        let mut below = 0.0;
        let mut outside = 0;
        for chance in chances(from.len(), to.len()) {
            if below + chance > tail {
                break;
            }
            below += chance;
            outside += 1;
        }
        if outside == 0 {
            // Even the widest interval is not sure enough: the outermost differences, and what they are worth.
            below = chances(from.len(), to.len()).first().copied().unwrap_or(0.5);
        }
        (outside, 1.0 - 2.0 * below)
    } else {
        let sd = (variance_of_u(from.len(), to.len(), &ties) * variance_factor).sqrt();
        let reach = count as f64 / 2.0 - normal_quantile(1.0 - tail) * sd;
        (reach.max(0.0) as usize, confidence)
    };
    let outside = outside.saturating_sub(1).min((count - 1) / 2);
    Some(Shift {
        shift: median(&mut differences)?,
        low: nth(&mut differences, outside)?,
        high: nth(&mut differences, count - 1 - outside)?,
        confidence,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Hollander and Wolfe (1973), p. 69: order statistics 9 and 42 of 50; own count of the coverage.
    #[test]
    fn hollander_and_wolfe() {
        let x = [0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46];
        let y = [1.15, 0.88, 0.90, 0.74, 1.21];
        let found = shift(&y, &x, 0.95, 1.0).unwrap();
        assert!((found.shift - 0.305).abs() < 1e-12);
        assert!((found.low + 0.15).abs() < 1e-12);
        assert!((found.high - 0.76).abs() < 1e-12);
        assert!((found.confidence - 0.960_040).abs() < 5e-7);
    }

    #[test]
    fn tied_shift() {
        let found = shift(&[1.2, 1.3, 1.3, 1.4, 1.5], &[1.3, 1.4, 1.4, 1.6, 1.7, 1.7], 0.95, 1.0).unwrap();
        assert!((found.shift - 0.2).abs() < 1e-12);
    }

    #[test]
    fn correlation_widens() {
        let a: Vec<f64> = (0..30).map(|i| f64::from(i * 37 % 30)).collect();
        let b: Vec<f64> = a.iter().map(|v| v + 4.5).collect();
        let narrow = shift(&a, &b, 0.95, 1.0).unwrap();
        let wide = shift(&a, &b, 0.95, 4.0).unwrap();
        assert!(wide.low < narrow.low && wide.high > narrow.high);
    }

    #[test]
    fn too_few_say_so() {
        let found = shift(&[1.0], &[2.0], 0.95, 1.0).unwrap();
        assert_eq!((found.low, found.high), (1.0, 1.0));
        assert!(found.confidence < 0.95);
    }
}
