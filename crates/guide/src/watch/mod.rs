//! What is watched in a step: each a small machine that is fed and may answer.

mod bleeding;
mod drive;
mod hold;
mod logger;
mod mean;
mod moved;
mod pump;
mod rest;
mod supply;
mod sweep;
#[cfg(test)]
mod testing;
mod zero;

pub(crate) use bleeding::Bleeding;
pub use bleeding::Stiffness;
pub(crate) use drive::Drive;
pub(crate) use hold::Hold;
pub(crate) use logger::Logger;
pub use logger::LoggerFacts;
pub(crate) use moved::Moved;
pub(crate) use rest::Rest;
pub(crate) use supply::Supply;
pub(crate) use sweep::Sweep;
pub(crate) use zero::Zero;

use crate::{Answer, Grade, Seen, words};

/// One thing that is watched.
pub(crate) trait Watch {
    /// Begins anew: what was seen so far does not count.
    fn begin(&mut self);

    /// The signals are so now.
    fn look(&mut self, seen: &Seen<'_>) -> Option<Answer>;

    /// The logger says so of itself.
    fn logger(&mut self, _: &LoggerFacts, _: &Seen<'_>) -> Option<Answer> {
        None
    }

    /// A movement is over.
    fn movement(&mut self, _: &[Stiffness], _: &Seen<'_>) -> Option<Answer> {
        None
    }

    /// What is seen just now, in a sentence.
    fn says(&self, seen: &Seen<'_>) -> String;

    /// A person says that nothing happened, or that nothing more will.
    fn did_not(&mut self, seen: &Seen<'_>) -> Answer;

    /// A person says that it happened the wrong way round.
    fn wrong_way(&mut self, _: &Seen<'_>) -> Answer {
        Answer::new(Grade::Failed, words::WRONG_WAY)
    }

    /// It has something to say before any sample came.
    fn needs_no_samples(&self) -> bool {
        false
    }
}
