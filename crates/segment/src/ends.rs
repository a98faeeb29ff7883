//! The two end positions, as the switches show them.

use foldwatch_profile::{Expr, Profile, SignalIx};
use foldwatch_units::Direction;

/// What must be so at either end. The last step alone does not tell: a cover that shuts behind the roof is shut at
/// both.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Ends {
    opening: Expr,
    closing: Expr,
}

impl Ends {
    pub fn of(profile: &Profile) -> Self {
        Ends {
            opening: profile.end_position(Direction::Opening),
            closing: profile.end_position(Direction::Closing),
        }
    }

    /// The states that a direction's end position asks for.
    pub fn wanted(&self, direction: Direction) -> Vec<(SignalIx, bool)> {
        self.of_direction(direction).wanted()
    }

    fn of_direction(&self, direction: Direction) -> &Expr {
        match direction {
            Direction::Opening => &self.opening,
            Direction::Closing => &self.closing,
        }
    }

    /// Whether the roof is where a direction leads to; `None`: no switch tells.
    pub fn holds(&self, direction: Direction, on: &dyn Fn(SignalIx) -> Option<bool>) -> Option<bool> {
        let end = self.of_direction(direction);
        if *end == Expr::Always { None } else { end.holds(on) }
    }
}
