//! Who is told of what, once for each matter, and how it is signed.
//!
//! In: what a car shows (a call to book it, findings of its cycles), work done on it, and the time. Out: messages that
//! are due, to be sent by somebody else, and a ledger to be kept. Not here: sending, files, clocks.

mod ledger;
mod matter;
mod message;
mod quiet;
pub mod signature;

pub use ledger::{Due, Ledger, Rules};
pub use matter::{Delivery, Matter, Seen, Subject, Urgency};
pub use message::{Message, Page};
pub use quiet::{NotQuiet, Quiet};
