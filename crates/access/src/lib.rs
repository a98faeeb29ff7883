//! Who may do what?
//!
//! In: people and tokens as the access file has them, what a request shows of itself, the time. Out: who calls, and
//! whether that is enough; how long to wait before the next guess; lines for the trail. Not here: files, sockets, cookies,
//! the clock, randomness: they come in as arguments.
//!
//! What is decided here, in one piece: a caller on this machine may look without showing anything; entering something
//! takes somebody who is signed in and may work; from elsewhere nothing is to be had without a name.

mod accounts;
mod attempts;
mod guard;
mod pace;
mod place;
mod role;
mod rule;
mod secret;
mod sessions;

pub use accounts::{Accounts, AccountsError, Person, Token};
pub use attempts::Attempts;
pub use guard::{Challenge, Guard, Refusal, Shown, SignedIn};
pub use pace::Pace;
pub use place::Place;
pub use role::{By, Caller, Role};
pub use rule::{Need, need};
pub use secret::{Random, SHORTEST_PASSWORD, digest, fits, hashed, password, secret};
