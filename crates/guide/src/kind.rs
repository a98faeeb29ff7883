//! Which commissioning and tests there are.

use crate::words;

/// One of them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Kind {
    /// Whether logger, channels and sensors are right, after the logger was fitted.
    Commissioning,
    /// How the pressure holds with the pump off.
    Hold,
    /// How far the supply gives way under the pump's load.
    SupplyUnderLoad,
    /// Whether each end switch is made and let go as the roof goes through its whole way.
    EndSwitches,
    /// Whether the air is out yet, after hydraulic work.
    Bleeding,
}

impl Kind {
    /// All of them, in the order in which they are offered.
    pub const ALL: [Kind; 5] =
        [Kind::Commissioning, Kind::Hold, Kind::SupplyUnderLoad, Kind::EndSwitches, Kind::Bleeding];

    /// The word in addresses and in the service record.
    pub fn as_str(self) -> &'static str {
        match self {
            Kind::Commissioning => "commissioning",
            Kind::Hold => "hold-test",
            Kind::SupplyUnderLoad => "supply-under-load",
            Kind::EndSwitches => "end-switches",
            Kind::Bleeding => "bleeding",
        }
    }

    /// The other way round.
    pub fn of(word: &str) -> Option<Kind> {
        Kind::ALL.into_iter().find(|kind| kind.as_str() == word)
    }

    /// Its name for people.
    pub fn title(self) -> &'static str {
        words::title(self)
    }

    /// What it is for, in a sentence or two.
    pub fn purpose(self) -> &'static str {
        words::purpose(self)
    }

    /// How long it takes, in minutes. Judgment.
    pub fn minutes(self) -> u32 {
        match self {
            Kind::Commissioning => 15,
            Kind::Hold => 5,
            Kind::SupplyUnderLoad => 3,
            Kind::EndSwitches => 4,
            Kind::Bleeding => 20,
        }
    }
}
