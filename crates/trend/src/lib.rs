//! Many cycles to drift, change and forecast.
//!
//! Not here: files, clocks, pages, and what a cycle or a phase is; a series is just numbers with their cycle and moment.

mod assess;
mod changes;
mod compare;
pub mod fleet;
mod forecast;
mod point;
mod series;
pub mod stats;
pub mod table;
mod usage;
pub mod watch;
pub mod words;

pub use assess::{Assessment, FEWEST_FOR_SLOPE, Slope, WatchState, assess};
pub use changes::{Change, Kind};
pub use compare::{Comparison, EACH_SIDE, FEWEST_FOR_LIKENESS, LEVEL, Verdict, around_last_service, compare};
pub use forecast::{
    FEWEST, FURTHEST_DAYS, FURTHEST_STRETCHES, Forecast, NOT_BEFORE_STRETCHES, RISK_DAYS, TAIL, WANDER, When,
};
pub use point::{Estimate, Point, Service, Worse};
pub use series::{BEFORE, BLOCK, BLOCKS, Block, RECENT, Refused, Series};
