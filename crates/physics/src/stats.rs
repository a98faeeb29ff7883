//! The tails of the distributions used here, on `statrs`, without its errors: what can't be computed is NaN.

use statrs::distribution::{Continuous, ContinuousCDF, Normal, StudentsT};

fn t(df: f64) -> Option<StudentsT> {
    StudentsT::new(0.0, 1.0, df).ok()
}

/// Density of Student's t at its middle.
pub(crate) fn t_density_at_0(df: f64) -> f64 {
    t(df).map_or(f64::NAN, |t| t.pdf(0.0))
}

/// P(T > x) of Student's t; the far tail keeps its relative precision.
pub(crate) fn t_above(x: f64, df: f64) -> f64 {
    // The library's incomplete beta function panics on NaN.
    t(df).filter(|_| !x.is_nan()).map_or(f64::NAN, |t| t.cdf(-x))
}

/// The x with P(T < x) = p of Student's t; with infinite degrees of freedom, of the standard normal.
pub(crate) fn t_quantile(p: f64, df: f64) -> f64 {
    if df == f64::INFINITY && p > 0.0 && p < 1.0 {
        return Normal::standard().inverse_cdf(p);
    }
    t(df).filter(|_| p > 0.0 && p < 1.0).map_or(f64::NAN, |t| t.inverse_cdf(p))
}

/// P(Z > z) of the standard normal.
pub(crate) fn normal_above(z: f64) -> f64 {
    Normal::standard().cdf(-z)
}

/// Median; reorders the slice. NaN for an empty one.
pub(crate) fn median(values: &mut [f64]) -> f64 {
    let n = values.len();
    if n == 0 {
        return f64::NAN;
    }
    let (below, middle, _) = values.select_nth_unstable_by(n / 2, f64::total_cmp);
    if n % 2 == 1 {
        return *middle;
    }
    let lower = below.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    0.5 * (lower + *middle)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two-sided 95 % points of Student's t as printed in JCGM 100, Table G.2.
    #[test]
    fn jcgm_100_table_g2() {
        for (df, t95) in [(1.0, 12.71), (4.0, 2.78), (10.0, 2.23), (50.0, 2.01)] {
            assert!((t_quantile(0.975, df) - t95).abs() < 0.006, "{df}");
            assert!((t_above(t95, df) - 0.025).abs() < 3e-4, "{df}");
        }
        assert!((t_quantile(0.975, f64::INFINITY) - 1.960).abs() < 5e-4);
    }

    #[test]
    fn medians() {
        assert_eq!(median(&mut [3.0, 1.0, 2.0]), 2.0);
        assert_eq!(median(&mut [4.0, 1.0, 2.0, 3.0]), 2.5);
        assert!(median(&mut []).is_nan());
    }
}
