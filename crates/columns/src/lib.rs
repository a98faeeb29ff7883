//! Delimited lines of another logger to rows, through a column map.
//!
//! In: bytes, a [`ColumnMap`], the profile of the roof. Out: items in the profile's signals and working units, in
//! order of time, and a [`Report`] of everything that was left out. Not here: files, ports, compression, any judgment.
//!
//! The path: bytes are cut into blocks of whole records, each block is parsed on its own, and the feed hands the
//! rows on in order.

mod blocks;
mod check;
mod feed;
mod keys;
mod layout;
mod lead;
mod map;
mod map_file;
mod names;
mod number;
mod parallel;
mod parse;
mod places;
mod reader;
mod recognise;
mod record;
mod report;
mod stamp;
mod time;

pub use keys::{MAP_KEYS, MapKey};
pub use map::{Column, ColumnMap, GapAfter, OnRule, SignalColumn, TimeColumn, TimeForm, WhenBack};
pub use number::Decimal;
pub use parallel::{read, read_with_workers};
pub use reader::Reader;
pub use record::Delimiter;
pub use report::{ColumnsError, Report, Skip, SkipKind};
pub use time::TimeUnit;
