//! One series: a car's one phase or measure over its cycles, split by the service record.
//!
//! A cycle costs the same whatever the history. Kept since the last service entry: the newest [`RECENT`] cycles as they
//! are; older ones as medians of blocks of [`BLOCK`] cycles; when there are [`BLOCKS`] of those, neighbours are joined
//! in pairs. Kept from before the entry: the last [`BEFORE`] cycles, for the comparison. The state follows from the
//! sequence of pushes alone, so a rebuilt series equals the one that grew cycle by cycle, bit for bit.

use crate::point::{Point, Service, Worse};
use crate::stats::order::median;
use crate::watch::Watch;
use foldwatch_units::Micros;
use std::collections::VecDeque;
use std::fmt;

/// Cycles that are kept as they are.
pub const RECENT: usize = 400;
/// Cycles in a block when it is formed.
pub const BLOCK: usize = 50;
/// Blocks at the most.
pub const BLOCKS: usize = 64;
/// Cycles kept from before the last service entry.
pub const BEFORE: usize = 200;

/// Cycles that have gone from the recent ones, as one.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Block {
    /// First cycle in it.
    pub first: u64,
    /// Last cycle in it.
    pub last: u64,
    /// When its first cycle was.
    pub from: Micros,
    /// When its last cycle was.
    pub to: Micros,
    /// How many cycles.
    pub count: u64,
    /// Median value; of joined blocks the mean of their medians by count.
    pub value: f64,
}

/// A push that would break the order of the series. Sort, and build it anew with [`Series::build`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Refused {
    /// The cycle or service entry lies before what is already in.
    Late {
        /// Its moment.
        at: Micros,
        /// The newest moment in the series.
        newest: Micros,
    },
    /// The cycle's number is not above the newest in the series.
    Repeated {
        /// Its number.
        cycle: u64,
        /// The newest in the series.
        newest: u64,
    },
    /// The value is not a finite number.
    NotANumber {
        /// The cycle's number.
        cycle: u64,
    },
}

impl fmt::Display for Refused {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Refused::Late { at, newest } => write!(
                f,
                "moment {} µs lies before the newest in the series, {} µs; build the series anew from the sorted cycles",
                at.0, newest.0
            ),
            Refused::Repeated { cycle, newest } => write!(
                f,
                "cycle {cycle} is not after the newest in the series, {newest}; build the series anew from the sorted cycles"
            ),
            Refused::NotANumber { cycle } => {
                write!(f, "the value of cycle {cycle} is not a finite number; leave the cycle out")
            }
        }
    }
}

impl std::error::Error for Refused {}

/// The series' state.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Series {
    worse: Worse,
    newest: Option<(u64, Micros)>,
    recent: VecDeque<Point>,
    /// Gone from `recent`, not yet a block.
    leaving: Vec<Point>,
    blocks: Vec<Block>,
    block_size: u64,
    before: Vec<Point>,
    services: Vec<Service>,
    watch: Watch,
    total: u64,
    since_service: u64,
}

impl Series {
    /// An empty series.
    pub fn new(worse: Worse) -> Self {
        Series {
            worse,
            newest: None,
            recent: VecDeque::new(),
            leaving: Vec::new(),
            blocks: Vec::new(),
            block_size: BLOCK as u64,
            before: Vec::new(),
            services: Vec::new(),
            watch: Watch::new(worse),
            total: 0,
            since_service: 0,
        }
    }

    /// The series of these cycles and service entries, in any order, and what was left out: cycles whose value is no
    /// number, all but the first with the same number, and those whose moment contradicts their number.
    ///
    /// ```
    /// use foldwatch_trend::{Point, Series, Service, Worse};
    /// use foldwatch_units::Micros;
    /// let point = |cycle: u64| Point { cycle, at: Micros(cycle as i64 * 1_000_000), value: 4.0, raw: 4.1 };
    /// let service = Service { at: Micros(5_000_000), what: "seal replaced".into() };
    /// let (series, left_out) = Series::build(Worse::Higher, (0..10).rev().map(point), [service]);
    /// assert!(left_out.is_empty());
    /// assert_eq!((series.total(), series.since_service()), (10, 5));
    /// ```
    pub fn build(
        worse: Worse,
        points: impl IntoIterator<Item = Point>,
        services: impl IntoIterator<Item = Service>,
    ) -> (Self, Vec<Refused>) {
        let mut points: Vec<Point> = points.into_iter().collect();
        points.sort_by_key(|p| (p.cycle, p.at));
        let mut services: Vec<Service> = services.into_iter().collect();
        services.sort_by_key(|s| s.at);
        let mut services = services.into_iter().peekable();
        let mut series = Series::new(worse);
        let mut left_out = Vec::new();
        for point in points {
            while let Some(service) = services.next_if(|s| s.at <= point.at) {
                series.record(service);
            }
            left_out.extend(series.push(point).err());
        }
        services.for_each(|service| series.record(service));
        (series, left_out)
    }

    /// Takes in the next cycle.
    ///
    /// # Errors
    /// Where it is not after the newest one, or its value is not a finite number; the series is then unchanged.
    pub fn push(&mut self, point: Point) -> Result<(), Refused> {
        if !point.value.is_finite() {
            return Err(Refused::NotANumber { cycle: point.cycle });
        }
        if let Some((cycle, at)) = self.newest {
            if point.cycle <= cycle {
                return Err(Refused::Repeated { cycle: point.cycle, newest: cycle });
            }
            if point.at < at {
                return Err(Refused::Late { at: point.at, newest: at });
            }
        }
        self.newest = Some((point.cycle, point.at));
        self.total += 1;
        self.since_service += 1;
        self.watch.push(point);
        self.recent.push_back(point);
        if self.recent.len() > RECENT
            && let Some(oldest) = self.recent.pop_front()
        {
            self.leaving.push(oldest);
            if self.leaving.len() as u64 >= self.block_size {
                self.form_block();
            }
        }
        Ok(())
    }

    /// Takes in a service entry: what follows is judged by itself.
    ///
    /// # Errors
    /// Where it is not dated after the newest cycle: build the series anew, the entry splits it further back.
    pub fn service(&mut self, service: Service) -> Result<(), Refused> {
        if let Some((_, newest)) = self.newest
            && service.at <= newest
        {
            return Err(Refused::Late { at: service.at, newest });
        }
        self.record(service);
        Ok(())
    }

    fn record(&mut self, service: Service) {
        self.services.push(service);
        // Two entries with no cycle between them are one visit: the comparison still reaches to the cycles before it.
        if self.since_service > 0 {
            let skip = self.recent.len().saturating_sub(BEFORE);
            self.before = self.recent.drain(..).skip(skip).collect();
            self.leaving.clear();
            self.blocks.clear();
            self.block_size = BLOCK as u64;
            self.watch = Watch::new(self.worse);
            self.since_service = 0;
        }
    }

    fn form_block(&mut self) {
        let leaving = std::mem::take(&mut self.leaving);
        let mut values: Vec<f64> = leaving.iter().map(|p| p.value).collect();
        let (Some(first), Some(last), Some(value)) = (leaving.first(), leaving.last(), median(&mut values))
        else {
            return;
        };
        let count = leaving.len() as u64;
        self.blocks.push(Block {
            first: first.cycle,
            last: last.cycle,
            from: first.at,
            to: last.at,
            count,
            value,
        });
        if self.blocks.len() >= BLOCKS {
            self.blocks = self.blocks.chunks(2).filter_map(join).collect();
            self.block_size *= 2;
        }
    }

    /// Which way the numbers get worse.
    pub fn worse(&self) -> Worse {
        self.worse
    }

    /// The newest cycles since the last service entry, oldest first.
    pub fn recent(&self) -> impl ExactSizeIterator<Item = &Point> {
        self.recent.iter()
    }

    /// Older cycles since the last service entry, as blocks, oldest first.
    pub fn blocks(&self) -> &[Block] {
        &self.blocks
    }

    /// The last cycles before the last service entry.
    pub fn before(&self) -> &[Point] {
        &self.before
    }

    /// The service record, in order of time.
    pub fn services(&self) -> &[Service] {
        &self.services
    }

    /// The watch.
    pub fn watch(&self) -> &Watch {
        &self.watch
    }

    /// The newest cycle and its moment.
    pub fn newest(&self) -> Option<(u64, Micros)> {
        self.newest
    }

    /// All cycles ever taken in.
    pub fn total(&self) -> u64 {
        self.total
    }

    /// Cycles since the last service entry, or all.
    pub fn since_service(&self) -> u64 {
        self.since_service
    }
}

fn join(blocks: &[Block]) -> Option<Block> {
    let (first, last) = (blocks.first()?, blocks.last()?);
    let count: u64 = blocks.iter().map(|b| b.count).sum();
    let value = blocks.iter().map(|b| b.value * b.count as f64).sum::<f64>() / count as f64;
    Some(Block { last: last.last, to: last.to, count, value, ..*first })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn point(cycle: u64, value: f64) -> Point {
        Point { cycle, at: Micros(cycle as i64 * 3_600_000_000), value, raw: value }
    }

    #[test]
    fn memory_is_bounded() {
        let mut series = Series::new(Worse::Higher);
        for cycle in 0..60_000 {
            series.push(point(cycle, 4.0 + (cycle % 7) as f64 * 0.01)).unwrap();
        }
        assert_eq!(series.recent().len(), RECENT);
        assert!(series.blocks().len() < BLOCKS);
        let in_blocks: u64 = series.blocks().iter().map(|b| b.count).sum();
        assert_eq!(in_blocks + series.leaving.len() as u64 + RECENT as u64, 60_000);
        assert!(series.blocks().windows(2).all(|b| b[0].last < b[1].first));
    }

    #[test]
    fn what_is_refused_changes_nothing() {
        let mut series = Series::new(Worse::Higher);
        series.push(point(5, 4.0)).unwrap();
        let before = series.clone();
        assert!(matches!(series.push(point(5, 4.0)), Err(Refused::Repeated { .. })));
        assert!(matches!(series.push(point(6, f64::NAN)), Err(Refused::NotANumber { cycle: 6 })));
        let early = Point { cycle: 7, ..point(1, 4.0) };
        assert!(matches!(series.push(early), Err(Refused::Late { .. })));
        let late = Service { at: Micros(0), what: String::new() };
        assert!(matches!(series.service(late), Err(Refused::Late { .. })));
        assert_eq!(series, before);
    }

    #[test]
    fn two_entries_of_one_visit_keep_the_cycles_before_it() {
        let mut series = Series::new(Worse::Higher);
        (0..30).for_each(|c| series.push(point(c, 4.0)).unwrap());
        for what in ["oil changed", "seal replaced"] {
            series.service(Service { at: point(30, 0.0).at, what: what.into() }).unwrap();
        }
        assert_eq!((series.before().len(), series.since_service(), series.services().len()), (30, 0, 2));
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(24))]
        /// Built from a shuffled pile, grown cycle by cycle, stored and read back half-way: one and the same.
        #[test]
        fn rebuilt_is_incremental(
            values in prop::collection::vec(3.0f64..6.0, 1..900),
            visits in prop::collection::vec(0usize..900, 0..4),
            pause in 0usize..900,
        ) {
            let points: Vec<Point> = (0u64..).zip(&values).map(|(c, v)| point(c * 2, *v)).collect();
            let mut services: Vec<Service> = visits
                .iter()
                .map(|v| Service { at: Micros(point(*v as u64 * 2, 0.0).at.0 + 1), what: format!("visit {v}") })
                .collect();
            services.sort_by_key(|s| s.at);
            let mut grown = Series::new(Worse::Higher);
            let mut due = services.iter().cloned().peekable();
            for (ix, p) in points.iter().enumerate() {
                while let Some(s) = due.next_if(|s| s.at <= p.at) {
                    grown.service(s).unwrap();
                }
                grown.push(*p).unwrap();
                if ix == pause {
                    let stored = postcard::to_allocvec(&grown).unwrap();
                    grown = postcard::from_bytes(&stored).unwrap();
                }
            }
            due.for_each(|s| grown.service(s).unwrap());
            let pile = points.iter().rev().copied();
            let (built, left_out) = Series::build(Worse::Higher, pile, services);
            prop_assert!(left_out.is_empty());
            prop_assert_eq!(grown, built);
        }
    }
}
