//! Welch's t: two means with their own variances.
//!
//! Welch, Biometrika 34, 28-35 (1947); NIST/SEMATECH e-Handbook, section 1.3.5.3.

use super::dist::student_upper;

/// Count, mean and standard deviation (divisor n - 1) of a sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Summary {
    /// How many.
    pub n: usize,
    /// Their mean.
    pub mean: f64,
    /// Their standard deviation.
    pub sd: f64,
}

impl Summary {
    /// Of some values. `None`: fewer than two.
    pub fn of(values: &[f64]) -> Option<Self> {
        if values.len() < 2 {
            return None;
        }
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        let squares: f64 = values.iter().map(|v| (v - mean) * (v - mean)).sum();
        Some(Summary { n: values.len(), mean, sd: (squares / (values.len() - 1) as f64).sqrt() })
    }
}

/// Result of the test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Welch {
    /// Difference of the means over its standard error.
    pub t: f64,
    /// Degrees of freedom.
    pub df: f64,
    /// Two-sided p value.
    pub p: f64,
}

/// Tests whether two means differ. `None`: neither sample varies, or one has fewer than two values.
///
/// ```
/// use foldwatch_trend::stats::welch::{welch, Summary};
/// // NIST e-Handbook 1.3.5.3: fuel economy of two groups of cars.
/// let a = Summary { n: 249, mean: 20.14458, sd: 6.41470 };
/// let b = Summary { n: 79, mean: 30.48101, sd: 6.10771 };
/// assert!((welch(a, b).unwrap().t + 12.94627).abs() < 5e-6);
/// ```
pub fn welch(a: Summary, b: Summary) -> Option<Welch> {
    if a.n < 2 || b.n < 2 {
        return None;
    }
    let (na, nb) = (a.n as f64, b.n as f64);
    let (va, vb) = (a.sd * a.sd / na, b.sd * b.sd / nb);
    let variance = va + vb;
    if variance.is_nan() || variance <= 0.0 {
        return None;
    }
    let t = (a.mean - b.mean) / variance.sqrt();
    let df = variance * variance / (va * va / (na - 1.0) + vb * vb / (nb - 1.0));
    Some(Welch { t, df, p: (2.0 * student_upper(t.abs(), df)).min(1.0) })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Made here; scipy 1.17.1.
    #[test]
    fn small_samples() {
        let x = Summary::of(&[1.2, 1.3, 1.3, 1.4, 1.5]).unwrap();
        let y = Summary::of(&[1.3, 1.4, 1.4, 1.6, 1.7, 1.7]).unwrap();
        let test = welch(x, y).unwrap();
        assert!((test.t + 2.033_953_3).abs() < 5e-8);
        assert!((test.df - 8.650_898_8).abs() < 5e-8);
        assert!((test.p - 0.073_733_4).abs() < 5e-8);
    }

    #[test]
    fn nist_fuel_economy() {
        let test = welch(
            Summary { n: 249, mean: 20.14458, sd: 6.41470 },
            Summary { n: 79, mean: 30.48101, sd: 6.10771 },
        );
        let test = test.unwrap();
        assert!((test.df - 136.8750).abs() < 5e-5);
        assert!((test.p / 1.5709e-25 - 1.0).abs() < 1e-3, "{}", test.p);
    }
}
