//! The numbers of one signal over time.

use foldwatch_profile::SignalIx;
use foldwatch_segment::Cycle;
use foldwatch_units::{Micros, Seconds};

/// The numbers of one signal with their times.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Trace<'a> {
    pub signal: SignalIx,
    pub times: &'a [Micros],
    pub values: &'a [f32],
}

impl<'a> Trace<'a> {
    pub fn points(self, from: Micros, to: Micros) -> impl Iterator<Item = (Micros, f64)> + 'a {
        let first = self.times.partition_point(|t| *t < from);
        let last = self.times.partition_point(|t| *t <= to).max(first).min(self.values.len());
        let first = first.min(last);
        let both = self.times[first..last].iter().zip(&self.values[first..last]);
        both.filter(|(_, v)| v.is_finite()).map(|(t, v)| (*t, f64::from(*v)))
    }

    /// When it first comes up to a level, on a straight line between rows.
    pub fn crosses(self, from: Micros, to: Micros, level: f64) -> Option<Micros> {
        let mut before: Option<(Micros, f64)> = None;
        for (at, value) in self.points(from, to) {
            if value >= level {
                let Some((then, low)) = before else { return Some(at) };
                return Some(then + Seconds((at - then).0 * (level - low) / (value - low)));
            }
            before = Some((at, value));
        }
        None
    }

    pub fn within(self, from: Micros, to: Micros) -> impl Iterator<Item = f64> + 'a {
        self.points(from, to).map(|p| p.1)
    }

    pub fn seconds_above(self, from: Micros, to: Micros, level: f64) -> f64 {
        let points: Vec<(Micros, f64)> = self.points(from, to).collect();
        points.windows(2).filter(|w| w[0].1 >= level && w[1].1 >= level).map(|w| (w[1].0 - w[0].0).0).sum()
    }
}

/// Time from row to row while the roof moves, in seconds.
pub(crate) fn period(cycle: &Cycle) -> f64 {
    let rows = cycle.recording.rows(cycle.start, cycle.end);
    let times = &cycle.recording.times[rows];
    quantile(times.windows(2).map(|w| (w[1] - w[0]).0), 0.5).unwrap_or(f64::INFINITY)
}

pub(crate) fn mean(values: impl Iterator<Item = f64>) -> Option<f64> {
    let (n, sum) = values.fold((0u32, 0.0), |(n, sum), v| (n + 1, sum + v));
    (n > 0).then(|| sum / f64::from(n))
}

pub(crate) fn quantile(values: impl Iterator<Item = f64>, share: f64) -> Option<f64> {
    let mut values: Vec<f64> = values.filter(|v| v.is_finite()).collect();
    let place = ((values.len().checked_sub(1)?) as f64 * share).round() as usize;
    values.sort_by(f64::total_cmp);
    values.get(place).copied()
}
