//! Logs as bytes: the packed and text streams of a logger, and delimited columns with their map.

mod columns;
mod wire_log;

pub use columns::{ColumnsLog, Dialect, Names, TimeStyle};
pub use wire_log::{WireLog, WireOptions};
