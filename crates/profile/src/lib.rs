//! The description of one kind of roof: read, checked as a whole, explained.
//!
//! [`parse`] takes a profile's text and gives a checked [`Profile`], or every problem in it with its place and what
//! would be right. [`KEYS`] is the one list of keys that the check, the key reference and `explain` read. Not here:
//! files (text comes in), logs, and any judgment of a roof's health.

mod advice;
mod explain;
mod expr;
mod keys;
mod load;
mod logic;
mod model;
mod names;
mod problem;
mod sequence;
mod shape;
mod signal;
mod syntax;

pub use advice::{displaced, unjudged};
pub use explain::{explain, key_reference};
pub use expr::Expr;
pub use keys::{Absent, KEYS, Key, Takes};
pub use load::{Loaded, parse};
pub use model::*;
pub use problem::Problem;
