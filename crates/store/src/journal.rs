//! What comes from the loggers, and what has become of it.

use foldwatch_units::{Micros, Seconds};

use crate::ranges::Ranges;

/// A frame as it came from a logger. Its identity is (logger, boot, sequence): a second one changes nothing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Frame {
    /// Which logger.
    pub logger: String,
    /// Which start of the logger.
    pub boot: u64,
    /// Which frame of that start.
    pub sequence: u64,
    /// When it came, by the host's clock.
    pub received: Micros,
    /// The logger's own clock in it, where it carries one.
    pub logged: Option<Micros>,
    /// Its bytes, untouched.
    pub bytes: Vec<u8>,
}

/// A place in the journal: the order of arrival, over all cars. Never used twice.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Position(pub u64);

/// A frame in the journal.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Journalled {
    /// Its place.
    pub position: Position,
    /// The car that the logger sat in.
    pub car: String,
    /// The frame.
    pub frame: Frame,
}

/// What is on disk of one start of one logger. Only what this says may be acknowledged.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Durable {
    /// Which logger.
    pub logger: String,
    /// Which start of it.
    pub boot: u64,
    /// Every frame from the lowest ever held to this one is on disk, or was given up as lost.
    pub up_to: u64,
    /// The highest frame held. Above `up_to`: something between is missing.
    pub highest: u64,
    /// What is missing between `up_to` and `highest`, lowest first, at the most [`Durable::MOST_MISSING`] ranges.
    pub missing: Vec<std::ops::RangeInclusive<u64>>,
    /// What is missing before the lowest frame held: a logger may have them still.
    pub before: Option<std::ops::RangeInclusive<u64>>,
    /// Nothing of this start was held before this batch.
    pub begins: bool,
    /// The last starts before it that anything was ever held of, the nearest first, at the most
    /// [`Durable::MOST_EARLIER`].
    pub earlier: Vec<u64>,
    /// How many frames of this batch were new.
    pub new: usize,
    /// How many were held already.
    pub known: usize,
}

impl Durable {
    /// No more ranges than these are named in `missing`.
    pub const MOST_MISSING: usize = 64;
    /// No more starts than these are named in `earlier`.
    pub const MOST_EARLIER: usize = 8;

    pub(crate) fn of(
        logger: &str,
        (earlier, boot): (Vec<u64>, u64),
        held: &Ranges,
        lost: &Ranges,
        (new, known): (usize, usize),
    ) -> Self {
        let start = held.first().map_or(0, |range| *range.start());
        // What was lost before the first frame held says nothing about what is held.
        let covered: Ranges = held.union(lost).iter().filter(|r| *r.end() >= start).collect();
        // All that is held came just now.
        let begins = new as u64 == held.iter().map(|range| range.end() - range.start() + 1).sum::<u64>();
        let before = start.checked_sub(1).filter(|last| !lost.contains(*last)).map(|last| 0..=last);
        let highest = held.highest().unwrap_or(0);
        let up_to = covered.first().map_or(0, |range| *range.end());
        let missing =
            covered.holes().take_while(|hole| *hole.end() < highest).take(Self::MOST_MISSING).collect();
        Durable {
            logger: logger.to_owned(),
            boot,
            up_to,
            highest,
            missing,
            before,
            begins,
            earlier,
            new,
            known,
        }
    }
}

/// What is known of the frames of one start of a logger.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Held {
    /// Journalled, archived or not.
    pub held: Ranges,
    /// The logger no longer has them.
    pub lost: Ranges,
}

/// A question for the logger's clock and its answer.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct TimeExchange {
    /// Which logger.
    pub logger: String,
    /// Which start of it.
    pub boot: u64,
    /// Host clock when the question left.
    pub sent: Micros,
    /// Logger's clock in the answer.
    pub logged: Micros,
    /// Host clock when the answer came.
    pub received: Micros,
}

/// The straight line from a logger's clock to UTC.
#[derive(Debug, Clone, PartialEq)]
pub struct ClockFit {
    /// Which logger.
    pub logger: String,
    /// Which start of it.
    pub boot: u64,
    /// UTC at the logger's zero.
    pub offset: Micros,
    /// How much faster UTC runs than the logger, in parts per million.
    pub drift_ppm: f64,
    /// Spread of the exchanges about the line, one standard deviation.
    pub residual: Seconds,
    /// How many exchanges it rests on.
    pub exchanges: u32,
}

/// Where the judging of a car can go on after a restart.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Checkpoint {
    /// Which car.
    pub car: String,
    /// Every journal row of the car up to here is in `state`.
    pub position: Position,
    /// When it was saved.
    pub saved: Micros,
    /// What the pipeline needs to go on; only the pipeline knows what it means.
    pub state: Vec<u8>,
}

/// The end of a car's hash chain: what a tester writes down today proves tomorrow that nothing before it changed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ChainHead {
    /// The last journal row of the car.
    pub position: Position,
    /// How many frames were ever journalled for the car.
    pub frames: u64,
    /// The last link, SHA-256.
    pub link: [u8; 32],
}

/// What a walk along a car's hash chain has shown.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ChainReport {
    /// Journal rows walked.
    pub walked: u64,
    /// The first row that does not fit what stands before it, and why; `None`: all fits.
    pub broken: Option<(Position, &'static str)>,
}
