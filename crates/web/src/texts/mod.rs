//! Every text of the pages, in one place for each language; the reader's way of writing numbers and moments beside it.
//!
//! There is English. Another language is a folder like `en` with the same names in the same files. Sentences of findings
//! lie with their checks, those of guided tests in the words of crate guide, those of failures in `failure.rs`.

mod en;
mod written;

pub use en::*;
pub use written::*;
