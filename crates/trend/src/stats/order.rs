//! Medians and other order statistics, by selection rather than by sorting.

/// The value that would stand at `index` if the slice were sorted. Reorders the slice.
///
/// `None`: the index is past the end.
pub fn nth(values: &mut [f64], index: usize) -> Option<f64> {
    if index >= values.len() {
        return None;
    }
    Some(*values.select_nth_unstable_by(index, f64::total_cmp).1)
}

/// The median; for an even count the mean of the middle two. Reorders the slice.
///
/// ```
/// use foldwatch_trend::stats::order::median;
/// assert_eq!(median(&mut [3.0, 1.0, 2.0]), Some(2.0));
/// assert_eq!(median(&mut [4.0, 1.0, 2.0, 3.0]), Some(2.5));
/// assert_eq!(median(&mut []), None);
/// ```
pub fn median(values: &mut [f64]) -> Option<f64> {
    let upper = nth(values, values.len() / 2)?;
    if values.len() % 2 == 1 {
        return Some(upper);
    }
    // Selection has left everything before the upper middle not above it.
    let lower = values[..values.len() / 2].iter().copied().fold(f64::NEG_INFINITY, f64::max);
    Some(0.5 * (lower + upper))
}

/// 1 / Phi^-1(3/4): makes the median absolute deviation of a normal sample estimate its standard deviation.
pub const MAD_TO_SD: f64 = 1.482_602_218_505_602;

/// Median absolute deviation from the median, times [`MAD_TO_SD`]: a standard deviation that outliers do not move.
///
/// ```
/// use foldwatch_trend::stats::order::scaled_mad;
/// assert!((scaled_mad(&[1.0, 1.0, 2.0, 2.0, 4.0, 6.0, 9.0]).unwrap() - 1.4826).abs() < 1e-4);
/// ```
pub fn scaled_mad(values: &[f64]) -> Option<f64> {
    let mut work = values.to_vec();
    let centre = median(&mut work)?;
    work.iter_mut().for_each(|v| *v = (*v - centre).abs());
    Some(median(&mut work)? * MAD_TO_SD)
}

/// Sizes of the groups of equal values, for the tie corrections. Sorts the slice.
pub(crate) fn tie_sizes(values: &mut [f64]) -> Vec<usize> {
    values.sort_unstable_by(f64::total_cmp);
    values.chunk_by(|a, b| a == b).map(<[f64]>::len).filter(|n| *n > 1).collect()
}

/// Ranks from 1, equal values sharing their mean rank.
pub(crate) fn ranks(values: &[f64]) -> Vec<f64> {
    let mut by_value: Vec<usize> = (0..values.len()).collect();
    by_value.sort_by(|a, b| values[*a].total_cmp(&values[*b]));
    let mut ranks = vec![0.0; values.len()];
    let mut start = 0;
    for group in by_value.chunk_by(|a, b| values[*a] == values[*b]) {
        let mean = start as f64 + (group.len() as f64 + 1.0) / 2.0;
        group.iter().for_each(|ix| ranks[*ix] = mean);
        start += group.len();
    }
    ranks
}

pub(crate) fn all_finite(values: &[f64]) -> bool {
    values.iter().all(|v| v.is_finite())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ties_share_their_mean_rank() {
        assert_eq!(ranks(&[10.0, 20.0, 10.0, 5.0]), [2.5, 4.0, 2.5, 1.0]);
        assert_eq!(tie_sizes(&mut [1.0, 2.0, 1.0, 3.0, 2.0, 1.0]), [3, 2]);
    }

    /// 24 determinations of copper in wholemeal flour (Analytical Methods Committee, 1989).
    #[test]
    fn copper_in_flour() {
        let copper = [
            2.2, 2.2, 2.4, 2.4, 2.5, 2.7, 2.8, 2.9, 3.03, 3.03, 3.1, 3.37, 3.4, 3.4, 3.4, 3.5, 3.6, 3.7, 3.7,
            3.7, 3.7, 3.77, 5.28, 28.95,
        ];
        assert!((scaled_mad(&copper).unwrap() - 0.526_323).abs() < 1e-6);
    }
}
