//! Many cars: worst first, and only such calls as the stated rate of false ones allows.

use crate::assess::Assessment;
use crate::forecast::Forecast;
use crate::point::{Worse, days_between};
use crate::stats::bh;
use crate::stats::order::{MAD_TO_SD, median};
use foldwatch_units::Micros;
use std::cmp::Ordering;
use std::collections::HashMap;

/// Share of false ones among the calls that is kept to.
pub const FALSE_CALLS: f64 = 0.05;

/// Further than this many scaled median deviations from its kind is unlike it: Iglewicz and Hoaglin, How to Detect and
/// Handle Outliers (1993), as in NIST/SEMATECH e-Handbook 1.3.5.17.
pub const UNLIKE: f64 = 3.5;

/// Fewest cars of a kind for a comparison with it. Judgement.
pub const FEWEST_PEERS: usize = 5;

/// One series of one car.
#[derive(Debug, Clone, Copy)]
pub struct Entry<'a> {
    /// The car's kind (its profile).
    pub kind: &'a str,
    /// What the series is: direction and phase, or measure.
    pub series: &'a str,
    /// Which way is worse.
    pub worse: Worse,
    /// What it says now.
    pub assessment: &'a Assessment,
}

/// Whether to call the car in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Call {
    /// Nothing to do.
    None,
    /// The watch alarms, but among so many series that may be chance: look again.
    LookAgain,
    /// Book the car: the watch alarms and the change holds among all series at [`FALSE_CALLS`], or the limit is passed.
    Book,
}

/// A car's number among the numbers of its kind.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Peers {
    /// Cars of the kind with this series, itself included.
    pub cars: usize,
    /// Median of their levels.
    pub median: f64,
    /// Own level over the median.
    pub ratio: f64,
    /// Scaled median deviations from the median, positive is worse.
    pub deviations: f64,
    /// Worse than its kind by more than [`UNLIKE`].
    pub unlike: bool,
}

/// Where an entry stands.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Standing {
    /// Its index in the entries given.
    pub entry: usize,
    /// Whether to call the car in.
    pub call: Call,
    /// p value adjusted for all series (Benjamini-Hochberg).
    pub p_adjusted: f64,
    /// Expected days until the limit: 0 when past, `None` when it can't be said.
    pub days_to_limit: Option<f64>,
    /// Not before so many days, with 95 %; `None` when it can't be said.
    pub days_at_least: Option<f64>,
    /// Probability that the limit is passed within [`crate::RISK_DAYS`].
    pub risk: f64,
    /// Against its kind; `None` with too few of them.
    pub peers: Option<Peers>,
}

/// What comes first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Order {
    /// The fewest expected days to the limit.
    #[default]
    Days,
    /// The highest risk.
    Risk,
}

impl Order {
    /// Which of two comes first.
    pub fn compare(self, a: &Standing, b: &Standing) -> Ordering {
        // Without an expected day there is nothing to order by here: such cars follow, by call and risk.
        let day = |s: &Standing| s.days_to_limit.unwrap_or(f64::INFINITY);
        let by_days = || day(a).total_cmp(&day(b));
        let by_call = || b.call.cmp(&a.call);
        // Below a tenth of a per cent a risk is none, and its digits should not decide.
        let by_risk = || (b.risk * 1e3).round().total_cmp(&(a.risk * 1e3).round());
        let first = match self {
            Order::Days => by_days().then_with(by_call).then_with(by_risk),
            Order::Risk => by_risk().then_with(by_days).then_with(by_call),
        };
        first.then_with(|| a.p_adjusted.total_cmp(&b.p_adjusted)).then_with(|| a.entry.cmp(&b.entry))
    }
}

/// Where every entry stands, in the order given. Calls come from all of them: leave none out that was looked at.
pub fn standings(entries: &[Entry<'_>], now: Micros) -> Vec<Standing> {
    let p: Vec<f64> = entries.iter().map(|e| e.assessment.p_worse_than_baseline).collect();
    let peers = against_kind(entries);
    entries
        .iter()
        .zip(bh::adjusted(&p))
        .zip(peers)
        .enumerate()
        .map(|(entry, ((e, p_adjusted), peers))| {
            let (days_to_limit, days_at_least) = days(&e.assessment.forecast, now);
            Standing {
                entry,
                call: call(e.assessment, p_adjusted),
                p_adjusted,
                days_to_limit,
                days_at_least,
                risk: e.assessment.risk,
                peers,
            }
        })
        .collect()
}

/// [`standings`], worst first.
pub fn rank(entries: &[Entry<'_>], now: Micros, order: Order) -> Vec<Standing> {
    let mut standings = standings(entries, now);
    standings.sort_by(|a, b| order.compare(a, b));
    standings
}

fn call(assessment: &Assessment, p_adjusted: f64) -> Call {
    let past =
        matches!(assessment.forecast, Forecast::Past { probability } if probability >= 1.0 - FALSE_CALLS);
    match (assessment.watch.alarm.is_some(), p_adjusted <= FALSE_CALLS) {
        _ if past => Call::Book,
        (true, true) => Call::Book,
        (true, false) => Call::LookAgain,
        _ => Call::None,
    }
}

fn days(forecast: &Forecast, now: Micros) -> (Option<f64>, Option<f64>) {
    let to = |at| days_between(now, at).max(0.0);
    match forecast {
        Forecast::Past { .. } => (Some(0.0), Some(0.0)),
        Forecast::Likely { earliest, middle, .. } => (Some(to(middle.at)), Some(to(earliest.at))),
        Forecast::NotBefore { earliest } => (None, Some(to(earliest.at))),
        Forecast::NoLimit | Forecast::TooEarly { .. } => (None, None),
    }
}

fn against_kind(entries: &[Entry<'_>]) -> Vec<Option<Peers>> {
    let mut levels: HashMap<(&str, &str), Vec<f64>> = HashMap::new();
    for e in entries {
        levels.entry((e.kind, e.series)).or_default().push(e.assessment.level);
    }
    // Median and scaled median deviation of each kind, once.
    let middles: HashMap<(&str, &str), (usize, f64, f64)> = levels
        .into_iter()
        .filter(|(_, levels)| levels.len() >= FEWEST_PEERS)
        .filter_map(|(key, mut levels)| {
            let middle = median(&mut levels)?;
            levels.iter_mut().for_each(|l| *l = (*l - middle).abs());
            Some((key, (levels.len(), middle, median(&mut levels)? * MAD_TO_SD)))
        })
        .collect();
    let peers = |e: &Entry<'_>| {
        let (cars, middle, spread) = *middles.get(&(e.kind, e.series))?;
        let level = e.assessment.level;
        let off = e.worse.sign() * (level - middle);
        let deviations = if spread > 0.0 { off / spread } else { 0.0 };
        let ratio = if middle != 0.0 { level / middle } else { 1.0 };
        Some(Peers { cars, median: middle, ratio, deviations, unlike: deviations > UNLIKE })
    };
    entries.iter().map(peers).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::point::Point;
    use crate::series::Series;
    use crate::{Assessment, assess};

    const DAY: i64 = 86_400_000_000;

    fn assessed(growth: f64, seed: u64) -> Assessment {
        let mut series = Series::new(Worse::Higher);
        for cycle in 0..200u64 {
            let scatter = (((cycle + seed * 31) as f64 * 0.618_033_988_75).fract() - 0.5) * 0.2;
            let value = 4.0 + growth * cycle as f64 + scatter;
            series.push(Point { cycle, at: Micros(cycle as i64 * DAY / 2), value, raw: value }).unwrap();
        }
        assess(&series, Micros(100 * DAY), Some(6.0)).unwrap()
    }

    #[test]
    fn worst_first_and_only_the_worn_are_called() {
        let assessments: Vec<Assessment> = [0.0, 0.008, 0.0, 0.004, 0.0, 0.0]
            .iter()
            .zip(0..)
            .map(|(growth, seed)| assessed(*growth, seed))
            .collect();
        let entries: Vec<Entry<'_>> = assessments
            .iter()
            .map(|assessment| Entry {
                kind: "hardtop",
                series: "opening/fold",
                worse: Worse::Higher,
                assessment,
            })
            .collect();
        for order in [Order::Days, Order::Risk] {
            let standings = rank(&entries, Micros(100 * DAY), order);
            assert_eq!((standings[0].entry, standings[1].entry), (1, 3), "{order:?}");
            let called: Vec<usize> =
                standings.iter().filter(|s| s.call == Call::Book).map(|s| s.entry).collect();
            assert_eq!(called, [1, 3]);
        }
        let standings = rank(&entries, Micros(100 * DAY), Order::Days);
        assert!(standings[0].peers.unwrap().unlike);
        assert!(!standings[5].peers.unwrap().unlike);
        // 5.6 s now, 0.4 s to go at 0.016 s a day.
        let days = standings[0].days_to_limit.unwrap();
        assert!((days - 25.0).abs() < 3.0, "{days}");
    }

    #[test]
    fn an_empty_fleet_is_fine() {
        assert!(rank(&[], Micros(0), Order::Days).is_empty());
    }
}
