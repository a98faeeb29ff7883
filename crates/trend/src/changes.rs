//! Where a series changed without a service entry: steps, and bends where wear set in.
//!
//! Candidates come from a penalised split into straight lines; each is then confirmed by a fit that knows that
//! neighbouring errors are alike, since a spell of weather looks like a step to a method that does not.

use crate::point::{Point, Worse, days_between};
use crate::stats::change_points::{Shape, pelt};
use crate::stats::correlated;
use crate::stats::order::{MAD_TO_SD, median};
use foldwatch_units::Micros;

/// A segment has at least this many cycles.
pub const SHORTEST: usize = 10;

/// Penalty of a change in variances of a value times the logarithm of the count: one for its place, one each for the
/// new level and slope (Schwarz, Ann. Statist. 6, 461-464 (1978)).
const PENALTY: f64 = 3.0;

/// A change is kept where its level and slope, weighed by their covariance, come to this. The place was searched for,
/// so the bar is that of the largest of many tests: Andrews, Econometrica 61, 821-856 (1993), two coefficients, gives
/// 12 at 5 % for one series; this is set so that a well car shows one about every fifty looks (experiments).
const KEEP: f64 = 26.0;

/// A step smaller than this many of its own standard uncertainties is a bend.
const STEP: f64 = 3.0;

/// What a change is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// From one cycle to the next.
    Step,
    /// From here on the slope is another.
    Bend,
}

/// A change within the newest cycles.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Change {
    /// First cycle after it.
    pub cycle: u64,
    /// When that cycle was.
    pub at: Micros,
    /// What it is.
    pub kind: Kind,
    /// Level just before.
    pub before: f64,
    /// Level just after.
    pub after: f64,
    /// It went to the worse side.
    pub worse: bool,
    /// It is a step, and no service entry is near: ask what happened.
    pub ask: bool,
}

impl Change {
    /// The question for whoever knows the car; `None` where there is nothing to ask.
    pub fn question(&self) -> Option<&'static str> {
        match (self.ask, self.worse) {
            (false, _) => None,
            (true, false) => Some("Was something done here?"),
            (true, true) => Some("Was something done here, or did something happen?"),
        }
    }
}

/// Splits: the starts of new segments, as indices into the values.
pub(crate) fn splits(x: &[f64], days: &[f64], y: &[f64]) -> Vec<usize> {
    let n = y.len();
    let sd = step_sd(y);
    if n < 2 * SHORTEST || sd <= 0.0 {
        return Vec::new();
    }
    let penalty = PENALTY * sd * sd * (n as f64).ln();
    let mut cuts = pelt(x, y, Shape::Line, SHORTEST, penalty);
    // The weakest goes first: its neighbours are then judged on longer segments.
    while !cuts.is_empty() {
        let strength = |i: usize| {
            let from = if i == 0 { 0 } else { cuts[i - 1] };
            let to = cuts.get(i + 1).copied().unwrap_or(n);
            break_at(&x[from..to], &days[from..to], &y[from..to], cuts[i] - from).map_or(0.0, |b| b.strength)
        };
        let strengths: Vec<f64> = (0..cuts.len()).map(strength).collect();
        let weakest = (0..cuts.len()).min_by(|a, b| strengths[*a].total_cmp(&strengths[*b]));
        match weakest {
            Some(i) if strengths[i] < KEEP => cuts.remove(i),
            _ => break,
        };
    }
    cuts
}

/// Standard deviation of the independent part, from the differences of neighbours: steps and slopes do not touch it.
fn step_sd(y: &[f64]) -> f64 {
    let mut steps: Vec<f64> = y.windows(2).map(|pair| (pair[1] - pair[0]).abs()).collect();
    median(&mut steps).unwrap_or(0.0) * MAD_TO_SD / std::f64::consts::SQRT_2
}

/// Values pulled in to within three standard deviations of the median of the eleven around them: one disturbed cycle
/// is no change.
pub(crate) fn calmed(y: &[f64]) -> Vec<f64> {
    let reach = 3.0 * step_sd(y);
    (0..y.len())
        .map(|i| {
            let around = &y[i.saturating_sub(5)..(i + 6).min(y.len())];
            match median(&mut around.to_vec()) {
                Some(centre) => y[i].clamp(centre - reach, centre + reach),
                None => y[i],
            }
        })
        .collect()
}

struct Break {
    strength: f64,
    step: f64,
    u_step: f64,
    before: f64,
}

/// The change of level and slope at `at`, within a stretch that holds no other.
fn break_at(x: &[f64], days: &[f64], y: &[f64], at: usize) -> Option<Break> {
    // Half-way between the last cycle before and the first after.
    let place = 0.5 * (x.get(at)? + x.get(at.checked_sub(1)?)?);
    let span = (x.last()? - x.first()?).max(1.0);
    let rows: Vec<[f64; 4]> = x
        .iter()
        .map(|x| {
            let off = (x - place) / span;
            if off > 0.0 { [1.0, off, 1.0, off] } else { [1.0, off, 0.0, 0.0] }
        })
        .collect();
    let fit = correlated::fit(&rows, days, y)?;
    let (step, bend) = (fit.value([0., 0., 1., 0.]), fit.value([0., 0., 0., 1.]));
    let (vs, vb) = (fit.u([0., 0., 1., 0.]).powi(2), fit.u([0., 0., 0., 1.]).powi(2));
    // The covariance from the variance of the sum, each scaled to its own uncertainty to keep digits.
    let (us, ub) = (vs.sqrt().max(f64::MIN_POSITIVE), vb.sqrt().max(f64::MIN_POSITIVE));
    let r = (0.5 * (fit.u([0., 0., 1. / us, 1. / ub]).powi(2) - 2.0)).clamp(-0.999_999, 0.999_999);
    let (zs, zb) = (step / us, bend / ub);
    let strength = (zs * zs - 2.0 * r * zs * zb + zb * zb) / (1.0 - r * r);
    Some(Break { strength, step, u_step: us, before: fit.value([1., 0., 0., 0.]) })
}

/// What the splits are, in words of the series. `serviced` are moments of service entries; one within three days of a
/// step explains it.
pub(crate) fn describe(
    points: &[Point],
    days: &[f64],
    y: &[f64],
    cuts: &[usize],
    worse: Worse,
    serviced: &[Micros],
) -> Vec<Change> {
    let x: Vec<f64> = points.iter().map(|p| p.cycle as f64).collect();
    let mut changes = Vec::with_capacity(cuts.len());
    for (i, cut) in cuts.iter().enumerate() {
        let from = if i == 0 { 0 } else { cuts[i - 1] };
        let to = cuts.get(i + 1).copied().unwrap_or(y.len());
        let Some(found) = break_at(&x[from..to], &days[from..to], &y[from..to], cut - from) else { continue };
        let kind = if found.step.abs() > STEP * found.u_step { Kind::Step } else { Kind::Bend };
        let at = points[*cut].at;
        let explained = serviced.iter().any(|s| days_between(*s, at).abs() <= 3.0);
        changes.push(Change {
            cycle: points[*cut].cycle,
            at,
            kind,
            before: found.before,
            after: found.before + found.step,
            worse: found.step * worse.sign() > 0.0,
            ask: kind == Kind::Step && !explained,
        });
    }
    changes
}
