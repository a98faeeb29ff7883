//! Least squares where neighbouring errors are alike: what the weather leaves behind lasts for days.
//!
//! The errors are taken as two parts: one independent from value to value, one that fades with time,
//! correlation exp(-dt / tau). Which share of the variance is of the second kind, and how long it lasts, is not known;
//! so the fit is made for a grid of both, each is weighted with its restricted likelihood (Patterson and Thompson,
//! Biometrika 58, 545-554 (1971); Harville, Biometrika 61, 383-385 (1974)) times a prior, and the answers are averaged.
//! One fit takes time proportional to the count: a scalar Kalman filter turns the correlated values into independent
//! ones (Harvey, Forecasting, Structural Time Series Models and the Kalman Filter (1989), chapter 3).

use super::dist::student_cdf;
use super::order::all_finite;

/// Shares of the variance that last, with prior weights. Judgement: most of what is left after correction is
/// independent; a third of it lasting would be much, all of it would be odd.
const SHARES: [(f64, f64); 8] =
    [(0.0, 1.5), (0.05, 1.0), (0.1, 1.5), (0.2, 2.5), (0.35, 2.5), (0.55, 1.5), (0.75, 0.75), (0.95, 0.25)];

/// Lasting times in days, with prior weights. Judgement: from a few hours (a warm garage) to weeks (a season's turn).
const DAYS: [(f64, f64); 7] =
    [(0.25, 0.7), (0.5, 0.7), (1.0, 1.0), (2.0, 1.2), (4.0, 1.2), (8.0, 1.2), (20.0, 0.6)];

/// Candidates that weigh less than this part of the best one are left out of the answers.
const NEGLIGIBLE: f64 = 2e-3;

/// The coefficients of `P` regressors: a mixture of Student distributions, one for each candidate of the grid.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit<const P: usize> {
    parts: Vec<Part<P>>,
    independent: Part<P>,
    /// Degrees of freedom of each part: count - P.
    pub df: f64,
    /// Standard deviation of one value about the fit.
    pub sd: f64,
    /// What the errors of many values add up to: the variance of their mean tends to this squared over the count.
    pub long_run_sd: f64,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Part<const P: usize> {
    weight: f64,
    beta: [f64; P],
    covariance: [[f64; P]; P],
}

impl<const P: usize> Part<P> {
    /// Best value and standard error of a combination of the coefficients.
    fn combine(&self, by: &[f64; P]) -> (f64, f64) {
        let mut value = 0.0;
        let mut variance = 0.0;
        for (p, row) in self.covariance.iter().enumerate() {
            value += by[p] * self.beta[p];
            variance += by[p] * row.iter().zip(by).map(|(c, b)| c * b).sum::<f64>();
        }
        (value, variance.max(0.0).sqrt())
    }
}

impl<const P: usize> Fit<P> {
    /// The best value of the combination `by . beta` of the coefficients.
    pub fn value(&self, by: [f64; P]) -> f64 {
        self.parts.iter().map(|part| part.weight * part.combine(&by).0).sum()
    }

    /// Standard uncertainty of the combination.
    pub fn u(&self, by: [f64; P]) -> f64 {
        let mean = self.value(by);
        let square = |part: &Part<P>| {
            let (value, u) = part.combine(&by);
            u * u + (value - mean) * (value - mean)
        };
        self.parts.iter().map(|part| part.weight * square(part)).sum::<f64>().sqrt()
    }

    /// Standard uncertainty of the combination had the errors been independent.
    pub fn independent_u(&self, by: [f64; P]) -> f64 {
        self.independent.combine(&by).1
    }

    /// The fit where one coefficient is known beforehand to scatter about 0 with standard deviation `sd`, and how much
    /// better that explains the values than the coefficient being 0 exactly (Bayes factor, by the density ratio at 0:
    /// Dickey, Ann. Math. Statist. 42, 204-223 (1971)).
    pub fn with_prior(&self, index: usize, sd: f64) -> (Self, f64) {
        let mut fit = self.clone();
        let density = |x: f64, variance: f64| (-0.5 * x * x / variance).exp() / variance.sqrt();
        let mut total = 0.0;
        let mut at_zero = 0.0;
        for part in &mut fit.parts {
            let (value, variance) = (part.beta[index], part.covariance[index][index]);
            let spread = (variance + sd * sd).max(f64::MIN_POSITIVE);
            let column = part.covariance.map(|row| row[index]);
            for (p, gain) in column.map(|c| c / spread).into_iter().enumerate() {
                part.beta[p] -= gain * value;
                part.covariance[p].iter_mut().zip(column).for_each(|(c, k)| *c -= gain * k);
            }
            part.weight *= density(value, spread);
            total += part.weight;
            at_zero +=
                part.weight * density(part.beta[index], part.covariance[index][index].max(f64::MIN_POSITIVE));
        }
        if total.is_nan() || total <= 0.0 {
            // So far from 0 that no density is left to weigh by: the prior then changes nothing.
            return (self.clone(), f64::INFINITY);
        }
        fit.parts.iter_mut().for_each(|part| part.weight /= total);
        (fit, density(0.0, sd * sd) / (at_zero / total))
    }

    /// The fit with a further, independent uncertainty of the coefficients.
    pub fn widened(mut self, by: [[f64; P]; P]) -> Self {
        for part in &mut self.parts {
            for (row, extra) in part.covariance.iter_mut().zip(&by) {
                row.iter_mut().zip(extra).for_each(|(c, e)| *c += e);
            }
        }
        self
    }

    /// The probability that the combination is at the most `value`.
    pub fn below(&self, by: [f64; P], value: f64) -> f64 {
        self.below_with(by, value, 0.0)
    }

    /// The same with something of standard uncertainty `more` added to the combination.
    pub fn below_with(&self, by: [f64; P], value: f64, more: f64) -> f64 {
        let part = |part: &Part<P>| {
            let (centre, u) = part.combine(&by);
            let u = u.hypot(more);
            let chance = if u > 0.0 {
                student_cdf((value - centre) / u, self.df)
            } else {
                f64::from(u8::from(value >= centre))
            };
            part.weight * chance
        };
        // The weights add up to 1 but for rounding.
        self.parts.iter().map(part).sum::<f64>().min(1.0)
    }

    /// The value that the combination does not pass with probability `p`, within 0.1 % of its uncertainty.
    pub fn quantile(&self, by: [f64; P], p: f64) -> f64 {
        let (centre, u) = (self.value(by), self.u(by));
        if u.is_nan() || u <= 0.0 {
            return centre;
        }
        // Chebyshev: no distribution reaches further; twice that for Student's tails at few degrees of freedom.
        let reach = 2.0 * u / p.min(1.0 - p).clamp(1e-6, 0.5).sqrt();
        let (mut low, mut high) = (centre - reach, centre + reach);
        // From the widest reach 24 halvings come to 0.1 % of u; counting them ends it, too, where rounding is coarser.
        for _ in 0..24 {
            if high - low <= 1e-3 * u {
                break;
            }
            let middle = 0.5 * (low + high);
            if self.below(by, middle) < p { low = middle } else { high = middle }
        }
        0.5 * (low + high)
    }
}

/// Fits `y` on regressors that belong to moments `days` (any zero, not falling).
///
/// `None`: fewer than P + 2 values, lengths that differ, regressors that depend on each other, or a number that is
/// not finite.
///
/// ```
/// use foldwatch_trend::stats::correlated::fit;
/// let days: Vec<f64> = (0..40).map(f64::from).collect();
/// let rows: Vec<[f64; 2]> = days.iter().map(|d| [1.0, *d]).collect();
/// let y: Vec<f64> = days.iter().map(|d| 3.0 + 0.5 * d + 0.1 * (d * 2.4).sin()).collect();
/// let line = fit(&rows, &days, &y).unwrap();
/// assert!((line.value([0.0, 1.0]) - 0.5).abs() < 0.01);
/// ```
pub fn fit<const P: usize>(rows: &[[f64; P]], days: &[f64], y: &[f64]) -> Option<Fit<P>> {
    let n = y.len();
    if n < P + 2 || rows.len() != n || days.len() != n || !all_finite(y) || !all_finite(days) {
        return None;
    }
    if !rows.iter().all(|row| all_finite(row)) {
        return None;
    }
    let gaps: Vec<f64> = days.windows(2).map(|pair| (pair[1] - pair[0]).max(0.0)).collect();
    let mut candidates = Vec::with_capacity(SHARES.len() * DAYS.len());
    let mut fade = vec![0.0; gaps.len()];
    for (tau, tau_weight) in DAYS {
        fade.iter_mut().zip(&gaps).for_each(|(f, gap)| *f = (-gap / tau).exp());
        for (share, share_weight) in SHARES {
            // Without a lasting part all times are one.
            if share == 0.0 && tau != DAYS[0].0 {
                continue;
            }
            let mut candidate = one(rows, y, &fade, share)?;
            let weight = if share == 0.0 { DAYS.iter().map(|(_, w)| w).sum() } else { tau_weight };
            candidate.log_weight += f64::ln(share_weight * weight);
            candidate.long_run = candidate.variance * (1.0 - share + share * persistence(&fade, n));
            candidates.push(candidate);
        }
    }
    average(&candidates, n)
}

/// Plain least squares: the coefficients and the sum of squared residuals. `None` as for [`fit`].
pub fn least_squares<const P: usize>(rows: &[[f64; P]], y: &[f64]) -> Option<([f64; P], f64)> {
    if y.len() <= P || rows.len() != y.len() {
        return None;
    }
    let plain = one(rows, y, &vec![0.0; y.len() - 1], 0.0)?;
    Some((plain.beta, plain.variance * (y.len() - P) as f64))
}

/// Variance of the mean of n lasting errors, times n: the sum of their correlations with one in the middle, on average.
fn persistence(fade: &[f64], n: usize) -> f64 {
    // sum over pairs of the product of fades between them, by one pass.
    let mut reaching = 0.0;
    let mut pairs = 0.0;
    for f in fade {
        reaching = (reaching + 1.0) * f;
        pairs += reaching;
    }
    1.0 + 2.0 * pairs / n as f64
}

struct Candidate<const P: usize> {
    beta: [f64; P],
    /// Covariance for unit variance of an error.
    unit_covariance: [[f64; P]; P],
    variance: f64,
    log_weight: f64,
    long_run: f64,
}

fn one<const P: usize>(rows: &[[f64; P]], y: &[f64], fade: &[f64], share: f64) -> Option<Candidate<P>> {
    let n = y.len();
    // What the filter expects of the lasting part of each regressor and of y, and its variance.
    let mut expected = [0.0; P];
    let mut expected_y = 0.0;
    let mut spread = share;
    let (mut log_det, mut det) = (0.0, 1.0f64);
    let mut xx = [[0.0; P]; P];
    let mut xy = [0.0; P];
    let mut yy = 0.0;
    let fades = std::iter::once(1.0).chain(fade.iter().copied());
    for ((row, value), f) in rows.iter().zip(y).zip(fades) {
        spread = f * f * spread + (1.0 - f * f) * share;
        let variance = spread + 1.0 - share;
        let gain = spread / variance;
        spread -= gain * spread;
        // Logarithms cost more than all the rest: of a product, before it can get too small for a float.
        det *= variance;
        if !(1e-200..=1e200).contains(&det) {
            log_det += det.ln();
            det = 1.0;
        }
        let news_y = value - f * expected_y;
        expected_y = f * expected_y + gain * news_y;
        let mut news = [0.0; P];
        for p in 0..P {
            news[p] = row[p] - f * expected[p];
            expected[p] = f * expected[p] + gain * news[p];
        }
        for p in 0..P {
            let scaled = news[p] / variance;
            xy[p] += scaled * news_y;
            for q in 0..=p {
                xx[p][q] += scaled * news[q];
            }
        }
        yy += news_y * news_y / variance;
    }
    log_det += det.ln();
    let (inverse, log_det_xx) = inverse_of_symmetric(xx)?;
    let beta = inverse.map(|row| row.iter().zip(&xy).map(|(i, x)| i * x).sum());
    let explained: f64 = beta.iter().zip(&xy).map(|(b, x): (&f64, &f64)| b * x).sum();
    let df = (n - P) as f64;
    // Values that lie on the fit exactly would have no likelihood; rounding is the least spread there can be.
    let variance = ((yy - explained) / df).max(yy * 1e-24).max(f64::MIN_POSITIVE);
    let log_weight = -0.5 * (df * variance.ln() + log_det + log_det_xx);
    Some(Candidate { beta, unit_covariance: inverse, variance, log_weight, long_run: 0.0 })
}

fn average<const P: usize>(candidates: &[Candidate<P>], n: usize) -> Option<Fit<P>> {
    let best = candidates.iter().map(|c| c.log_weight).fold(f64::NEG_INFINITY, f64::max);
    let weight = |c: &Candidate<P>| (c.log_weight - best).exp();
    let kept: Vec<&Candidate<P>> = candidates.iter().filter(|c| weight(c) > NEGLIGIBLE).collect();
    let total: f64 = kept.iter().map(|c| weight(c)).sum();
    let mean = |of: fn(&Candidate<P>) -> f64| kept.iter().map(|c| weight(c) * of(c)).sum::<f64>() / total;
    let part = |c: &Candidate<P>| Part {
        weight: weight(c) / total,
        beta: c.beta,
        covariance: c.unit_covariance.map(|row| row.map(|v| v * c.variance)),
    };
    // The grid begins with the share 0.
    Some(Fit {
        independent: part(candidates.first()?),
        df: (n - P) as f64,
        sd: mean(|c| c.variance).sqrt(),
        long_run_sd: mean(|c| c.long_run).sqrt(),
        parts: kept.into_iter().map(part).collect(),
    })
}

/// Inverse and log determinant of a symmetric positive matrix given by its lower triangle, by Cholesky's method.
fn inverse_of_symmetric<const P: usize>(a: [[f64; P]; P]) -> Option<([[f64; P]; P], f64)> {
    let mut root = [[0.0; P]; P];
    let mut log_det = 0.0;
    for i in 0..P {
        for j in 0..=i {
            let known: f64 = (0..j).map(|k| root[i][k] * root[j][k]).sum();
            let rest = a[i][j] - known;
            if i == j {
                // Less than this of the diagonal left: the regressor is a sum of the others.
                if rest.is_nan() || rest <= 1e-12 * a[i][i] {
                    return None;
                }
                root[i][i] = rest.sqrt();
                log_det += rest.ln();
            } else {
                root[i][j] = rest / root[j][j];
            }
        }
    }
    // Columns of the inverse of the root, then inverse = (root^-1)' root^-1.
    let mut inverse_root = [[0.0; P]; P];
    for j in 0..P {
        inverse_root[j][j] = 1.0 / root[j][j];
        for i in j + 1..P {
            let sum: f64 = (j..i).map(|k| root[i][k] * inverse_root[k][j]).sum();
            inverse_root[i][j] = -sum / root[i][i];
        }
    }
    let mut inverse = [[0.0; P]; P];
    for i in 0..P {
        for j in 0..P {
            inverse[i][j] = (i.max(j)..P).map(|k| inverse_root[k][i] * inverse_root[k][j]).sum();
        }
    }
    Some((inverse, log_det))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// StRD Norris: with independent errors this is plain least squares, whose certified values are known
    /// (NIST Statistical Reference Datasets). The candidate without a lasting part must meet them.
    #[test]
    fn norris_certified() {
        let text = include_str!("../../tests/data/nist_norris.csv");
        let pairs: Vec<(f64, f64)> = text
            .lines()
            .skip(1)
            .map(|l| {
                let (y, x) = l.split_once(',').unwrap();
                (y.trim().parse().unwrap(), x.trim().parse().unwrap())
            })
            .collect();
        let rows: Vec<[f64; 2]> = pairs.iter().map(|(_, x)| [1.0, *x]).collect();
        let y: Vec<f64> = pairs.iter().map(|(y, _)| *y).collect();
        let plain = one(&rows, &y, &vec![0.0; y.len() - 1], 0.0).unwrap();
        let near = |found: f64, certified: f64| {
            assert!((found / certified - 1.0).abs() < 1e-9, "{found}, not {certified}")
        };
        near(plain.beta[0], -0.262_323_073_774_029);
        near(plain.beta[1], 1.002_116_818_020_45);
        near((plain.variance * plain.unit_covariance[0][0]).sqrt(), 0.232_818_234_301_152);
        near((plain.variance * plain.unit_covariance[1][1]).sqrt(), 0.429_796_848_199_937E-03);
        near(plain.variance.sqrt(), 0.884_796_396_144_373);
    }

    /// The filter against the definition: the same fit by writing the whole covariance out and inverting it.
    #[test]
    fn filter_is_generalised_least_squares() {
        let days = [0.0, 0.3, 0.4, 1.5, 4.0, 4.1, 7.0];
        let y = [1.0, 1.4, 0.9, 2.0, 2.5, 2.2, 4.0];
        let (share, tau) = (0.6, 2.0);
        let mut cov = [[0.0; 7]; 7];
        for i in 0..7 {
            for j in 0..7 {
                let lasting = share * (-f64::abs(days[i] - days[j]) / tau).exp();
                cov[i][j] = lasting + if i == j { 1.0 - share } else { 0.0 };
            }
        }
        let (inv, log_det) = inverse_of_symmetric(cov).unwrap();
        let rows: Vec<[f64; 2]> = days.iter().map(|d| [1.0, *d]).collect();
        let mut xx = [[0.0; 2]; 2];
        let mut xy = [0.0; 2];
        for i in 0..7 {
            for j in 0..7 {
                for p in 0..2 {
                    xy[p] += rows[i][p] * inv[i][j] * y[j];
                    for q in 0..2 {
                        xx[p][q] += rows[i][p] * inv[i][j] * rows[j][q];
                    }
                }
            }
        }
        let (direct, log_det_xx) = inverse_of_symmetric(xx).unwrap();
        let fade: Vec<f64> = days.windows(2).map(|d| f64::exp(-(d[1] - d[0]) / tau)).collect();
        let found = one(&rows, &y, &fade, share).unwrap();
        for (p, row) in direct.iter().enumerate() {
            let beta = row[0] * xy[0] + row[1] * xy[1];
            assert!((found.beta[p] - beta).abs() < 1e-12);
            for (entry, expected) in found.unit_covariance[p].iter().zip(row) {
                assert!((entry - expected).abs() < 1e-12);
            }
        }
        let log_weight = -0.5 * (5.0 * found.variance.ln() + log_det + log_det_xx);
        assert!((found.log_weight - log_weight).abs() < 1e-10);
    }

    /// A prior narrower than the data can see makes the coefficient 0; one that is wide leaves it alone.
    #[test]
    fn prior_on_one_coefficient() {
        let days: Vec<f64> = (0..40).map(f64::from).collect();
        let rows: Vec<[f64; 2]> = days.iter().map(|d| [1.0, d - 19.5]).collect();
        let y: Vec<f64> = days.iter().map(|d| 3.0 + 0.05 * d + 0.3 * (d * 2.4).sin()).collect();
        let free = fit(&rows, &days, &y).unwrap();
        let (tight, no_better) = free.with_prior(1, 1e-6);
        let (wide, better) = free.with_prior(1, 0.05);
        assert!(tight.value([0.0, 1.0]).abs() < 1e-5 && (no_better - 1.0).abs() < 1e-3);
        assert!((wide.value([0.0, 1.0]) - free.value([0.0, 1.0])).abs() < 0.005);
        assert!(better > 1e3, "{better}");
        assert!(wide.u([0.0, 1.0]) < free.u([0.0, 1.0]));
    }

    #[test]
    fn what_cannot_be_fitted() {
        let days = [0.0, 1.0, 2.0, 3.0, 4.0];
        let y = [1.0, 2.0, 1.0, 2.0, 1.0];
        assert!(fit(&[[1.0, 1.0]; 5], &days, &y).is_none(), "regressors depend on each other");
        assert!(fit(&[[1.0]; 2], &days[..2], &y[..2]).is_none(), "too few");
        assert!(fit(&[[1.0]; 5], &days, &[1.0, f64::NAN, 1.0, 1.0, 1.0]).is_none());
        let flat = fit(&[[1.0]; 5], &days, &[2.0; 5]).unwrap();
        assert!((flat.value([1.0]) - 2.0).abs() < 1e-9 && flat.sd < 1e-9);
    }
}
