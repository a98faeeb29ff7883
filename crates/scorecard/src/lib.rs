//! How often the verdict is right: the analyser against simulated roofs with known faults.
//!
//! In: roof profiles and a [`Design`]. Out: a [`Card`]: recall and precision of every kind of fault with intervals,
//! by strength too, false alarms, how exact the edges of the steps are. Pure: the caller runs the runs, on as many
//! threads as it likes, and adds what came of them in their order.
//!
//! Not here: any judgment of a cycle, any physics. What is right for which fault stands in [`RIGHT`].

mod card;
pub mod causes;
mod design;
mod interval;
mod play;
mod right;
mod seen;
mod table;

pub use card::{Card, EdgeRow, FaultRow, StrengthRow};
pub use design::{Design, Run};
pub use interval::{Share, counted};
pub use play::{Logger, Played, play};
pub use right::{RIGHT, Right, right_for};
pub use seen::{CycleSeen, EdgeSeen, Seen, see};
