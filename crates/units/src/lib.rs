//! Physical quantities, moments and their units.
//!
//! Bare numbers stay inside functions; what crosses a crate boundary is one of these. Not here: any formula, and
//! any formatting of dates (that is the edge's work).

mod moment;
mod quantity;
mod unit;

pub use moment::Micros;
pub use quantity::*;
pub use unit::{Quantity, Unit, UnknownUnit};

/// Which way the roof goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Direction {
    /// From closed to open: the roof is stowed.
    Opening,
    /// From open to closed.
    Closing,
}

impl Direction {
    /// The other way.
    pub fn reversed(self) -> Self {
        match self {
            Direction::Opening => Direction::Closing,
            Direction::Closing => Direction::Opening,
        }
    }

    /// `opening` or `closing`, as it stands in files.
    pub fn as_str(self) -> &'static str {
        match self {
            Direction::Opening => "opening",
            Direction::Closing => "closing",
        }
    }
}

impl std::fmt::Display for Direction {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.as_str())
    }
}
