//! How often the verdict is right: the analyser against simulated roofs with known faults.

mod play;

pub use play::{Played, play};
