//! The end stop: where pressure (or current) leaves the travel's level and rises to a plateau.
//!
//! A cylinder that meets its stop can't take more oil, so pressure climbs to what the relief valve lets stand, and the
//! motor's current with it. That rise tells when a movement was over where no switch does.
//!
//! Here: one stretch of unchanging drive, as recorded. All thresholds are relative, to the stretch itself or to the
//! given relief pressure: how much pressure a roof needs is none of this module's knowledge.

use crate::stats::median;
use foldwatch_units::{Amps, Bar, Micros, Seconds};

/// Ripple of the pump and noise are smoothed over this long: two periods of 33 Hz, a slow pump's ripple (judgement).
const SMOOTHING: f64 = 0.06;
/// Starting takes this long: inrush, valve, first build-up (judgement).
const START: f64 = 0.3;
/// A movement that takes less is none; it stood at the stop already (judgement).
const SHORTEST_TRAVEL: f64 = 0.4;
/// A plateau is level for at least this long (judgement), and for four samples.
const SHORTEST_PLATEAU: f64 = 0.2;
/// The plateau reaches the end of the stretch but for this, in which the drive may already have ended (judgement).
const AFTER_DRIVE: f64 = 0.3;
/// The rise is at least this share of a plateau at relief pressure (judgement) ...
const RISE_TO_RELIEF: f64 = 0.12;
/// ... and this share of any other: a load that joins on the way may well add a quarter (judgement).
const RISE: f64 = 0.4;
/// Within this share of the span of values, a plateau counts as one level (judgement).
const LEVEL: f64 = 0.06;
/// A plateau lower than this share of the relief pressure is no end stop (judgement): a setting so low is found by
/// the pressure itself.
const RELIEF_LOW: f64 = 0.6;
/// A plateau from this share of the relief pressure on is an end stop even without any travel before (judgement).
const AT_RELIEF: f64 = 0.85;
/// The corner's slopes differ by at least this factor (judgement): a load that just grows has no corner.
const CORNER: f64 = 2.0;

/// A final rise to a plateau.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Knee<Q> {
    /// The sample at which the rise starts.
    pub at: Micros,
    /// When the plateau is reached.
    pub plateau_from: Micros,
    /// The last sample of the plateau.
    pub plateau_to: Micros,
    /// The plateau.
    pub level: Q,
    /// The level that the rise starts from.
    pub before: Q,
}

impl<Q> Knee<Q> {
    /// How long it stayed on the plateau.
    pub fn dwell(&self) -> Seconds {
        self.plateau_to - self.plateau_from
    }
}

/// The end-stop rise of pressure, in bar, within one stretch of unchanging drive that ends with the drive.
///
/// `None`: no rise, or none that could be told from noise, start-up or load. Where the relief pressure is given, a
/// plateau far below it is no end stop, and one near it is, even if the stretch begins there. NaN readings are left out.
///
/// ```
/// use foldwatch_physics::knee::pressure_knee;
/// use foldwatch_units::{Bar, Micros};
/// let times: Vec<Micros> = (0..100).map(|i| Micros(i * 50_000)).collect();
/// // 60 bar of travel for 4 s, then up at 200 bar/s against a stop, where the relief valve opens at 180 bar.
/// let pressures: Vec<f32> = times.iter().map(|t| (60.0 + 200.0 * (t.as_secs() - 4.0)).clamp(60.0, 180.0) as f32).collect();
/// let knee = pressure_knee(&times, &pressures, Some(Bar(180.0))).unwrap();
/// assert_eq!(knee.at, Micros::from_secs(4.0));
/// assert_eq!(knee.level, Bar(180.0));
/// assert!(pressure_knee(&times[..75], &pressures[..75], Some(Bar(180.0))).is_none());
/// ```
pub fn pressure_knee(times: &[Micros], values: &[f32], relief: Option<Bar>) -> Option<Knee<Bar>> {
    final_rise(times, values, relief.map(Bar::value), Bar)
}

/// The end-stop rise of the motor's current, in ampere: as [`pressure_knee`], for roofs without a pressure sensor.
pub fn current_knee(times: &[Micros], values: &[f32]) -> Option<Knee<Amps>> {
    final_rise(times, values, None, Amps)
}

fn final_rise<Q>(
    times: &[Micros],
    values: &[f32],
    relief: Option<f64>,
    unit: fn(f64) -> Q,
) -> Option<Knee<Q>> {
    let first = times.first()?;
    let recorded = times.iter().zip(values).filter(|(_, v)| v.is_finite());
    let (t, raw): (Vec<f64>, Vec<f64>) =
        recorded.clone().map(|(t, v)| ((*t - *first).value(), f64::from(*v))).unzip();
    let trace = Trace::new(t, &raw)?;
    let plateau = trace.plateau()?;
    let corner = trace.corner(&plateau, relief)?;
    let at = |index: usize| recorded.clone().nth(index).map(|(t, _)| *t);
    Some(Knee {
        at: at(corner.index)?,
        plateau_from: at(plateau.from)?,
        plateau_to: at(plateau.to)?,
        level: unit(plateau.level),
        before: unit(corner.level),
    })
}

/// The smoothed stretch.
struct Trace {
    t: Vec<f64>,
    v: Vec<f64>,
    /// Scatter of the smoothed values.
    noise: f64,
    /// Span of the values, but for the highest and lowest 5 %.
    span: f64,
}

struct Plateau {
    from: usize,
    to: usize,
    level: f64,
}

struct Corner {
    index: usize,
    level: f64,
}

impl Trace {
    fn new(t: Vec<f64>, raw: &[f64]) -> Option<Trace> {
        let n = t.len();
        let length = *t.last()?;
        if n < 8 || length <= 0.0 || t.windows(2).any(|pair| pair[1] < pair[0]) {
            return None;
        }
        let half = ((0.5 * SMOOTHING * (n - 1) as f64 / length) as usize).clamp(1, n / 8);
        let v = running_median(raw, half);
        // Second differences of values that share no sample: blind to level and slope. Of three independent values
        // each with scatter s they have 6 s².
        let lag = 2 * half + 1;
        let mut bends: Vec<f64> =
            (2 * lag..n).map(|i| (v[i] - 2.0 * v[i - lag] + v[i - 2 * lag]).abs()).collect();
        let noise = if bends.is_empty() { 0.0 } else { 1.482_602 * median(&mut bends) / 6f64.sqrt() };
        let mut sorted = v.clone();
        sorted.sort_unstable_by(f64::total_cmp);
        let span = sorted[n - 1 - n / 20] - sorted[n / 20];
        (span > 0.0).then_some(Trace { t, v, noise, span })
    }

    fn index_at(&self, t: f64) -> usize {
        self.t.partition_point(|x| *x < t)
    }

    /// The level stretch at the end, which nothing after the start stands above.
    fn plateau(&self) -> Option<Plateau> {
        let length = *self.t.last()?;
        let flat = (3.0 * self.noise).max(LEVEL * self.span);
        // (first, last, level) of windows whose halves have the same mean: ripple does not count.
        let mut sums = vec![0.0];
        sums.extend(self.v.iter().scan(0.0, |sum, v| {
            *sum += v;
            Some(*sum)
        }));
        let mean = |from: usize, end: usize| (sums[end] - sums[from]) / (end - from) as f64;
        let mut windows = Vec::new();
        for from in 0..self.t.len() {
            let to = self.index_at(self.t[from] + SHORTEST_PLATEAU).max(from + 3);
            if to >= self.t.len() {
                break;
            }
            let middle = (from + to).div_ceil(2);
            if (mean(from, middle) - mean(middle, to + 1)).abs() <= flat {
                windows.push((from, to, mean(from, to + 1)));
            }
        }
        let highest = |windows: &mut dyn Iterator<Item = &(usize, usize, f64)>| {
            windows.copied().max_by(|a, b| a.2.total_cmp(&b.2))
        };
        let (from, to, level) =
            highest(&mut windows.iter().filter(|(_, to, _)| self.t[*to] >= length - AFTER_DRIVE))?;
        let (_, _, top) = highest(&mut windows.iter().filter(|(from, _, _)| self.t[*from] >= START))?;
        let tolerance = (3.0 * self.noise).max(LEVEL * self.span);
        if level < top - tolerance {
            return None;
        }
        // Reached at one tolerance, left at two: ripple that beats with the sample rate does not break it up.
        let reached = |v: &f64| *v >= level - tolerance;
        let left = |v: &f64| *v < level - 2.0 * tolerance;
        let after = self.v[..from].iter().rposition(left).map_or(0, |i| i + 1);
        let from = after + self.v[after..=from].iter().position(reached).unwrap_or(0);
        let before = self.v[to..].iter().position(left).map_or(self.v.len(), |i| to + i);
        let to = to + self.v[to..before].iter().rposition(reached).unwrap_or(0);
        Some(Plateau { from, to, level: median(&mut self.v[from..=to].to_vec()) })
    }

    fn corner(&self, plateau: &Plateau, relief: Option<f64>) -> Option<Corner> {
        let top = plateau.level;
        if relief.is_some_and(|relief| top < RELIEF_LOW * relief) {
            return None;
        }
        let at_relief = relief.is_some_and(|relief| top >= AT_RELIEF * relief);
        let share = if at_relief { RISE_TO_RELIEF } else { RISE };
        let margin = (6.0 * self.noise).max(share * top);
        let corner = self.break_before(plateau).filter(|corner| {
            let travelled = self.t[corner.index] >= SHORTEST_TRAVEL;
            top - corner.level >= margin && (travelled || at_relief)
        });
        // No travel at all: it stood at the stop when the drive began.
        let stood = at_relief && self.t[plateau.from] <= SHORTEST_TRAVEL;
        corner.or(stood.then(|| Corner { index: 0, level: self.v[0] }))
    }

    /// The sample that parts travel from rise: two straight lines, each by least squares, with the least sum.
    fn break_before(&self, plateau: &Plateau) -> Option<Corner> {
        let reached = self.t[plateau.from];
        let started = self.index_at(START.min(reached / 3.0));
        // A low level of the way there: a rise that takes longer than the travel before it must not pass for travel.
        let mut way = self.v.get(started..plateau.from)?.to_vec();
        way.sort_unstable_by(f64::total_cmp);
        let travel = *way.get(way.len() / 10)?;
        // The last sample below a share of the rise from a level. The upper part of the rise bends into the plateau:
        // leave it out, and more so when looking closely.
        let below = |share: f64, level: f64| {
            let enough = level + share * (plateau.level - level);
            self.v[..plateau.from].iter().rposition(|v| *v < enough)
        };
        // A rise is no slower in its lower half than in its upper one: it began after `from`.
        let half = self.t[below(0.5, travel)?];
        let mut from = started.max(self.index_at(half - 2.0 * (reached - half) - 0.3));
        let mut to = below(0.7, travel)? + 1;
        let mut best = None;
        // Travel has levels and slopes of its own: look again at the part next to the rise only.
        for _ in 0..5 {
            let Some((index, before, after)) = two_lines(&self.t, &self.v, from, to) else { break };
            let level = before.at(self.t[index]);
            let turns = after.slope > 0.0 && after.slope > CORNER * before.slope;
            best = turns.then_some(Corner { index, level });
            let rise = self.t[to] - self.t[index];
            let nearer = from.max(self.index_at(self.t[index] - (2.0 * rise).max(0.3)));
            let lower = below(0.4, level)? + 1;
            if (nearer, lower) == (from, to) {
                break;
            }
            (from, to) = (nearer, lower);
        }
        best
    }
}

/// Median over `half` samples to either side, fewer at the ends.
fn running_median(values: &[f64], half: usize) -> Vec<f64> {
    (0..values.len())
        .map(|i| {
            // Symmetric at the ends too: a lopsided window would shift a slope.
            let half = half.min(i).min(values.len() - 1 - i);
            median(&mut values[i - half..=i + half].to_vec())
        })
        .collect()
}

#[derive(Clone, Copy)]
struct Line {
    mean_t: f64,
    mean_v: f64,
    slope: f64,
    squares: f64,
}

impl Line {
    fn at(&self, t: f64) -> f64 {
        self.mean_v + self.slope * (t - self.mean_t)
    }
}

/// Running sums of t, v, t², tv, v².
#[derive(Clone, Copy, Default)]
struct Running([f64; 6]);

impl Running {
    fn add(mut self, t: f64, v: f64) -> Running {
        for (sum, x) in self.0.iter_mut().zip([1.0, t, v, t * t, t * v, v * v]) {
            *sum += x;
        }
        self
    }

    fn since(&self, earlier: &Running) -> Line {
        let [n, t, v, tt, tv, vv] = std::array::from_fn(|i| self.0[i] - earlier.0[i]);
        let (mean_t, mean_v) = (t / n, v / n);
        let (tt, tv, vv) = (tt - t * mean_t, tv - t * mean_v, vv - v * mean_v);
        let slope = if tt > 1e-12 { tv / tt } else { 0.0 };
        Line { mean_t, mean_v, slope, squares: (vv - slope * tv).max(0.0) }
    }
}

/// The best break of `from..=to` into two lines that share its sample.
fn two_lines(t: &[f64], v: &[f64], from: usize, to: usize) -> Option<(usize, Line, Line)> {
    if to < from + 4 {
        return None;
    }
    // Relative to the start, so that sums of squares keep their digits.
    let mut sums = vec![Running::default()];
    for i in from..=to {
        let last = sums[i - from];
        sums.push(last.add(t[i] - t[from], v[i] - v[from]));
    }
    let shifted = |line: Line| Line { mean_t: line.mean_t + t[from], mean_v: line.mean_v + v[from], ..line };
    (from + 2..to)
        .map(|k| {
            let before = sums[k - from + 1].since(&sums[0]);
            let after = sums[to - from + 1].since(&sums[k - from]);
            (k, before, after)
        })
        .min_by(|a, b| (a.1.squares + a.2.squares).total_cmp(&(b.1.squares + b.2.squares)))
        .map(|(k, before, after)| (k, shifted(before), shifted(after)))
}
