//! What a series says now.

use crate::changes::{self, Change};
use crate::forecast::{Forecast, Given, RISK_DAYS, Stretch};
use crate::point::{Estimate, MONTH_DAYS, Point, Worse, days_between};
use crate::series::Series;
use crate::stats::correlated::{self, Fit};
use crate::stats::order::{median, scaled_mad};
use crate::stats::{dist, mann_kendall, theil_sen};
use crate::usage::Usage;
use crate::watch::{Alarm, Baseline, WORTH};
use foldwatch_units::Micros;

/// Fewest cycles for a slope.
pub const FEWEST_FOR_SLOPE: usize = 10;

/// A Theil-Sen slope scatters this much more than least squares where errors are normal: sqrt(pi / 3) (Sen, 1968).
const THEIL_SEN_SPREAD: f64 = 1.023_326_707_946_488_5;

/// Half the swing over the year that corrected values still show, as a part of the level. Judgement, to be learned from
/// real cars. Over a part of a year it can't be told from wear, so the slope's uncertainty has to hold it.
pub const SEASON: f64 = 0.003;

/// What a series says now. Numbers are in the unit of the series.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Assessment {
    /// Newest cycle.
    pub newest_cycle: u64,
    /// Its moment.
    pub newest_at: Micros,
    /// Cycles since the last service entry, or all.
    pub cycles: u64,
    /// The newest cycles that lie on one straight line: what follows is drawn from these.
    pub stretch: usize,
    /// Level of the line at the newest cycle.
    pub level: f64,
    /// Growth of the line; `None` with too few cycles.
    pub slope: Option<Slope>,
    /// Growth over all of the newest cycles, whatever changed among them; `None` with too few of them.
    pub overall: Option<Slope>,
    /// Changes among the newest cycles, oldest first.
    pub changes: Vec<Change>,
    /// The standing watch.
    pub watch: WatchState,
    /// One-sided p value against "the level is not worse than the baseline by more than half of what is worth
    /// knowing"; 1 while the watch is learning. What a fleet is judged by.
    pub p_worse_than_baseline: f64,
    /// When the limit is reached.
    pub forecast: Forecast,
    /// Probability that the limit is passed within [`RISK_DAYS`]; 0 without a limit.
    pub risk: f64,
    /// Cycles a day.
    pub cycles_per_day: Option<f64>,
}

/// How a series grows.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Slope {
    /// Theil-Sen slope per 100 cycles.
    pub per_100_cycles: Estimate,
    /// Theil-Sen slope per month.
    pub per_month: Estimate,
    /// Kendall's S.
    pub s: i64,
    /// Kendall's tau.
    pub tau: f64,
    /// By how much likeness of neighbouring errors inflates the variance of S.
    pub inflation: f64,
    /// Two-sided p value of the Mann-Kendall test so corrected.
    pub p: f64,
    /// The same without that correction: what it would be if every cycle had its own weather.
    pub p_independent: f64,
    /// One-sided p value against "does not get worse".
    pub p_worse: f64,
}

/// The watch for the page: distances in scales of the baseline.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct WatchState {
    /// What was learned; `None` while learning.
    pub baseline: Option<Baseline>,
    /// The watch has not begun yet: at least [`crate::watch::LEARN`] cycles and [`crate::watch::LEARN_DAYS`] days.
    pub still_learning: bool,
    /// CUSUM.
    pub sum: f64,
    /// Alarm above this.
    pub sum_limit: f64,
    /// EWMA.
    pub average: f64,
    /// Alarm above this.
    pub average_limit: f64,
    /// The alarm that stands.
    pub alarm: Option<Alarm>,
}

/// Assesses a series at a moment (normally now; before the newest cycle it counts as that) against a limit.
///
/// `None`: no cycle since the last service entry.
///
/// ```
/// use foldwatch_trend::{assess, Forecast, Point, Series, Worse};
/// use foldwatch_units::Micros;
/// let mut series = Series::new(Worse::Higher);
/// for cycle in 0..200u64 {
///     let scatter = ((cycle * 37) % 11) as f64 * 0.01;
///     let value = 4.0 + 0.003 * cycle as f64 + scatter;
///     series.push(Point { cycle, at: Micros(cycle as i64 * 43_200_000_000), value, raw: value })?;
/// }
/// let now = Micros(200 * 43_200_000_000);
/// let found = assess(&series, now, Some(5.0)).unwrap();
/// let slope = found.slope.unwrap().per_100_cycles;
/// assert!(slope.low < 0.3 && 0.3 < slope.high);
/// assert!(matches!(found.forecast, Forecast::Likely { .. }));
/// # Ok::<(), foldwatch_trend::Refused>(())
/// ```
pub fn assess(series: &Series, now: Micros, limit: Option<f64>) -> Option<Assessment> {
    let points: Vec<Point> = series.recent().copied().collect();
    let last = *points.last()?;
    let first_at = points.first()?.at;
    let limit = limit.filter(|l| l.is_finite());
    let days: Vec<f64> = points.iter().map(|p| days_between(first_at, p.at)).collect();
    let cycles: Vec<f64> = points.iter().map(|p| p.cycle as f64).collect();
    let values: Vec<f64> = points.iter().map(|p| p.value).collect();

    let calm = changes::calmed(&values);
    let cuts = changes::splits(&cycles, &days, &calm);
    let serviced: Vec<Micros> = series.services().iter().map(|s| s.at).collect();
    let (found, cuts) = changes::describe(&points, &days, &calm, cuts, series.worse(), &serviced);

    let from = cuts.last().copied().unwrap_or(0);
    let line = Line::through(&cycles[from..], &days[from..], &values[from..]);
    let usage = Usage::of(&points);
    let now = now.max(last.at);
    let mut forecast = match limit {
        None => Forecast::NoLimit,
        Some(_) => Forecast::TooEarly {
            more_cycles: (crate::forecast::FEWEST as u64).saturating_sub(points.len() as u64).max(1),
        },
    };
    let mut risk = 0.0;
    if let (Some(line), Some(usage), Some(limit)) = (&line, usage, limit) {
        let given = Given {
            straight: &line.by_cycle,
            centre: line.centre,
            cycles: &cycles[from..],
            days: &days[from..],
            calm: &line.calm,
            now,
            usage,
            worse: series.worse(),
            limit,
        };
        if let Some(stretch) = Stretch::new(&given) {
            forecast = stretch.forecast();
            risk = stretch.risk(RISK_DAYS);
        }
    }
    let slope = line.as_ref().and_then(|line| line.slope(&values[from..], series.worse()));
    let overall = match from {
        0 => slope,
        _ => Line::through(&cycles, &days, &values).and_then(|line| line.slope(&values, series.worse())),
    };
    let watch = series.watch();
    Some(Assessment {
        newest_cycle: last.cycle,
        newest_at: last.at,
        cycles: series.since_service(),
        stretch: points.len() - from,
        level: match &line {
            Some(line) => line.by_cycle.value([1.0, last.cycle as f64 - line.centre]),
            None => median(&mut values[from..].to_vec())?,
        },
        slope,
        overall,
        changes: found,
        watch: WatchState {
            baseline: watch.baseline(),
            still_learning: watch.still_learning(),
            sum: watch.sum(),
            sum_limit: crate::watch::DECISION,
            average: watch.average(),
            average_limit: crate::watch::average_limit(),
            alarm: watch.alarm(),
        },
        p_worse_than_baseline: worse_than_baseline(line.as_ref(), &last, watch.baseline(), series.worse()),
        forecast,
        risk,
        cycles_per_day: usage.map(|u| u.per_day),
    })
}

/// P value against the level being the baseline and an allowance; the baseline's own error counts.
fn worse_than_baseline(line: Option<&Line>, last: &Point, baseline: Option<Baseline>, worse: Worse) -> f64 {
    let (Some(line), Some(baseline)) = (line, baseline) else { return 1.0 };
    let by = [1.0, last.cycle as f64 - line.centre];
    let allowed = worse.sign() * 0.5 * WORTH * baseline.level.abs();
    let excess = worse.sign() * (line.by_cycle.value(by) - baseline.level - allowed);
    let u = line.by_cycle.u(by).hypot(baseline.u_level);
    if u > 0.0 { dist::student_upper(excess / u, line.by_cycle.df) } else { 1.0 }
}

/// The straight line through a stretch, over cycles and over days.
struct Line {
    centre: f64,
    by_cycle: Fit<2>,
    by_day: Fit<2>,
    per_cycle: f64,
    per_day: f64,
    /// The values, outliers pulled in.
    calm: Vec<f64>,
}

impl Line {
    fn through(cycles: &[f64], days: &[f64], values: &[f64]) -> Option<Self> {
        if values.len() < FEWEST_FOR_SLOPE {
            return None;
        }
        let cycle = Robust::over(cycles, days, values)?;
        let day = Robust::over(days, days, values)?;
        Some(Line {
            centre: cycle.centre,
            by_cycle: cycle.fit,
            by_day: day.fit,
            per_cycle: cycle.slope,
            per_day: day.slope,
            calm: cycle.calm,
        })
    }

    fn slope(&self, values: &[f64], worse: Worse) -> Option<Slope> {
        // How much wider the interval is than one for independent errors: that is what S varies more, too.
        let [low, high] = [0.025, 0.975].map(|p| self.by_cycle.quantile([0.0, 1.0], p));
        let independent =
            2.0 * dist::student_quantile(0.975, self.by_cycle.df) * self.by_cycle.independent_u([0.0, 1.0]);
        let inflation = if independent > 0.0 { ((high - low) / independent).powi(2).max(1.0) } else { 1.0 };
        let test = mann_kendall::corrected(values, inflation)?;
        Some(Slope {
            per_100_cycles: around(self.per_cycle, &self.by_cycle).times(100.0),
            per_month: around(self.per_day, &self.by_day).times(MONTH_DAYS),
            s: test.s,
            tau: test.tau,
            inflation,
            p: test.p,
            p_independent: mann_kendall::mann_kendall(values)?.p,
            p_worse: dist::normal_cdf(-test.z * worse.sign()),
        })
    }
}

/// The interval of the fit's slope, put around the Theil-Sen slope and widened to its spread.
fn around(slope: f64, fit: &Fit<2>) -> Estimate {
    let by = [0.0, 1.0];
    let best = fit.value(by);
    let end = |p: f64| slope + THEIL_SEN_SPREAD * (fit.quantile(by, p) - best);
    Estimate { value: slope, low: end(0.025), high: end(0.975) }
}

/// A robust line: Theil-Sen first, residuals pulled in to three standard deviations, then least squares with lasting
/// errors.
struct Robust {
    /// The place that the fit's first coefficient belongs to.
    centre: f64,
    fit: Fit<2>,
    /// Theil-Sen.
    slope: f64,
    /// The values, outliers pulled in.
    calm: Vec<f64>,
}

impl Robust {
    fn over(x: &[f64], days: &[f64], y: &[f64]) -> Option<Self> {
        let slope = theil_sen::slope(x, y)?;
        let centre = x.iter().sum::<f64>() / x.len() as f64;
        let flat: Vec<f64> = x.iter().zip(y).map(|(x, y)| y - slope * (x - centre)).collect();
        let middle = median(&mut flat.clone())?;
        let reach = 3.0 * scaled_mad(&flat)?;
        let pulled_in = |(x, v): (&f64, f64)| v.clamp(middle - reach, middle + reach) + slope * (x - centre);
        let calm: Vec<f64> = x.iter().zip(flat).map(pulled_in).collect();
        let rows: Vec<[f64; 2]> = x.iter().map(|x| [1.0, x - centre]).collect();
        let season = season_in(&rows, days, SEASON * middle);
        let fit = correlated::fit(&rows, days, &calm)?.widened(season);
        Some(Robust { centre, fit, slope, calm })
    }
}

/// What a yearly swing of unknown phase, `half` its size, adds to the covariance of a line's coefficients: the line
/// takes up whatever of the swing's sine and cosine looks straight over these days.
fn season_in(rows: &[[f64; 2]], days: &[f64], half: f64) -> [[f64; 2]; 2] {
    let mut covariance = [[0.0; 2]; 2];
    for wave in [f64::sin, f64::cos] {
        let swing: Vec<f64> = days
            .iter()
            .map(|d| half * std::f64::consts::FRAC_1_SQRT_2 * wave(std::f64::consts::TAU * d / 365.25))
            .collect();
        let Some((taken, _)) = correlated::least_squares(rows, &swing) else { continue };
        for (row, a) in covariance.iter_mut().zip(taken) {
            row.iter_mut().zip(taken).for_each(|(c, b)| *c += a * b);
        }
    }
    covariance
}
