//! Where a series changes: several points by penalised least squares, one point by ranks.
//!
//! PELT: Killick, Fearnhead and Eckley, J. Amer. Statist. Assoc. 107, 1590-1598 (2012). It finds the split that makes
//! (sum of the segments' squared residuals) + penalty x (number of changes) smallest, exactly, and drops on the way
//! the split points that can't become best any more. Pettitt test: Appl. Statist. 28, 126-135 (1979).

use super::order::{all_finite, ranks};

/// What a segment is taken to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// A constant level: a change is a step.
    Level,
    /// A straight line over x: a change is a step, a bend or both.
    Line,
}

/// The starts of new segments (indices into `y`, rising, without 0), by least squares with a penalty for each change
/// in the unit of `y` squared. Every segment has at least `min_size` points.
///
/// For levels with independent errors of variance s2, a penalty of 2 to 3 times s2 ln n is usual; serial correlation
/// asks for as many times more as it inflates the variance of a mean.
///
/// `x` gives the places for [`Shape::Line`]; its length must be that of `y`. The result is empty where nothing changes,
/// where the series is shorter than two segments, or where a number is not finite.
///
/// ```
/// use foldwatch_trend::stats::change_points::{pelt, Shape};
/// let y = [1.0, 1.1, 0.9, 1.0, 3.0, 3.1, 2.9, 3.0];
/// let x: Vec<f64> = (0..8).map(f64::from).collect();
/// assert_eq!(pelt(&x, &y, Shape::Level, 2, 0.5), [4]);
/// ```
pub fn pelt(x: &[f64], y: &[f64], shape: Shape, min_size: usize, penalty: f64) -> Vec<usize> {
    let n = y.len();
    let min_size = min_size.max(if shape == Shape::Line { 2 } else { 1 });
    if x.len() != n || n < 2 * min_size || !all_finite(x) || !all_finite(y) || penalty.is_nan() {
        return Vec::new();
    }
    let sums = Sums::new(x, y);
    // best[t]: least cost of y[..t], its last change at from[t].
    let mut best = vec![f64::INFINITY; n + 1];
    let mut from = vec![0; n + 1];
    best[0] = -penalty;
    // Starts that may still become the last change, and the length of series from which on they can't.
    let mut open = vec![(0, usize::MAX)];
    let mut costs: Vec<f64> = Vec::with_capacity(n);
    for t in min_size..=n {
        open.retain(|(_, until)| t < *until);
        let end = sums.0[t];
        costs.clear();
        costs.extend(open.iter().map(|&(s, _)| best[s] + cost(shape, &sums.0[s], &end, (t - s) as f64)));
        for (&(s, _), cost) in open.iter().zip(&costs) {
            if cost + penalty < best[t] {
                best[t] = cost + penalty;
                from[t] = s;
            }
        }
        // A start that is worse than a change at t, even without the penalty, stays worse; but t itself can only be a
        // change once min_size points follow it, and till then the start may still be needed.
        for ((_, until), cost) in open.iter_mut().zip(&costs) {
            if *cost > best[t] {
                *until = (*until).min(t + min_size);
            }
        }
        let joining = t + 1 - min_size;
        if joining >= min_size {
            open.push((joining, usize::MAX));
        }
    }
    let mut changes = Vec::new();
    let mut at = from[n];
    while at > 0 {
        changes.push(at);
        at = from[at];
    }
    changes.reverse();
    changes
}

/// Running sums, so that a segment's cost takes a fixed number of steps.
struct Sums(Vec<[f64; 5]>);

impl Sums {
    fn new(x: &[f64], y: &[f64]) -> Self {
        // Centring first keeps the squares small: the difference of two large sums would lose digits.
        let (mx, my) = (mean(x), mean(y));
        let mut sums = Vec::with_capacity(y.len() + 1);
        let mut sum = [0.0; 5];
        sums.push(sum);
        for (x, y) in x.iter().zip(y) {
            let (x, y) = (x - mx, y - my);
            for (total, term) in sum.iter_mut().zip([x, y, x * x, x * y, y * y]) {
                *total += term;
            }
            sums.push(sum);
        }
        Sums(sums)
    }
}

/// Squared residuals of a segment of `n` values from its level or line, by the sums before and after it.
fn cost(shape: Shape, before: &[f64; 5], after: &[f64; 5], n: f64) -> f64 {
    // Divisions are what this takes its time with, and it is asked for every pair of places.
    let each = 1.0 / n;
    let part = |i: usize| after[i] - before[i];
    let (sx, sy) = (part(0), part(1));
    let syy = part(4) - sy * sy * each;
    let explained = match shape {
        Shape::Level => 0.0,
        Shape::Line => {
            let (sxx, sxy) = (part(2) - sx * sx * each, part(3) - sx * sy * each);
            if sxx > 0.0 { sxy * sxy / sxx } else { 0.0 }
        }
    };
    (syy - explained).max(0.0)
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// Result of the Pettitt test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pettitt {
    /// First index of the new level.
    pub change: usize,
    /// max |U_k|, U_k = 2 (sum of the first k ranks) - k (n + 1).
    pub k: f64,
    /// Two-sided p value, 2 exp(-6 K^2 / (n^3 + n^2)), at the most 1.
    pub p: f64,
}

/// Tests for one change of level by ranks, values being independent.
///
/// `None`: fewer than 2 values, or one that is not finite.
///
/// ```
/// use foldwatch_trend::stats::change_points::pettitt;
/// let test = pettitt(&[1.0, 1.2, 0.9, 1.1, 1.0, 3.0, 3.2, 2.9, 3.1, 3.3]).unwrap();
/// assert_eq!(test.change, 5);
/// ```
pub fn pettitt(y: &[f64]) -> Option<Pettitt> {
    if y.len() < 2 || !all_finite(y) {
        return None;
    }
    let n = y.len() as f64;
    let mut u = 0.0;
    let mut found = Pettitt { change: 0, k: -1.0, p: 1.0 };
    for (ix, rank) in ranks(y).into_iter().enumerate().take(y.len() - 1) {
        u += 2.0 * rank - (n + 1.0);
        if f64::abs(u) > found.k {
            found = Pettitt { change: ix + 1, k: u.abs(), p: 1.0 };
        }
    }
    found.p = (2.0 * (-6.0 * found.k * found.k / (n * n * n + n * n)).exp()).min(1.0);
    Some(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn counted(n: usize) -> Vec<f64> {
        (0..n).map(|i| i as f64).collect()
    }

    /// Three steps, made here; expected splits by ruptures 1.1.10 (Pelt, l2, min_size 2, jump 1).
    #[test]
    fn several_steps_as_ruptures() {
        let y = include!("../../tests/data/three_steps.in");
        for (penalty, expected) in [
            (0.2, &[9, 11, 16, 30, 55, 80, 85, 95, 109, 112][..]),
            (0.6, &[30, 55, 95]),
            (1.0, &[30, 55, 95]),
            (3.0, &[30, 55, 95]),
        ] {
            assert_eq!(pelt(&counted(y.len()), &y, Shape::Level, 2, penalty), expected, "penalty {penalty}");
        }
    }

    /// Level, rise, step down to a slower rise, made here; expected by ruptures 1.1.10 (Pelt, linear, min_size 3).
    #[test]
    fn bend_and_step_as_ruptures() {
        let y = include!("../../tests/data/bend_and_step.in");
        for penalty in [0.1, 0.2, 0.4] {
            assert_eq!(pelt(&counted(y.len()), &y, Shape::Line, 3, penalty), [46, 90], "penalty {penalty}");
        }
    }

    #[test]
    fn rubbish_has_no_changes() {
        assert!(pelt(&[], &[], Shape::Level, 2, 1.0).is_empty());
        assert!(pelt(&counted(4), &[1.0, f64::NAN, 9.0, 9.0], Shape::Level, 2, 0.1).is_empty());
        assert!(pelt(&counted(3), &[1.0, 1.0, 9.0, 9.0], Shape::Level, 2, 0.1).is_empty());
        assert_eq!(pettitt(&[1.0]), None);
    }

    proptest::proptest! {
        #![proptest_config(proptest::prelude::ProptestConfig::with_cases(48))]
        /// The pruned search finds what the full search finds.
        #[test]
        fn pelt_is_the_optimum(
            y in proptest::collection::vec(-5.0f64..5.0, 4..24), min_size in 1usize..4, penalty in 0.1f64..20.0,
        ) {
            for shape in [Shape::Level, Shape::Line] {
                let x = counted(y.len());
                let least = min_size.max(if shape == Shape::Line { 2 } else { 1 });
                let sums = Sums::new(&x, &y);
                let total = |cuts: &[usize]| -> f64 {
                    let mut s = 0;
                    let mut sum = 0.0;
                    for t in cuts.iter().copied().chain([y.len()]) {
                        sum += cost(shape, &sums.0[s], &sums.0[t], (t - s) as f64) + if s > 0 { penalty } else { 0.0 };
                        s = t;
                    }
                    sum
                };
                let mut best = vec![(f64::INFINITY, Vec::new()); y.len() + 1];
                for t in least..=y.len() {
                    best[t] = (cost(shape, &sums.0[0], &sums.0[t], t as f64), Vec::new());
                    for s in least..=t.saturating_sub(least) {
                        let whole = best[s].0 + penalty + cost(shape, &sums.0[s], &sums.0[t], (t - s) as f64);
                        if whole < best[t].0 {
                            let mut cuts = best[s].1.clone();
                            cuts.push(s);
                            best[t] = (whole, cuts);
                        }
                    }
                }
                let found = total(&pelt(&x, &y, shape, min_size, penalty));
                if y.len() >= 2 * least {
                    proptest::prop_assert!((found - best[y.len()].0).abs() < 1e-9);
                }
            }
        }
    }
}
