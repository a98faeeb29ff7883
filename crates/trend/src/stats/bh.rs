//! Many tests at once: the share of false ones among the calls is kept to a stated rate.
//!
//! Benjamini and Hochberg, J. R. Statist. Soc. B 57, 289-300 (1995).

/// Adjusted p values, in the order given: a test is called at rate q where its adjusted p is at most q.
///
/// A NaN counts as 1: a test that could not be made is never a call, but it still counts as a test.
///
/// ```
/// use foldwatch_trend::stats::bh::adjusted;
/// assert_eq!(adjusted(&[0.01, 0.04, 0.03]), [0.03, 0.04, 0.04]);
/// ```
pub fn adjusted(p: &[f64]) -> Vec<f64> {
    let p: Vec<f64> = p.iter().map(|p| if p.is_nan() { 1.0 } else { *p }).collect();
    let mut largest_first: Vec<usize> = (0..p.len()).collect();
    largest_first.sort_by(|a, b| p[*b].total_cmp(&p[*a]));
    let mut adjusted = vec![1.0; p.len()];
    let mut least = 1.0f64;
    for (larger, ix) in largest_first.into_iter().enumerate() {
        let rank = p.len() - larger;
        least = least.min(p[ix] * p.len() as f64 / rank as f64);
        adjusted[ix] = least;
    }
    adjusted
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Benjamini and Hochberg (1995), section 3.2 (15 p values, from memory); adjusted by statsmodels 0.15.0.
    #[test]
    fn published_example() {
        let p = [
            0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719,
            0.6528, 0.7590, 1.0,
        ];
        let found = adjusted(&p);
        assert_eq!(found.iter().filter(|p| **p <= 0.05).count(), 4);
        for (found, expected) in found.iter().zip([0.0015, 0.003, 0.0095, 0.035625, 0.0603, 0.063857]) {
            assert!((found - expected).abs() < 5e-7, "{found}, not {expected}");
        }
    }

    #[test]
    fn order_and_gaps() {
        assert_eq!(adjusted(&[]), []);
        assert_eq!(adjusted(&[f64::NAN, 0.02]), [1.0, 0.04]);
    }
}
