//! Oil, pump, cylinder, motor and fuse: equations with their source, and the fits that use them.
//!
//! In: quantities of `foldwatch-units`, and stretches of a recording as two slices of equal length, times and
//! numbers. Out: quantities, fits with their uncertainty, or the reason why the recording can't tell
//! ([`NotObservable`]). Deliberately absent: what is normal for a given roof, any limit, any wording of findings.

pub mod decay;
pub mod expect;
pub mod knee;
mod not_observable;
pub mod oil;
mod stats;

pub use not_observable::NotObservable;
