//! What to ask for again, how often, and when to stop asking.

use std::collections::BTreeMap;
use std::ops::RangeInclusive;
use std::time::{Duration, Instant};

/// Missing frames of loggers that were asked for. Where several answers are due, one start of one logger has one turn.
#[derive(Debug, Default)]
pub struct Answers {
    asked: BTreeMap<(u32, u32, u32), Asked>,
}

#[derive(Debug, Clone, Copy)]
struct Asked {
    last: u32,
    times: u32,
    at: Instant,
}

/// Asked again after so long; what stands in the line's buffers must get through first.
const AGAIN_AFTER: Duration = Duration::from_secs(2);
/// Asked so often without an answer, the frames are taken for gone.
const TRIES: u32 = 5;

impl Answers {
    /// Of the ranges that are missing of a start of a logger now: those to ask for, and those to give up.
    pub fn of(
        &mut self,
        logger: u32,
        boot: u32,
        missing: &[RangeInclusive<u32>],
        now: Instant,
    ) -> (Vec<RangeInclusive<u32>>, Vec<RangeInclusive<u32>>) {
        let (mut ask, mut give_up) = (Vec::new(), Vec::new());
        let before = std::mem::take(&mut self.asked);
        let (of_this, rest): (BTreeMap<_, _>, BTreeMap<_, _>) =
            before.into_iter().partition(|((l, b, _), _)| (*l, *b) == (logger, boot));
        self.asked = rest;
        for range in missing {
            // A hole that has become smaller is the same hole: something is coming.
            let known = of_this
                .range((logger, boot, 0)..=(logger, boot, *range.end()))
                .next_back()
                .map(|(_, asked)| *asked)
                .filter(|asked| asked.last >= *range.start());
            let asked = match known {
                None => Asked { last: *range.end(), times: 0, at: now },
                Some(asked) if now.duration_since(asked.at) < AGAIN_AFTER => {
                    self.asked.insert((logger, boot, *range.start()), asked);
                    continue;
                }
                Some(asked) => Asked { last: *range.end(), at: now, ..asked },
            };
            if asked.times >= TRIES {
                give_up.push(range.clone());
                continue;
            }
            ask.push(range.clone());
            self.asked.insert((logger, boot, *range.start()), Asked { times: asked.times + 1, ..asked });
        }
        (ask, give_up)
    }

    /// Whether anything is being waited for.
    pub fn is_empty(&self) -> bool {
        self.asked.is_empty()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn asks_at_once_then_with_patience_and_gives_up_in_the_end() {
        let start = Instant::now();
        let mut answers = Answers::default();
        let mut asked = 0;
        let mut gave_up = None;
        for tenth in 0..200u64 {
            let now = start + Duration::from_millis(100 * tenth);
            let (ask, give_up) = answers.of(1, 1, &[5..=9], now);
            asked += ask.len();
            if !give_up.is_empty() {
                assert_eq!(give_up, [5..=9]);
                gave_up = Some(tenth);
                break;
            }
        }
        assert_eq!((asked, gave_up), (5, Some(100)));
        assert!(answers.is_empty());
    }

    #[test]
    fn what_came_is_forgotten_and_a_smaller_hole_is_the_same_hole() {
        let start = Instant::now();
        let later = start + Duration::from_secs(1);
        let mut answers = Answers::default();
        assert_eq!(answers.of(1, 1, &[5..=9, 20..=20], start).0, [5..=9, 20..=20]);
        assert_eq!(answers.of(2, 1, &[5..=9], start).0, [5..=9]);
        assert!(answers.of(1, 1, &[7..=9], later).0.is_empty());
        // Number 20 came, and is missing anew (it can't be, but asking does no harm).
        assert_eq!(answers.of(1, 1, &[7..=9, 20..=20], later).0, [20..=20]);
        assert!(answers.of(1, 1, &[], later).0.is_empty());
        assert!(!answers.is_empty(), "the other logger's are still asked for");
    }
}
