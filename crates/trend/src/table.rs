//! From rows of measured times to the tables of trends and comparisons, ready to be written.

use crate::assess::{Assessment, assess};
use crate::compare::{self, Comparison};
use crate::point::{Point, Service, Worse};
use crate::series::Series;
use foldwatch_units::{Direction, Micros, Seconds};
use std::collections::BTreeMap;

/// One measured time.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// Which car.
    pub car: String,
    /// When.
    pub at: Micros,
    /// Which way.
    pub direction: Direction,
    /// Which phase.
    pub phase: String,
    /// How long it took, at reference conditions if that is known.
    pub seconds: Seconds,
}

/// What a series is of.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
pub struct Key {
    /// Which car.
    pub car: String,
    /// Which way.
    pub direction: Direction,
    /// Which phase.
    pub phase: String,
}

/// Where a series stands.
#[derive(Debug, Clone, PartialEq)]
pub struct TrendRow {
    /// What it is of.
    pub key: Key,
    /// What the series says.
    pub assessment: Assessment,
    /// The limit that it was held against.
    pub limit: Option<Seconds>,
}

/// A series before against after a moment.
#[derive(Debug, Clone, PartialEq)]
pub struct CompareRow {
    /// What it is of.
    pub key: Key,
    /// Before against after; `None`: no cycles on one side.
    pub comparison: Option<Comparison>,
    /// Cycles before and after that there are.
    pub counts: (usize, usize),
}

/// A table and what could not be used.
#[derive(Debug, Clone, PartialEq)]
pub struct Table<R> {
    /// By car, direction and phase.
    pub rows: Vec<R>,
    /// Rows that were no finite number.
    pub left_out: usize,
}

/// Series of every car, direction and phase in some rows, in any order. Cycles are counted by the rows themselves.
pub fn series(
    rows: impl IntoIterator<Item = Row>,
    services: impl Fn(&Key) -> Vec<Service>,
) -> (BTreeMap<Key, Series>, usize) {
    let mut times: BTreeMap<Key, Vec<(Micros, f64)>> = BTreeMap::new();
    for row in rows {
        let key = Key { car: row.car, direction: row.direction, phase: row.phase };
        times.entry(key).or_default().push((row.at, row.seconds.0));
    }
    let mut left_out = 0;
    let built = times
        .into_iter()
        .map(|(key, mut times)| {
            times.sort_by_key(|(at, _)| *at);
            let points = (1..).zip(times).map(|(cycle, (at, value))| Point { cycle, at, value, raw: value });
            let (series, refused) = Series::build(Worse::Higher, points, services(&key));
            left_out += refused.len();
            (key, series)
        })
        .collect();
    (built, left_out)
}

/// The trend of every series in some rows, seen from `now`, against the limit of each where one is known.
///
/// ```
/// use foldwatch_trend::table::{trends, Row};
/// use foldwatch_trend::Forecast;
/// use foldwatch_units::{Direction, Micros, Seconds};
/// let rows = (0..60).map(|i| Row {
///     car: "van 3".into(),
///     at: Micros(i * 43_200_000_000),
///     direction: Direction::Opening,
///     phase: "fold".into(),
///     seconds: Seconds(4.0 + 0.01 * (i % 5) as f64),
/// });
/// let table = trends(rows, |_| Vec::new(), |_| Some(Seconds(6.0)), Micros(60 * 43_200_000_000));
/// assert_eq!(table.rows.len(), 1);
/// assert!(matches!(table.rows[0].assessment.forecast, Forecast::NotBefore { .. }));
/// ```
pub fn trends(
    rows: impl IntoIterator<Item = Row>,
    services: impl Fn(&Key) -> Vec<Service>,
    limit: impl Fn(&Key) -> Option<Seconds>,
    now: Micros,
) -> Table<TrendRow> {
    let (built, left_out) = series(rows, services);
    let rows = built
        .into_iter()
        .filter_map(|(key, series)| {
            let limit = limit(&key);
            let assessment = assess(&series, now, limit.map(|l| l.0))?;
            Some(TrendRow { key, assessment, limit })
        })
        .collect();
    Table { rows, left_out }
}

/// Every series in some rows, before against after a moment of its car's: the [`compare::EACH_SIDE`] cycles next to it
/// on each side. Series without a moment are left out.
pub fn comparisons(
    rows: impl IntoIterator<Item = Row>,
    at: impl Fn(&Key) -> Option<Micros>,
) -> Table<CompareRow> {
    let entry = |key: &Key| at(key).map(|at| Service { at, what: String::new() }).into_iter().collect();
    let (built, left_out) = series(rows, entry);
    let rows = built
        .into_iter()
        .filter(|(key, _)| at(key).is_some())
        .map(|(key, series)| {
            let comparison = compare::around_last_service(&series);
            // With nothing before the moment, the entry has split nothing off.
            let after = series.since_service() as usize;
            CompareRow { key, comparison, counts: (series.total() as usize - after, after) }
        })
        .collect();
    Table { rows, left_out }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Verdict;

    fn rows() -> Vec<Row> {
        (0..80i64)
            .rev()
            .map(|i| {
                let worn = if i < 40 { 1.0 } else { 0.0 };
                Row {
                    car: "shop 7".into(),
                    at: Micros(i * 30_000_000_000),
                    direction: if i % 2 == 0 { Direction::Opening } else { Direction::Closing },
                    phase: "lid".into(),
                    seconds: Seconds(3.0 + worn + ((i as f64) * 0.618_034).fract() * 0.1),
                }
            })
            .collect()
    }

    #[test]
    fn a_pile_of_rows_becomes_two_series() {
        let mut pile = rows();
        pile[3].seconds = Seconds(f64::NAN);
        let table = trends(pile, |_| Vec::new(), |_| None, Micros(80 * 30_000_000_000));
        assert_eq!((table.rows.len(), table.left_out), (2, 1));
        let step = table.rows[0].assessment.changes[0];
        assert_eq!(step.at, Micros(40 * 30_000_000_000));
        assert_eq!(step.question(), Some("Was something done here?"));
    }

    #[test]
    fn before_and_after_a_moment() {
        let table = comparisons(rows(), |_| Some(Micros(40 * 30_000_000_000 - 1)));
        assert!(table.rows.iter().all(|r| r.comparison.unwrap().verdict == Verdict::Better));
        assert!(table.rows.iter().all(|r| r.counts == (20, 20)));
        let table = comparisons(rows(), |_| Some(Micros(0)));
        assert!(table.rows.iter().all(|r| r.comparison.is_none() && r.counts == (0, 40)));
        assert!(comparisons(rows(), |_| None).rows.is_empty());
    }
}
