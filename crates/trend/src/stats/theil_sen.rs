//! Theil-Sen line: the median of all pairwise slopes.
//!
//! Theil, Proc. Kon. Ned. Akad. Wetensch. A 53 (1950); Sen, J. Amer. Statist. Assoc. 63, 1379-1389 (1968). Up to 29 %
//! of the points may be rubbish without the slope following them.

use super::dist::normal_quantile;
use super::order::{all_finite, median, nth, tie_sizes};

/// A straight line with an interval for its slope.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TheilSen {
    /// Median of the slopes of all pairs whose x differ.
    pub slope: f64,
    /// median(y) - slope * median(x): the line goes through the two medians.
    pub intercept: f64,
    /// Lower end of the slope's interval.
    pub low: f64,
    /// Upper end of the slope's interval.
    pub high: f64,
}

/// Fits the line to points `(x[i], y[i])`.
///
/// The interval holds the slope with probability `confidence` where the errors are independent. It is Sen's: the
/// order statistics of the pairwise slopes at (N ± z sigma) / 2, sigma being the standard deviation of Kendall's S
/// with ties in x and in y taken into account.
///
/// `None`: lengths differ, fewer than two different x, a number that is not finite, or a confidence outside 0..1.
///
/// ```
/// use foldwatch_trend::stats::theil_sen::theil_sen;
/// // Helsel and Hirsch, Statistical Methods in Water Resources, section 10.1: one wild point of seven.
/// let line = theil_sen(&[1., 2., 3., 4., 5., 6., 7.], &[1., 2., 3., 4., 5., 16., 7.], 0.95).unwrap();
/// assert_eq!((line.slope, line.intercept), (1.0, 0.0));
/// ```
pub fn theil_sen(x: &[f64], y: &[f64], confidence: f64) -> Option<TheilSen> {
    if !(confidence > 0.0 && confidence < 1.0) {
        return None;
    }
    let mut slopes = pairwise_slopes(x, y)?;
    let slope = median(&mut slopes)?;
    let n = y.len() as f64;
    let cubic = |n: f64| n * (n - 1.0) * (2.0 * n + 5.0);
    let ties = |values: &[f64]| -> f64 {
        tie_sizes(&mut values.to_vec()).iter().map(|size| cubic(*size as f64)).sum()
    };
    let variance = (cubic(n) - ties(x) - ties(y)) / 18.0;
    let reach = normal_quantile(0.5 + confidence / 2.0) * variance.max(0.0).sqrt();
    let count = slopes.len() as f64;
    // Rounding half to even and the clamping are those of scipy.stats.theilslopes, so that the two can be compared.
    let last = slopes.len() - 1;
    let low = (((count - reach) / 2.0).round_ties_even() - 1.0).clamp(0.0, last as f64) as usize;
    let high = ((count + reach) / 2.0).round_ties_even().clamp(0.0, last as f64) as usize;
    Some(TheilSen {
        slope,
        intercept: median(&mut y.to_vec())? - slope * median(&mut x.to_vec())?,
        low: nth(&mut slopes, low)?,
        high: nth(&mut slopes, high)?,
    })
}

/// The slope alone, for where the interval comes from elsewhere. `None` as for [`theil_sen`].
pub fn slope(x: &[f64], y: &[f64]) -> Option<f64> {
    median(&mut pairwise_slopes(x, y)?)
}

fn pairwise_slopes(x: &[f64], y: &[f64]) -> Option<Vec<f64>> {
    if x.len() != y.len() || !all_finite(x) || !all_finite(y) {
        return None;
    }
    let mut slopes = Vec::with_capacity(x.len() * x.len().saturating_sub(1) / 2);
    for (i, (xi, yi)) in x.iter().zip(y).enumerate() {
        for (xj, yj) in x[..i].iter().zip(&y[..i]) {
            if xi != xj {
                slopes.push((yi - yj) / (xi - xj));
            }
        }
    }
    (!slopes.is_empty()).then_some(slopes)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn counted(y: &[f64]) -> TheilSen {
        let x: Vec<f64> = (0..y.len()).map(|i| i as f64).collect();
        theil_sen(&x, y, 0.95).unwrap()
    }

    /// US EPA QA/G-9S (2006), p. 109; limits by scipy 1.17.1.
    #[test]
    fn epa_example() {
        let line = counted(&[10., 10., 10., 5., 10., 20., 18., 17., 15., 24., 15.]);
        assert_eq!((line.slope, line.intercept, line.low, line.high), (1.0, 10.0, 0.0, 2.0));
    }

    /// Made here; values by scipy 1.17.1.
    #[test]
    fn tied_case() {
        let line = counted(&[1., 2., 4., 4., 4., 5., 3., 6., 7., 7.]);
        assert_eq!((line.slope, line.intercept, line.low, line.high), (0.625, 1.1875, 0.4, 0.75));
    }

    #[test]
    fn what_cannot_be_fitted() {
        assert_eq!(theil_sen(&[1.0, 1.0], &[1.0, 2.0], 0.95), None);
        assert_eq!(theil_sen(&[1.0, 2.0], &[1.0, f64::NAN], 0.95), None);
        assert_eq!(theil_sen(&[1.0, 2.0], &[1.0], 0.95), None);
        assert_eq!(theil_sen(&[1.0, 2.0], &[1.0, 2.0], 1.0), None);
        assert_eq!(theil_sen(&[], &[], 0.95), None);
    }
}
