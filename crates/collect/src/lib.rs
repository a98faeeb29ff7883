//! Serial ports to frames, and the host's answers back to the logger.
//!
//! In: a list of ports. Out: [`Batch`]es of frames with their bytes, in the order in which they came, each with a way
//! to answer the logger; and [`Condition`]s in words. [`Session`] is the conversation with one logger and free of I/O;
//! [`collect`] keeps one for each port, opens what can be opened, and goes on after a plug was pulled, under another
//! name too. [`Player`] is the other end: a logger made of recorded frames, for the demo and for tests. Not here:
//! keeping, judging. Nothing is acknowledged here either: only who has put a frame on disk may answer with that.

mod answers;
mod player;
mod port;
mod ports;
mod session;

pub use answers::{Answers, Kept, Turn};
pub use player::{Player, Progress, play, recorded};
pub use port::{Answer, Batch, Port, PortNews, collect, utc_now};
pub use ports::{Described, PortError, found, matching};
pub use session::{Arrived, Condition, Heard, Session};
