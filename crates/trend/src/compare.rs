//! Before and after: what a repair brought.

use crate::point::{Estimate, Point, Worse, days_between};
use crate::series::Series;
use crate::stats::correlated;
use crate::stats::dist::{normal_cdf, student_quantile};
use crate::stats::hodges_lehmann;
use crate::stats::order::{median, scaled_mad};
use crate::stats::rank_tests::{self, Distribution};
use crate::watch::WORTH;

/// How many cycles on each side, at the most, the comparison of a series takes: the last before the service entry and
/// the newest after it. Judgement: more would bring in older wear.
pub const EACH_SIDE: usize = 60;

/// From this many cycles on each side, the interval takes into account that neighbouring cycles are alike: the weather
/// of the day lies on all cycles of that day. With fewer they count as independent.
pub const FEWEST_FOR_LIKENESS: usize = 4;

/// From this many cycles on each side the rank test does so too; with fewer it is the exact one.
const FEWEST_FOR_LIKENESS_IN_RANKS: usize = 10;

/// A Hodges-Lehmann shift scatters this much more than a difference of means where errors are normal: sqrt(pi / 3).
const HODGES_LEHMANN_SPREAD: f64 = 1.023_326_707_946_488_5;

/// Level of the test, two-sided.
pub const LEVEL: f64 = 0.05;

/// Chance that a change of [`WORTH`] is to be found with, in the count of cycles still needed: normal quantile of 80 %.
const POWER_Z: f64 = 0.841_621_233_572_914;
/// Normal quantile of 1 - LEVEL / 2.
const LEVEL_Z: f64 = 1.959_963_984_540_054;

/// Before against after.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Comparison {
    /// Cycles before.
    pub count_before: usize,
    /// Cycles after.
    pub count_after: usize,
    /// Median before.
    pub median_before: f64,
    /// Median after.
    pub median_after: f64,
    /// Hodges-Lehmann shift, after less before, in the unit of the values.
    pub shift: Estimate,
    /// Probability with which the interval holds the shift; small samples have no 95 %.
    pub confidence: f64,
    /// Two-sided p value of the rank test.
    pub p: f64,
    /// Where it comes from.
    pub from: Distribution,
    /// By how much likeness of neighbouring cycles inflates the variance; 1: taken as independent.
    pub inflation: f64,
    /// In one word.
    pub verdict: Verdict,
}

/// In one word.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case", tag = "says")]
pub enum Verdict {
    /// It changed for the better.
    Better,
    /// It changed for the worse.
    Worse,
    /// Whatever changed is less than is worth knowing.
    NoChangeShown,
    /// The interval holds both 0 and a change worth knowing.
    CannotTell {
        /// About so many more cycles after; `None`: the cycles before are too few for any number after.
        more_cycles: Option<u64>,
    },
}

/// Compares the cycles around the last service entry of a series. `None`: there is none, or no cycle on one side.
pub fn around_last_service(series: &Series) -> Option<Comparison> {
    let before = series.before();
    let before = &before[before.len().saturating_sub(EACH_SIDE)..];
    let skip = series.recent().len().saturating_sub(EACH_SIDE);
    let after: Vec<Point> = series.recent().skip(skip).copied().collect();
    compare(before, &after, series.worse())
}

/// Compares two lots of cycles, each in order of time.
///
/// `None`: one is empty, or a value is not finite.
///
/// ```
/// use foldwatch_trend::{compare, Point, Verdict, Worse};
/// use foldwatch_units::Micros;
/// let lot = |first: u64, level: f64| -> Vec<Point> {
///     (first..first + 8)
///         .map(|cycle| {
///             let value = level + 0.01 * ((cycle * 5) % 8) as f64;
///             Point { cycle, at: Micros(cycle as i64 * 600_000_000), value, raw: value }
///         })
///         .collect()
/// };
/// let found = compare(&lot(0, 5.2), &lot(8, 4.1), Worse::Higher).unwrap();
/// assert_eq!(found.verdict, Verdict::Better);
/// assert!((found.shift.value + 1.1).abs() < 0.02);
/// ```
pub fn compare(before: &[Point], after: &[Point], worse: Worse) -> Option<Comparison> {
    let old: Vec<f64> = before.iter().map(|p| p.value).collect();
    let new: Vec<f64> = after.iter().map(|p| p.value).collect();
    let (median_before, median_after) = (median(&mut old.clone())?, median(&mut new.clone())?);
    let shift = hodges_lehmann::shift(&old, &new, 1.0 - LEVEL, 1.0)?;
    let mut interval = Estimate { value: shift.shift, low: shift.low, high: shift.high };
    let mut confidence = shift.confidence;
    let mut inflation = 1.0;
    if let Some(likeness) = likeness(before, after, median_before, median_after) {
        inflation = likeness.inflation;
        interval.low = shift.shift + HODGES_LEHMANN_SPREAD * likeness.low;
        interval.high = shift.shift + HODGES_LEHMANN_SPREAD * likeness.high;
        confidence = 1.0 - LEVEL;
    }
    let test = if old.len().min(new.len()) >= FEWEST_FOR_LIKENESS_IN_RANKS {
        rank_tests::normal(&old, &new, inflation)?
    } else {
        rank_tests::mann_whitney(&old, &new)?
    };
    let worth = WORTH * median_before.abs();
    let sure = confidence >= 1.0 - LEVEL;
    let verdict = if sure && interval.low > -worth && interval.high < worth {
        Verdict::NoChangeShown
    } else if sure && test.p <= LEVEL && interval.excludes_zero() {
        if interval.value * worse.sign() < 0.0 { Verdict::Better } else { Verdict::Worse }
    } else {
        let spread = [residuals(&old, median_before), residuals(&new, median_after)].concat();
        Verdict::CannotTell {
            more_cycles: needed(old.len(), new.len(), scaled_mad(&spread)?, worth, interval, inflation),
        }
    };
    Some(Comparison {
        count_before: old.len(),
        count_after: new.len(),
        median_before,
        median_after,
        shift: interval,
        confidence,
        p: test.p,
        from: test.from,
        inflation,
        verdict,
    })
}

fn residuals(values: &[f64], level: f64) -> Vec<f64> {
    values.iter().map(|v| v - level).collect()
}

/// What is known of a difference when neighbours are alike.
struct Likeness {
    /// Ends of the interval of the difference, from its best value.
    low: f64,
    high: f64,
    /// The interval's width over that for independent errors, squared.
    inflation: f64,
}

/// `None`: too few cycles to see.
fn likeness(before: &[Point], after: &[Point], old: f64, new: f64) -> Option<Likeness> {
    if before.len().min(after.len()) < FEWEST_FOR_LIKENESS {
        return None;
    }
    let start = before.first()?.at;
    let days: Vec<f64> = before.iter().chain(after).map(|p| days_between(start, p.at)).collect();
    let values: Vec<f64> =
        before.iter().map(|p| p.value - old).chain(after.iter().map(|p| p.value - new)).collect();
    let reach = 3.0 * scaled_mad(&values)?;
    let calm: Vec<f64> = values.iter().map(|v| v.clamp(-reach, reach)).collect();
    let rows: Vec<[f64; 2]> =
        (0..values.len()).map(|i| [1.0, f64::from(u8::from(i >= before.len()))]).collect();
    let fit = correlated::fit(&rows, &days, &calm)?;
    let by = [0.0, 1.0];
    let [low, high] = [LEVEL / 2.0, 1.0 - LEVEL / 2.0].map(|p| fit.quantile(by, p) - fit.value(by));
    let independent = 2.0 * student_quantile(1.0 - LEVEL / 2.0, fit.df) * fit.independent_u(by);
    let inflation = if independent > 0.0 { ((high - low) / independent).powi(2).max(1.0) } else { 1.0 };
    Some(Likeness { low, high, inflation })
}

/// How many more cycles after it takes. First by power: a change that is worth knowing is found with 80 % (Noether,
/// J. Amer. Statist. Assoc. 82, 645-647 (1987)). Where there are that many and it still can't be told, the change is
/// close to 0 or to what is worth knowing: then until the interval is short enough to leave one of them out.
fn needed(old: usize, new: usize, sd: f64, worth: f64, shift: Estimate, inflation: f64) -> Option<u64> {
    let (n, m) = (old as f64, new as f64);
    let by_power = || {
        let apart = normal_cdf(worth / (sd * std::f64::consts::SQRT_2)) - 0.5;
        // n m / (n + m + 1) has to reach this.
        let target = inflation * (LEVEL_Z + POWER_Z).powi(2) / (12.0 * apart * apart);
        (n > target).then(|| target * (n + 1.0) / (n - target) - m)
    };
    let by_width = || {
        let half = 0.5 * (shift.high - shift.low);
        let wanted = shift.value.abs().max(worth - shift.value.abs());
        let target = (1.0 / n + 1.0 / m) * (wanted / half).powi(2) - 1.0 / n;
        (target > 0.0).then(|| 1.0 / target - m)
    };
    let more = by_power()?;
    let more = if more >= 1.0 { more } else { by_width()? };
    more.is_finite().then(|| more.ceil().max(1.0) as u64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use foldwatch_units::Micros;

    fn lot(first: u64, count: u64, level: f64, spread: f64) -> Vec<Point> {
        (first..first + count)
            .map(|cycle| {
                let value = level + spread * ((cycle as f64 * 0.618_033_988_75).fract() - 0.5);
                Point { cycle, at: Micros(cycle as i64 * 40_000_000_000), value, raw: value }
            })
            .collect()
    }

    #[test]
    fn the_worse_side_decides() {
        let (low, high) = (lot(0, 20, 4.0, 0.2), lot(20, 20, 5.0, 0.2));
        assert_eq!(compare(&low, &high, Worse::Higher).unwrap().verdict, Verdict::Worse);
        assert_eq!(compare(&low, &high, Worse::Lower).unwrap().verdict, Verdict::Better);
    }

    #[test]
    fn many_equal_cycles_show_no_change() {
        let found = compare(&lot(0, 60, 4.0, 0.2), &lot(60, 60, 4.0, 0.2), Worse::Higher).unwrap();
        assert_eq!(found.verdict, Verdict::NoChangeShown);
    }

    #[test]
    fn few_cycles_ask_for_more() {
        let before = lot(0, 20, 4.0, 0.5);
        let found = compare(&before, &lot(20, 3, 4.0, 0.5), Worse::Higher).unwrap();
        let Verdict::CannotTell { more_cycles: Some(more) } = found.verdict else {
            panic!("{found:?}");
        };
        assert!((1..100).contains(&more), "{more}");
        let found = compare(&lot(0, 2, 4.0, 0.5), &lot(2, 3, 4.2, 0.5), Worse::Higher).unwrap();
        assert_eq!(found.verdict, Verdict::CannotTell { more_cycles: None });
    }

    /// Noether's count against the textbook case n = m: for P(X < Y) = 0.7, level 5 %, power 80 %, it gives
    /// (1.96 + 0.84)^2 / (6 x 0.2^2) = 32.7 a side.
    #[test]
    fn power_by_noether() {
        let quantile = 0.524_400_512_708_041; // of 0.7
        let worth = quantile * std::f64::consts::SQRT_2;
        let wide = Estimate { value: 0.0, low: -9.0, high: 9.0 };
        assert_eq!(needed(33, 0, 1.0, worth, wide, 1.0), Some(34));
    }

    #[test]
    fn nothing_to_compare() {
        assert_eq!(compare(&[], &lot(0, 3, 4.0, 0.1), Worse::Higher), None);
        assert_eq!(around_last_service(&Series::new(Worse::Higher)), None);
    }
}
