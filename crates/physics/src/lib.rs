//! Oil, pump, cylinder, motor and fuse: equations with their source, and the fits that use them.
//!
//! In: quantities of `foldwatch-units`, and stretches of a recording as two slices of equal length, times and
//! numbers. Out: quantities, fits with their uncertainty, or the reason why the recording can't tell
//! ([`NotObservable`]). Deliberately absent: what is normal for a given roof, any limit, any wording of findings.

pub mod baseline;
pub mod decay;
pub mod expect;
pub mod fuse;
pub mod heat;
pub mod hydraulic;
pub mod knee;
pub mod least_squares;
mod not_observable;
pub mod oil;
pub mod ripple;
mod stats;
pub mod thin;
pub mod uncertainty;

pub use not_observable::NotObservable;
