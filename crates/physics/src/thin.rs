//! Fewer points for a chart, without losing its shape.

use foldwatch_units::Micros;

/// Largest triangle three buckets (S. Steinarsson, Downsampling Time Series for Visual Representation, University of
/// Iceland, 2013, from memory): places of `keep` points that look most like all of them.
///
/// First and last stay, places rise, all stay where there are no more than `keep`. A single extreme may fall out: see
/// [`with_extremes`]. A NaN is kept only where its whole bucket is NaN.
///
/// ```
/// use foldwatch_physics::thin::largest_triangles;
/// use foldwatch_units::Micros;
/// let times: Vec<Micros> = (0..6).map(Micros).collect();
/// assert_eq!(largest_triangles(&times, &[0.0, 0.0, 9.0, 0.0, 1.0, 0.0], 4), [0, 2, 3, 5]);
/// ```
pub fn largest_triangles(times: &[Micros], values: &[f32], keep: usize) -> Vec<usize> {
    let n = times.len().min(values.len());
    if n <= keep {
        return (0..n).collect();
    }
    if keep < 3 {
        return [0, n - 1].into_iter().take(keep).collect();
    }
    let point = |i: usize| ((times[i] - times[0]).value(), f64::from(values[i]));
    let edge = |bucket: usize| bucket * (n - 2) / (keep - 2) + 1;
    let mut kept = vec![0];
    for bucket in 0..keep - 2 {
        let (from, to) = (edge(bucket), edge(bucket + 1));
        // The mean of the next bucket; behind the last one lies the last point.
        let next = to..edge(bucket + 2).min(n);
        let next = if next.is_empty() { n - 1..n } else { next };
        let size = next.len() as f64;
        let (sum_t, sum_v) = next.map(point).fold((0.0, 0.0), |(t, v), p| (t + p.0, v + p.1));
        let (t2, v2) = (sum_t / size, sum_v / size);
        let (t0, v0) = point(kept[bucket]);
        let area = |i: usize| {
            let (t1, v1) = point(i);
            let twice = ((t0 - t2) * (v1 - v0) - (t0 - t1) * (v2 - v0)).abs();
            // Where a corner is NaN any finite point will do.
            if twice.is_nan() { if v1.is_nan() { -2.0 } else { -1.0 } } else { twice }
        };
        let mut best = (from, area(from));
        for i in from + 1..to {
            let a = area(i);
            if a > best.1 {
                best = (i, a);
            }
        }
        kept.push(best.0);
    }
    kept.push(n - 1);
    kept
}

/// Places of at most `keep` points that hold the lowest and highest of every stretch, with the first and the last: no
/// extreme is lost, at the price of a rougher line. Of a stretch that is all NaN its first place is held, or a line would
/// be drawn across it. For fewer than 4 the first and the last.
pub fn with_extremes(values: &[f32], keep: usize) -> Vec<usize> {
    let n = values.len();
    if n <= keep {
        return (0..n).collect();
    }
    if keep < 4 {
        return [0, n - 1].into_iter().take(keep).collect();
    }
    let buckets = (keep - 2) / 2;
    let edge = |bucket: usize| bucket * (n - 2) / buckets + 1;
    let mut kept = vec![0];
    for bucket in 0..buckets {
        let mut ends: Option<(usize, usize)> = None;
        for i in (edge(bucket)..edge(bucket + 1)).filter(|i| !values[*i].is_nan()) {
            let (low, high) = ends.unwrap_or((i, i));
            ends = Some((
                if values[i] < values[low] { i } else { low },
                if values[i] > values[high] { i } else { high },
            ));
        }
        let (low, high) = ends.unwrap_or((edge(bucket), edge(bucket)));
        kept.push(low.min(high));
        if low != high {
            kept.push(low.max(high));
        }
    }
    kept.push(n - 1);
    kept
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const S20: [f32; 20] = [0., 1., 3., 2., 8., 1., 0., -4., 2., 2., 9., 3., 1., 0., -7., 1., 2., 5., 4., 0.];

    fn s100() -> Vec<f32> {
        let mut values: Vec<f32> = (0..100i32)
            .map(|t| {
                let wave = 100.0 * (std::f64::consts::TAU * f64::from(t) / 25.0).sin();
                (wave + 4.0 * f64::from((37 * t) % 11 - 5)).round_ties_even() as f32
            })
            .collect();
        values[60] = 400.0;
        values
    }

    #[track_caller]
    fn keeps(values: &[f32], keep: usize, expected: &[usize]) {
        // The unit of time makes no difference.
        for step in [1, 1_000_000] {
            let times: Vec<Micros> = (0..values.len() as i64).map(|i| Micros(i * step)).collect();
            assert_eq!(largest_triangles(&times, values, keep), expected);
        }
    }

    /// Places on which the PyPI packages lttb 0.3.2 and tsdownsample 0.1.5.1 agree.
    #[test]
    fn two_published_implementations() {
        keeps(&S20, 4, &[0, 4, 14, 19]);
        keeps(&S20, 5, &[0, 4, 7, 17, 19]);
        keeps(&S20, 8, &[0, 2, 4, 7, 10, 14, 17, 19]);
        keeps(&S20, 11, &[0, 1, 4, 5, 7, 10, 11, 14, 15, 17, 19]);
        let s100 = s100();
        assert_eq!(s100.iter().sum::<f32>(), 305.0);
        keeps(&s100, 9, &[0, 8, 17, 30, 44, 60, 71, 85, 99]);
        keeps(&s100, 16, &[0, 5, 8, 17, 22, 30, 42, 47, 52, 60, 64, 72, 82, 91, 94, 99]);
    }

    /// Where bucket edges are no whole numbers the two differ; either is right.
    #[test]
    fn uneven_buckets() {
        let times: Vec<Micros> = (0..20).map(Micros).collect();
        let kept = largest_triangles(&times, &S20, 6);
        assert!([vec![0, 4, 7, 14, 17, 19], vec![0, 4, 7, 10, 14, 19]].contains(&kept), "{kept:?}");
    }

    #[test]
    fn a_stretch_without_numbers_is_not_bridged() {
        let values: Vec<f32> =
            (0..1000).map(|i| if (300..340).contains(&i) { f32::NAN } else { 1.0 }).collect();
        let kept = with_extremes(&values, 100);
        assert!(kept.iter().any(|i| values[*i].is_nan()), "{kept:?}");
    }

    proptest! {
        #[test]
        fn first_and_last_stay_and_no_extreme_is_lost(
            values in prop::collection::vec(prop_oneof![9 => -50f32..50.0, 1 => Just(f32::NAN)], 0..300),
            keep in 0usize..60,
        ) {
            let n = values.len();
            let times: Vec<Micros> = (0..n as i64).map(Micros).collect();
            let triangles = largest_triangles(&times, &values, keep);
            let extremes = with_extremes(&values, keep);
            prop_assert_eq!(triangles.len(), keep.min(n));
            prop_assert!(extremes.len() <= keep.min(n));
            for kept in [&triangles, &extremes] {
                prop_assert!(kept.windows(2).all(|pair| pair[0] < pair[1]));
                if keep >= 2 && n >= 2 {
                    prop_assert!(kept[0] == 0 && kept[kept.len() - 1] == n - 1);
                }
            }
            if keep >= 4 {
                let highest = |mut of: Box<dyn Iterator<Item = f32> + '_>| {
                    of.by_ref().filter(|v| !v.is_nan()).fold(f32::NEG_INFINITY, f32::max)
                };
                let kept = highest(Box::new(extremes.iter().map(|i| values[*i])));
                prop_assert_eq!(kept, highest(Box::new(values.iter().copied())));
            }
        }
    }
}
