//! Mann-Kendall test for a steady rise or fall.
//!
//! Mann, Econometrica 13, 245-259 (1945); Kendall, Rank Correlation Methods (1975). Corrections of the variance for
//! serial correlation: Hamed and Rao, J. Hydrology 204, 182-196 (1998); Yue and Wang, Water Resources Management 18,
//! 201-218 (2004).

use super::dist::{normal_quantile, normal_two_sided};
use super::order::{all_finite, ranks, tie_sizes};
use super::theil_sen;

/// Result of the test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MannKendall {
    /// Pairs that rise less pairs that fall.
    pub s: i64,
    /// Variance of S where there is no trend: with ties, times the correction for serial correlation if one was used.
    pub variance: f64,
    /// S less the continuity correction of 1, in standard deviations.
    pub z: f64,
    /// Two-sided p value.
    pub p: f64,
    /// S over the number of pairs (tau-a).
    pub tau: f64,
}

/// Largest count for which [`mann_kendall`] takes p from the exact distribution, ties being absent.
pub const EXACT_UP_TO: usize = 10;

/// The test on values in order of time, taken as independent. p is exact for up to [`EXACT_UP_TO`] values without
/// ties, else from the normal approximation.
///
/// `None`: fewer than 3 values, or one that is not finite.
///
/// ```
/// use foldwatch_trend::stats::mann_kendall::mann_kendall;
/// // US EPA QA/G-9S, Data Quality Assessment: Statistical Methods for Practitioners (2006), p. 109.
/// let test = mann_kendall(&[10., 10., 10., 5., 10., 20., 18., 17., 15., 24., 15.]).unwrap();
/// assert_eq!(test.s, 22);
/// assert!((test.z - 1.685).abs() < 5e-4);
/// ```
pub fn mann_kendall(y: &[f64]) -> Option<MannKendall> {
    let mut test = corrected(y, 1.0)?;
    let tied = !tie_sizes(&mut y.to_vec()).is_empty();
    if y.len() <= EXACT_UP_TO && !tied {
        test.p = (2.0 * exact_upper_tail(y.len(), test.s.abs())).min(1.0);
    }
    Some(test)
}

/// The test with the variance of S multiplied by a correction for serial correlation that was found elsewhere.
///
/// `None` as for [`mann_kendall`], or where the factor is not positive.
pub fn corrected(y: &[f64], variance_factor: f64) -> Option<MannKendall> {
    let n = y.len();
    if n < 3 || !all_finite(y) || variance_factor.is_nan() || variance_factor <= 0.0 {
        return None;
    }
    let mut s = 0i64;
    for (i, later) in y.iter().enumerate() {
        for earlier in &y[..i] {
            s += i64::from(later > earlier) - i64::from(later < earlier);
        }
    }
    let cubic = |n: f64| n * (n - 1.0) * (2.0 * n + 5.0);
    let ties: f64 = tie_sizes(&mut y.to_vec()).iter().map(|size| cubic(*size as f64)).sum();
    let variance = (cubic(n as f64) - ties) / 18.0 * variance_factor;
    let z = if variance > 0.0 { (s - s.signum()) as f64 / variance.sqrt() } else { 0.0 };
    let pairs = (n * (n - 1) / 2) as f64;
    Some(MannKendall { s, variance, z, p: normal_two_sided(z), tau: s as f64 / pairs })
}

/// P(S >= s) for n values without ties and without trend, by counting permutations by their inversions.
///
/// ```
/// use foldwatch_trend::stats::mann_kendall::exact_upper_tail;
/// assert!((exact_upper_tail(10, 21) - 0.03628).abs() < 5e-6);
/// ```
pub fn exact_upper_tail(n: usize, s: i64) -> f64 {
    let pairs = n * n.saturating_sub(1) / 2;
    // chance[k]: probability of k inversions among the values placed so far; the next one adds 0..size evenly.
    let mut chance = vec![1.0];
    for size in 2..=n {
        let mut next = vec![0.0; chance.len() + size - 1];
        for (k, c) in chance.iter().enumerate() {
            next[k..k + size].iter_mut().for_each(|slot| *slot += c / size as f64);
        }
        chance = next;
    }
    chance.iter().enumerate().filter(|(k, _)| pairs as i64 - 2 * *k as i64 >= s).map(|(_, c)| c).sum()
}

/// Hamed and Rao: the variance of S corrected by the autocorrelation of the ranks of the detrended values, using the
/// lags (up to `max_lag`, all where `None`) that differ from 0 at the level `alpha`.
///
/// `None` as for [`mann_kendall`].
pub fn hamed_rao(y: &[f64], max_lag: Option<usize>, alpha: f64) -> Option<MannKendall> {
    let n = y.len() as f64;
    let r = autocorrelation(&ranks(&detrended(y)?), lags(y, max_lag));
    let bound = normal_quantile(1.0 - alpha / 2.0) / n.sqrt();
    let sum: f64 = (1..)
        .zip(&r)
        .filter(|(_, r)| r.abs() > bound)
        .map(|(lag, r)| {
            let m = n - f64::from(lag);
            m * (m - 1.0) * (m - 2.0) * r
        })
        .sum();
    corrected(y, 1.0 + 2.0 * sum / (n * (n - 1.0) * (n - 2.0)))
}

/// Yue and Wang: the variance of S corrected by the effective sample size, from the autocorrelation of the detrended
/// values at lags up to `max_lag` (the published rule: 1).
///
/// `None` as for [`mann_kendall`].
pub fn yue_wang(y: &[f64], max_lag: Option<usize>) -> Option<MannKendall> {
    let n = y.len() as f64;
    let r = autocorrelation(&detrended(y)?, lags(y, max_lag));
    let sum: f64 = (1..).zip(&r).map(|(lag, r)| (1.0 - f64::from(lag) / n) * r).sum();
    corrected(y, 1.0 + 2.0 * sum)
}

fn lags(y: &[f64], max_lag: Option<usize>) -> usize {
    let most = y.len().saturating_sub(1);
    max_lag.unwrap_or(most).min(most)
}

fn detrended(y: &[f64]) -> Option<Vec<f64>> {
    let x: Vec<f64> = (0..y.len()).map(|i| i as f64).collect();
    let slope = theil_sen::slope(&x, y)?;
    Some(x.iter().zip(y).map(|(x, y)| y - slope * x).collect())
}

/// Autocorrelation at lags 1..=max_lag, each sum divided by n (not by the number of its terms).
pub fn autocorrelation(values: &[f64], max_lag: usize) -> Vec<f64> {
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    let centred: Vec<f64> = values.iter().map(|v| v - mean).collect();
    let power: f64 = centred.iter().map(|v| v * v).sum();
    (1..=max_lag)
        .map(|lag| {
            let shifted = centred.get(lag..).unwrap_or_default();
            let product: f64 = centred.iter().zip(shifted).map(|(a, b)| a * b).sum();
            if power > 0.0 { product / power } else { 0.0 }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(found: f64, expected: f64, relative: f64) {
        assert!((found - expected).abs() <= relative * expected.abs(), "{found} is not {expected}");
    }

    /// EPA QA/G-9S (2006), p. 109: ties of 4 and 2; p by pymannkendall 1.4.3.
    #[test]
    fn epa_example() {
        let test = mann_kendall(&[10., 10., 10., 5., 10., 20., 18., 17., 15., 24., 15.]).unwrap();
        assert_eq!(test.s, 22);
        near(test.variance, 155.333_333_333_333_34, 1e-12);
        near(test.z, 1.684_949_789_753_812_2, 1e-12);
        near(test.p, 0.091_998_259_206_054_87, 1e-9);
        near(test.tau, 0.4, 1e-12);
    }

    /// Made here; pymannkendall 1.4.3.
    #[test]
    fn tied_case() {
        let test = mann_kendall(&[1., 2., 4., 4., 4., 5., 3., 6., 7., 7.]).unwrap();
        assert_eq!(test.s, 33);
        near(test.variance, 120.333_333_333, 1e-9);
        near(test.z, 2.917_138, 5e-7);
        near(test.p, 0.003_532_59, 5e-6);
    }

    /// Helsel and Hirsch (2002), section 10.1; exact and normal p by scipy 1.17.1 and pymannkendall 1.4.3.
    #[test]
    fn one_wild_point() {
        let y = [1., 2., 3., 4., 5., 16., 7.];
        let exact = mann_kendall(&y).unwrap();
        assert_eq!(exact.s, 19);
        near(exact.p, 0.002_777_777_777_8, 1e-9);
        near(corrected(&y, 1.0).unwrap().p, 0.006_863_79, 1e-6);
    }

    /// Gilbert, Statistical Methods for Environmental Pollution Monitoring (1987), table A18 (from memory); the
    /// numbers by an exact count of permutations.
    #[test]
    fn exact_tails() {
        for (n, s, p) in [
            (4, 4, 0.16667),
            (4, 6, 0.04167),
            (5, 6, 0.11667),
            (5, 8, 0.04167),
            (5, 10, 0.00833),
            (6, 11, 0.02778),
            (6, 13, 0.00833),
            (7, 13, 0.03452),
            (8, 16, 0.03051),
            (9, 18, 0.03759),
            (10, 21, 0.03628),
            (10, 25, 0.01430),
        ] {
            assert!((exact_upper_tail(n, s) - p).abs() < 5e-6, "n {n}, s {s}");
        }
    }

    /// A series with autocorrelation 0.6, made here; expected values by pymannkendall 1.4.3.
    #[test]
    fn serial_correlation_as_pymannkendall() {
        let y = [
            10.0, 10.35, 10.01, 9.2, 9.18, 8.64, 9.4, 11.15, 10.39, 9.82, 10.61, 10.97, 10.96, 9.94, 10.24,
            11.17, 9.71, 9.74, 8.33, 8.12, 7.46, 8.69, 8.42, 9.81, 10.55, 10.68, 8.44, 9.09, 10.0, 10.72,
            9.53, 9.89, 9.63, 9.66, 11.57, 10.86, 11.23, 12.4, 11.64, 11.68,
        ];
        let plain = mann_kendall(&y).unwrap();
        assert_eq!(plain.s, 145);
        near(plain.variance, 7_365.666_666_666_667, 1e-12);
        for (test, variance, z, p) in [
            (
                hamed_rao(&y, None, 0.05),
                14_969.525_588_649_156,
                1.176_951_247_603_612_8,
                0.239_214_965_593_399_05,
            ),
            (
                hamed_rao(&y, Some(3), 0.05),
                14_969.525_588_649_156,
                1.176_951_247_603_612_8,
                0.239_214_965_593_399,
            ),
            (yue_wang(&y, None), 5_343.295_734_442_348_5, 1.969_962_169_803_047_8, 0.048_842_706_349_247_145),
            (yue_wang(&y, Some(3)), 23_539.748_997_428_22, 0.938_558_999_303_975_3, 0.347_958_4),
        ] {
            let test = test.unwrap();
            near(test.variance, variance, 1e-9);
            near(test.z, z, 1e-9);
            near(test.p, p, 1e-4);
        }
    }

    #[test]
    fn nothing_to_test() {
        assert_eq!(mann_kendall(&[1.0, 2.0]), None);
        assert_eq!(mann_kendall(&[1.0, 2.0, f64::NAN]), None);
        let flat = mann_kendall(&[1.0; 12]).unwrap();
        assert_eq!((flat.s, flat.z, flat.p), (0, 0.0, 1.0));
    }
}
