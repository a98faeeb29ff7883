//! Looking things up in a cycle's recording: numbers of one signal, states of one switch, time the pump ran.

use foldwatch_profile::{Profile, SignalIx, SignalKind};
use foldwatch_segment::{Cycle, DriveSpan};
use foldwatch_units::Micros;

/// A stretch of one analog signal.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Lane<'a> {
    /// Which signal.
    pub signal: SignalIx,
    times: &'a [Micros],
    values: &'a [f32],
}

impl<'a> Lane<'a> {
    /// All that is recorded of a signal; `None` when there is no number at all.
    pub fn of(cycle: &'a Cycle, signal: SignalIx) -> Option<Lane<'a>> {
        let values = cycle.recording.trace(signal)?;
        let times = cycle.recording.times.as_slice();
        let n = values.len().min(times.len());
        let lane = Lane { signal, times: &times[..n], values: &values[..n] };
        lane.points().next().map(|_| lane)
    }

    /// The part within `from..=to`.
    pub fn within(self, from: Micros, to: Micros) -> Lane<'a> {
        let first = self.times.partition_point(|t| *t < from);
        let last = self.times.partition_point(|t| *t <= to).max(first);
        Lane { signal: self.signal, times: &self.times[first..last], values: &self.values[first..last] }
    }

    /// The numbers with their times; what was not recorded is left out.
    pub fn points(self) -> impl DoubleEndedIterator<Item = (Micros, f64)> + Clone + 'a {
        self.times.iter().zip(self.values).filter(|(_, v)| v.is_finite()).map(|(t, v)| (*t, f64::from(*v)))
    }

    /// How many numbers there are.
    pub fn count(self) -> usize {
        self.points().count()
    }

    pub fn max(self) -> Option<f64> {
        self.points().map(|p| p.1).reduce(f64::max)
    }

    pub fn min(self) -> Option<f64> {
        self.points().map(|p| p.1).reduce(f64::min)
    }

    pub fn mean(self) -> Option<f64> {
        let (n, sum) = self.points().fold((0usize, 0.0), |(n, s), p| (n + 1, s + p.1));
        (n > 0).then(|| sum / n as f64)
    }

    /// The value that a share of the numbers stays below.
    pub fn quantile(self, share: f64) -> Option<f64> {
        let mut values: Vec<f64> = self.points().map(|p| p.1).collect();
        quantile(&mut values, share)
    }

    /// Usual time from number to number, in seconds: a signal may be recorded in fewer rows than others.
    pub fn period(self) -> f64 {
        let times = self.points().map(|p| p.0);
        let mut steps: Vec<f64> = times.clone().zip(times.skip(1)).map(|(a, b)| (b - a).0).collect();
        quantile(&mut steps, 0.5).unwrap_or(0.0)
    }

    /// Steps from number to number longer than this, in seconds, are holes.
    pub fn widest_step(self) -> f64 {
        (10.0 * self.period()).max(0.5)
    }

    /// Integral of `f(value)` over time by the trapezoid rule, in unit times second. Holes are left out.
    pub fn integral(self, f: impl Fn(f64) -> f64) -> f64 {
        let widest = self.widest_step();
        let points = self.points().map(|(t, v)| (t, f(v)));
        let next = points.clone().skip(1);
        points
            .zip(next)
            .map(|(a, b)| {
                let dt = (b.0 - a.0).0;
                if dt <= widest { 0.5 * (a.1 + b.1) * dt } else { 0.0 }
            })
            .sum()
    }

    /// The lowest mean over any stretch at least `span` seconds long: what dips for shorter does not count.
    pub fn lowest_mean(self, span: f64) -> Option<(Micros, f64)> {
        self.extreme_mean(span, |new, old| new < old)
    }

    /// The highest mean over any stretch at least `span` seconds long.
    pub fn highest_mean(self, span: f64) -> Option<(Micros, f64)> {
        self.extreme_mean(span, |new, old| new > old)
    }

    fn extreme_mean(self, span: f64, better: impl Fn(f64, f64) -> bool) -> Option<(Micros, f64)> {
        let points: Vec<(Micros, f64)> = self.points().collect();
        let (mut first, mut sum) = (0, 0.0);
        let mut best: Option<(Micros, f64)> = None;
        for (last, point) in points.iter().enumerate() {
            sum += point.1;
            while first < last && (point.0 - points[first + 1].0).0 >= span {
                sum -= points[first].1;
                first += 1;
            }
            if (point.0 - points[first].0).0 >= span {
                let mean = sum / (last - first + 1) as f64;
                if best.is_none_or(|(_, old)| better(mean, old)) {
                    best = Some((points[first].0, mean));
                }
            }
        }
        best
    }

    /// Standard deviation of the noise from one number to the next, robust against real changes: the median of the
    /// absolute second differences over 0.6745 (normal distribution) and over the root of 6 (their variance for white noise).
    pub fn noise(self) -> f64 {
        let mut second: Vec<f64> = self.triples().map(|[a, b, c]| (a - 2.0 * b + c).abs()).collect();
        quantile(&mut second, 0.5).unwrap_or(0.0) / (0.674_49 * 6f64.sqrt())
    }

    /// Each number with its two neighbours.
    fn triples(self) -> impl Iterator<Item = [f64; 3]> + 'a {
        let values = self.points().map(|p| p.1);
        let pairs = values.clone().zip(values.clone().skip(1));
        pairs.zip(values.skip(2)).map(|((a, b), c)| [a, b, c])
    }

    /// Readings that stand off both their neighbours by more than so much, while those agree.
    pub fn lone_readings(self, off: f64) -> usize {
        let lone = |[a, b, c]: &[f64; 3]| {
            let (from, to) = (b - a, b - c);
            from.abs() > off && to.abs() > off && from * to > 0.0 && (a - c).abs() < 0.5 * off
        };
        self.triples().filter(lone).count()
    }
}

/// The value that a share of them stays below; they end up in another order.
pub(crate) fn quantile(values: &mut [f64], share: f64) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let at = ((values.len() - 1) as f64 * share.clamp(0.0, 1.0)).round() as usize;
    let (_, value, _) = values.select_nth_unstable_by(at, f64::total_cmp);
    Some(*value)
}

/// The first signal of a kind of which the cycle holds numbers.
pub(crate) fn lane_of_kind<'a>(profile: &Profile, cycle: &'a Cycle, kind: SignalKind) -> Option<Lane<'a>> {
    profile.of_kind(kind).find_map(|(ix, _)| Lane::of(cycle, ix))
}

/// The same, where it is not all noise: what hangs on noise is not judged.
pub(crate) fn sound_lane<'a>(profile: &Profile, cycle: &'a Cycle, kind: SignalKind) -> Option<Lane<'a>> {
    lane_of_kind(profile, cycle, kind).filter(|lane| !crate::checks::is_noise(profile, cycle, *lane))
}

/// Whether anything is recorded of a binary signal.
pub(crate) fn is_recorded(cycle: &Cycle, signal: SignalIx) -> bool {
    cycle.recording.initial.get(signal.at()).copied().flatten().is_some()
        || cycle.recording.edges.iter().any(|edge| edge.signal == signal)
}

/// First and last moment of the recording.
pub(crate) fn bounds(cycle: &Cycle) -> (Micros, Micros) {
    let times = &cycle.recording.times;
    (
        times.first().copied().unwrap_or(cycle.start).min(cycle.start),
        times.last().copied().unwrap_or(cycle.end).max(cycle.end),
    )
}

/// A span in which a binary signal did not change.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Stay {
    pub from: Micros,
    pub to: Micros,
    pub on: bool,
    /// It begins with an edge, and ends with one: not cut by the recording's ends.
    pub whole: bool,
}

/// The spans of a binary signal over the whole recording.
pub(crate) fn stays(cycle: &Cycle, signal: SignalIx) -> Vec<Stay> {
    let (first, last) = bounds(cycle);
    let mut out = Vec::new();
    let mut now = cycle.recording.initial.get(signal.at()).copied().flatten();
    let mut since = first;
    let mut began = false;
    for edge in cycle.recording.edges.iter().filter(|e| e.signal == signal) {
        if let Some(on) = now {
            out.push(Stay { from: since, to: edge.at, on, whole: began });
        }
        began = true;
        now = Some(edge.on);
        since = edge.at;
    }
    if let Some(on) = now {
        out.push(Stay { from: since, to: last.max(since), on, whole: false });
    }
    out
}

/// The pump runs, by its command or by its current.
pub(crate) fn pump_runs(span: &DriveSpan) -> bool {
    span.pump || span.running == Some(true)
}

/// Seconds within `from..to` in which `what` holds of the drive.
pub(crate) fn drive_time(cycle: &Cycle, from: Micros, to: Micros, what: impl Fn(&DriveSpan) -> bool) -> f64 {
    cycle
        .recording
        .drive
        .iter()
        .filter(|span| what(span))
        .map(|span| (span.to.min(to) - span.from.max(from)).0.max(0.0))
        .sum()
}

/// The end of the last span within `from..to` in which `what` holds.
pub(crate) fn last_of(
    cycle: &Cycle,
    from: Micros,
    to: Micros,
    what: impl Fn(&DriveSpan) -> bool,
) -> Option<Micros> {
    cycle
        .recording
        .drive
        .iter()
        .rev()
        .find(|span| span.from < to && span.to > from && what(span))
        .map(|span| span.to.min(to))
}

/// Usual time from row to row while the roof was driven, in seconds; 0 where there are no rows. Before and after it a
/// logger may write fewer.
pub(crate) fn period(cycle: &Cycle) -> f64 {
    let times = &cycle.recording.times;
    let driven = &times[cycle.recording.rows(cycle.start, cycle.end)];
    let times = if driven.len() > 2 { driven } else { times.as_slice() };
    let mut steps: Vec<f64> = times.windows(2).map(|w| (w[1] - w[0]).0).collect();
    quantile(&mut steps, 0.5).unwrap_or(0.0)
}
