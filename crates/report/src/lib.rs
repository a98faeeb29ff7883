//! Verdicts as JSON, CSV and text.
//!
//! One shape for the command line, the API and the evidence, so that they can't tell different stories. In: verdicts
//! in the engine's own types and a map from log time to UTC. Out: plain structs with units in every name, tables.

mod diagnosis;
mod number;
pub mod samples;
mod shape;
pub mod table;
mod time;
pub mod trend;

pub use diagnosis::*;
pub use number::no_signed_zero;
pub use shape::*;
pub use time::{Utc, parse_utc, rfc3339};
