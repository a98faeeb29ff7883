//! Findings to ranked causes and the next check.
//!
//! In: the judged cycles of a log, one after the other ([`Evidence::add`]), and a table of causes ([`Table`], read from
//! `config/causes.toml`). Out: [`Diagnosis`]: the causes with their probabilities and what speaks for and against each, and
//! the check that tells most per minute. Not here: what is wrong (that is `score`), files, pages.
//!
//! The way through it: `observe` turns a cycle into signs that it shows or could have shown; `evidence` counts them;
//! `candidates` puts every cause to every place where it can sit; `since` finds the cycle from which on it is so; `infer`
//! weighs all sets of up to two faults; `explain` says why; `next` chooses the check.

mod candidates;
mod diagnosis;
mod evidence;
mod explain;
mod infer;
mod line;
mod load;
mod next;
mod observe;
mod place;
mod results;
mod sign;
mod since;
mod table;
mod trace;

pub use diagnosis::{Diagnosis, FOUND, IfResult, NextCheck, Ranked, SetIn, diagnose};
pub use evidence::{Counts, Evidence};
pub use load::SHIPPED;
pub use place::{At, Place, Relation};
pub use results::Entered;
pub use sign::{FOLLOWING, SIGNS, Sign};
pub use table::{Cause, Check, Hazard, Often, Row, Scope, Table, Unrecorded};

#[cfg(test)]
mod tests;
