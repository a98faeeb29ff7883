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

/// A step is one only if it fits better than the best bend by this many variances of a value (inflated where neighbours
/// are alike): otherwise wear that set in would be taken for something that was done.
const STEP: f64 = 12.0;

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
    /// The step went to the worse side; of a bend: it gets worse faster after it.
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
    before: f64,
    /// Variance of a value, inflated by likeness.
    variance: f64,
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
    let inflated = us / fit.independent_u([0., 0., 1., 0.]).max(f64::MIN_POSITIVE);
    let variance = fit.sd * fit.sd * inflated.max(1.0).powi(2);
    Some(Break { strength, step, before: fit.value([1., 0., 0., 0.]), variance })
}

/// The bend that fits a stretch best: where, its level there, by how much the slope turns, and its squared residuals; and
/// those of the break that was looked at.
struct Bend {
    at: usize,
    level: f64,
    turn: f64,
    residuals: f64,
    residuals_of_break: f64,
}

fn best_bend(x: &[f64], y: &[f64], at: usize) -> Option<Bend> {
    let centre = x[at];
    let span = (x.last()? - x.first()?).max(1.0);
    let off = |x: f64, place: f64| (x - place) / span;
    let broken: Vec<[f64; 4]> = x
        .iter()
        .enumerate()
        .map(|(i, x)| {
            let (o, after) = (off(*x, centre), f64::from(u8::from(i >= at)));
            [1.0, o, after, after * o]
        })
        .collect();
    let (_, residuals_of_break) = correlated::least_squares(&broken, y)?;
    let mut best: Option<Bend> = None;
    for place in (SHORTEST..=x.len().saturating_sub(SHORTEST)).step_by(2) {
        let rows: Vec<[f64; 3]> = x
            .iter()
            .map(|value| {
                let o = off(*value, x[place]);
                [1.0, o, o.max(0.0)]
            })
            .collect();
        let Some((beta, residuals)) = correlated::least_squares(&rows, y) else { continue };
        if best.as_ref().is_none_or(|b| residuals < b.residuals) {
            best = Some(Bend { at: place, level: beta[0], turn: beta[2], residuals, residuals_of_break });
        }
    }
    best
}

/// What the splits are. `serviced` are moments of service entries; one within three days of a step explains it.
///
/// A split that is a bend is moved to where the bend fits best. Gives the changes and the starts of segments.
pub(crate) fn describe(
    points: &[Point],
    days: &[f64],
    y: &[f64],
    mut cuts: Vec<usize>,
    worse: Worse,
    serviced: &[Micros],
) -> (Vec<Change>, Vec<usize>) {
    let x: Vec<f64> = points.iter().map(|p| p.cycle as f64).collect();
    let mut changes = Vec::with_capacity(cuts.len());
    for i in 0..cuts.len() {
        let from = if i == 0 { 0 } else { cuts[i - 1] };
        let to = cuts.get(i + 1).copied().unwrap_or(y.len());
        let (x, days, y) = (&x[from..to], &days[from..to], &y[from..to]);
        let Some(found) = break_at(x, days, y, cuts[i] - from) else { continue };
        let bend = best_bend(x, y, cuts[i] - from)
            .filter(|bend| bend.residuals - bend.residuals_of_break < STEP * found.variance);
        let (kind, before, after, turn) = match bend {
            Some(bend) => {
                cuts[i] = from + bend.at;
                (Kind::Bend, bend.level, bend.level, bend.turn)
            }
            None => (Kind::Step, found.before, found.before + found.step, found.step),
        };
        let at = points[cuts[i]].at;
        let explained = serviced.iter().any(|s| days_between(*s, at).abs() <= 3.0);
        changes.push(Change {
            cycle: points[cuts[i]].cycle,
            at,
            kind,
            before,
            after,
            worse: turn * worse.sign() > 0.0,
            ask: kind == Kind::Step && !explained,
        });
    }
    (changes, cuts)
}
