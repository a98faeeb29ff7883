//! Numbers over time to a line that can be drawn.

/// From the lowest to the highest, 0 included where the numbers reach near it. `None` where there are none.
pub fn extent(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    let (low, high) = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
    let low = if low > 0.0 && low < 0.4 * high { 0.0 } else { low };
    (low <= high).then_some((low, high))
}

/// The line, cut where a point says nothing and where the recording has a gap.
pub fn pieces(points: impl Iterator<Item = (f64, Option<f64>)>, gaps: &[(f64, f64)]) -> Vec<Vec<(f64, f64)>> {
    let mut pieces: Vec<Vec<(f64, f64)>> = vec![Vec::new()];
    let mut last = f64::NEG_INFINITY;
    for (t, value) in points {
        let over_gap = gaps.iter().any(|(from, to)| last <= *from && *to <= t);
        if (value.is_none() || over_gap) && pieces.last().is_some_and(|p| !p.is_empty()) {
            pieces.push(Vec::new());
        }
        if let (Some(value), Some(piece)) = (value, pieces.last_mut()) {
            piece.push((t, value));
            last = t;
        }
    }
    pieces.retain(|piece| !piece.is_empty());
    pieces
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_gap_is_not_bridged() {
        let values = [Some(1.0), Some(2.0), Some(3.0), None, Some(4.0)];
        let cut = pieces([0.0, 1.0, 5.0, 6.0, 7.0].into_iter().zip(values), &[(1.0, 5.0)]);
        assert_eq!(cut, [vec![(0.0, 1.0), (1.0, 2.0)], vec![(5.0, 3.0)], vec![(7.0, 4.0)]]);
    }

    #[test]
    fn zero_is_shown_where_it_is_near() {
        assert_eq!(extent([3.0, 10.0].into_iter()), Some((0.0, 10.0)));
        assert_eq!(extent([5.0, 10.0].into_iter()), Some((5.0, 10.0)));
        assert_eq!(extent([-1.0, -5.0].into_iter()), Some((-5.0, -1.0)));
        assert_eq!(extent([].into_iter()), None);
    }
}
