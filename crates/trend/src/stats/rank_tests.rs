//! Mann-Whitney test: does one sample lie higher than the other?
//!
//! Mann and Whitney, Ann. Math. Statist. 18, 50-60 (1947); Hollander and Wolfe, Nonparametric Statistical Methods (1973).

use super::dist::normal_two_sided;
use super::order::{all_finite, ranks, tie_sizes};

/// Result of the test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MannWhitney {
    /// Pairs (x, y) with x above y, ties counting one half.
    pub u: f64,
    /// Two-sided p value.
    pub p: f64,
    /// Where p comes from.
    pub from: Distribution,
}

/// What a p value was taken from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Distribution {
    /// All orders of the values, counted.
    Exact,
    /// The normal approximation with ties and the continuity correction.
    Normal,
}

/// Largest product of the two counts for which the exact distribution is counted.
pub const EXACT_UP_TO: usize = 2_500;

/// The test, two-sided, values being independent. p is exact where there are no ties and the counts multiply to at
/// most [`EXACT_UP_TO`], else from the normal approximation corrected for ties and for continuity.
///
/// `None`: a sample is empty, or a value is not finite.
///
/// ```
/// use foldwatch_trend::stats::rank_tests::mann_whitney;
/// // The example in scipy's documentation of mannwhitneyu.
/// let test = mann_whitney(&[19., 22., 16., 29., 24.], &[20., 11., 17., 12.]).unwrap();
/// assert_eq!(test.u, 17.0);
/// assert!((test.p - 0.111111).abs() < 1e-6);
/// ```
pub fn mann_whitney(x: &[f64], y: &[f64]) -> Option<MannWhitney> {
    let (u, ties) = u_statistic(x, y)?;
    if ties.is_empty() && x.len().saturating_mul(y.len()) <= EXACT_UP_TO {
        let p = 2.0 * exact_upper_tail(x.len(), y.len(), u.max((x.len() * y.len()) as f64 - u));
        return Some(MannWhitney { u, p: p.min(1.0), from: Distribution::Exact });
    }
    normal(x, y, 1.0)
}

/// The normal approximation with the variance of U multiplied by a correction for serial correlation.
///
/// `None` as for [`mann_whitney`], or where the factor is not positive.
pub fn normal(x: &[f64], y: &[f64], variance_factor: f64) -> Option<MannWhitney> {
    if variance_factor.is_nan() || variance_factor <= 0.0 {
        return None;
    }
    let (u, ties) = u_statistic(x, y)?;
    let half = (x.len() * y.len()) as f64 / 2.0;
    let sd = (variance_of_u(x.len(), y.len(), &ties) * variance_factor).sqrt();
    let z = if sd > 0.0 { ((u - half).abs() - 0.5).max(0.0) / sd } else { 0.0 };
    Some(MannWhitney { u, p: normal_two_sided(z), from: Distribution::Normal })
}

fn u_statistic(x: &[f64], y: &[f64]) -> Option<(f64, Vec<usize>)> {
    if x.is_empty() || y.is_empty() || !all_finite(x) || !all_finite(y) {
        return None;
    }
    let mut both = [x, y].concat();
    let rank_sum: f64 = ranks(&both)[..x.len()].iter().sum();
    let n = x.len() as f64;
    Some((rank_sum - n * (n + 1.0) / 2.0, tie_sizes(&mut both)))
}

/// Variance of U where the samples do not differ, ties taken into account.
pub(crate) fn variance_of_u(nx: usize, ny: usize, ties: &[usize]) -> f64 {
    let n = (nx + ny) as f64;
    let tied: f64 = ties.iter().map(|t| (*t as f64).powi(3) - *t as f64).sum();
    (nx * ny) as f64 / 12.0 * (n + 1.0 - tied / (n * (n - 1.0)).max(1.0))
}

/// P(U >= u) for samples of these sizes without ties.
pub fn exact_upper_tail(nx: usize, ny: usize, u: f64) -> f64 {
    chances(nx, ny).iter().enumerate().filter(|(k, _)| *k as f64 >= u).map(|(_, c)| c).sum()
}

/// chance[u]: probability of each value of U, from 0 to nx * ny.
///
/// U is a sum over x of how many y lie below, so its generating function is a Gaussian binomial coefficient: it is
/// built as the product over i of (1 - q^(ny + i)) / (1 - q^i), each factor scaled to stay a probability.
pub(crate) fn chances(nx: usize, ny: usize) -> Vec<f64> {
    let top = nx * ny;
    let mut chance = vec![0.0; top + 1];
    chance[0] = 1.0;
    for i in 1..=nx {
        for u in (ny + i..=top).rev() {
            chance[u] -= chance[u - ny - i];
        }
        for u in i..=top {
            chance[u] += chance[u - i];
        }
        let scale = i as f64 / (ny + i) as f64;
        chance.iter_mut().for_each(|c| *c *= scale);
    }
    chance
}

#[cfg(test)]
mod tests {
    use super::*;

    const X: [f64; 10] = [0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46];
    const Y: [f64; 5] = [1.15, 0.88, 0.90, 0.74, 1.21];

    /// Hollander and Wolfe (1973), p. 69: printed one-sided 0.1272; more digits by scipy 1.17.1.
    #[test]
    fn hollander_and_wolfe() {
        let test = mann_whitney(&X, &Y).unwrap();
        assert_eq!((test.u, test.from), (35.0, Distribution::Exact));
        assert!((test.p - 0.254_412_254_412_254_4).abs() < 1e-12);
        assert!((exact_upper_tail(10, 5, 35.0) - 0.1272).abs() < 5e-5);
        assert!((normal(&X, &Y, 1.0).unwrap().p - 0.244_623_605_126_983_33).abs() < 1e-9);
    }

    /// Made here, with ties; scipy 1.17.1.
    #[test]
    fn ties() {
        let test = mann_whitney(&[1.2, 1.3, 1.3, 1.4, 1.5], &[1.3, 1.4, 1.4, 1.6, 1.7, 1.7]).unwrap();
        assert_eq!((test.u, test.from), (6.0, Distribution::Normal));
        assert!((test.p - 0.113_049_978_856_313_3).abs() < 1e-9);
    }

    #[test]
    fn chances_add_up_and_are_symmetric() {
        for (nx, ny) in [(1, 1), (3, 7), (50, 50), (2, 1_000), (25, 100)] {
            let chance = chances(nx, ny);
            assert!((chance.iter().sum::<f64>() - 1.0).abs() < 1e-9, "{nx} {ny}");
            let mirrored = chance.iter().rev();
            assert!(
                chance.iter().zip(mirrored).all(|(a, b)| (a - b).abs() < 1e-9 && *a > -1e-12),
                "{nx} {ny}"
            );
        }
    }

    #[test]
    fn nothing_to_test() {
        assert_eq!(mann_whitney(&[], &[1.0]), None);
        assert_eq!(mann_whitney(&[f64::INFINITY], &[1.0]), None);
        assert_eq!(mann_whitney(&[1.0; 4], &[1.0; 5]).unwrap().p, 1.0);
    }
}
