//! Frames and rows to signals in engineering units on one clock.
//!
//! In: frames of a logger (its own channels, its own counters) or rows of a table. Out: [`Item`]s, which is all
//! that the pure steps after this one ever see. Not here: ports, files, any judgment.
//!
//! A logger's frames go through an [`Assembler`]: put in order, bound to the profile's signals by a [`Binding`], their
//! counters unwrapped by a [`Counter`]. Items carry the logger's own time; the [`Timeline`] beside them holds the map
//! to UTC, a robust straight line ([`ClockFit`]) through the exchanges of time with the host. A [`Transcriber`] goes the
//! other way: what a logger without frames says, in frames.

mod assembler;
mod binding;
mod clock;
mod counter;
mod item;
mod note;
mod rows;
mod timeline;
mod transcribe;

pub use assembler::{Assembler, Checkpoint, Counts};
pub use binding::{Binding, BindingError};
pub use clock::{Added, ClockFit, Exchange, Line};
pub use counter::Counter;
pub use item::{GapCause, Item, Sink, Through};
pub use note::Note;
pub use timeline::{Timeline, Utc};
pub use transcribe::Transcriber;
