//! Frames and rows to signals in engineering units on one clock.
//!
//! In: frames of a logger (its own channels, its own counters) or rows of a table. Out: [`Item`]s, which is all
//! that the pure steps after this one ever see. Not here: ports, files, any judgment.

mod item;

pub use item::{GapCause, Item, Sink};
