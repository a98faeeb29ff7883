//! One cycle to measures and findings.
//!
//! In: a [`foldwatch_segment::Cycle`], the roof's profile and what was learned from the car before ([`History`]). Out:
//! [`Judged`]: what was measured, what each step should have taken, what is wrong. Pure and synchronous. Not here: what
//! may be the cause, what came of many cycles, any wording of pages.

pub mod checks;
mod finding;
mod heat;
mod history;
mod judge;
mod look;
mod measure;
pub mod measures;
mod precedence;
mod run;
mod timing;
mod view;

pub use checks::{About, CHECKS, Check, EMPTY_SUPPLY, GONE};
pub use finding::{Finding, Weight};
pub use heat::HeatState;
pub use history::{History, Usual};
pub use judge::{Judged, judge};
pub use measure::{Measure, Observed};
pub use run::{AT_RELIEF, Cut, RunFacts, Stall, WAY, state_before};
pub use timing::{Conditions, PhaseTiming, oil};
pub use view::View;

#[cfg(test)]
mod testing;
