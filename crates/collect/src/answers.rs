//! What may be acknowledged, what to ask for again, how often, and when to stop asking.

use std::collections::BTreeMap;
use std::ops::RangeInclusive;
use std::time::{Duration, Instant};

/// What loggers are owed and owe.
///
/// An acknowledgement of a start frees all earlier ones. So none of a start is due while an earlier one has holes; and
/// where bytes were damaged, the frames that would have ended the earlier start, or all of a start between, may be what
/// was damaged, and no later frame tells of them: they are asked for, whether they exist or not.
#[derive(Debug, Default)]
pub struct Answers {
    loggers: BTreeMap<u32, BTreeMap<u32, Start>>,
}

/// What is on disk of one start of a logger.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Kept {
    /// All up to this one.
    pub up_to: u32,
    /// The highest.
    pub highest: u32,
    /// What is missing, lowest first, also before the lowest that is kept.
    pub missing: Vec<RangeInclusive<u32>>,
    /// Nothing of it was kept before.
    pub begins: bool,
    /// The last starts before it that anything was ever kept of, the nearest first.
    pub earlier: Vec<u32>,
}

/// What a logger is to be told now.
#[derive(Debug, Default, PartialEq, Eq)]
pub struct Turn {
    /// Start and frame up to which all is kept.
    pub acknowledge: Option<(u32, u32)>,
    /// Start and frames to ask for.
    pub ask: Vec<(u32, RangeInclusive<u32>)>,
    /// Start and frames that are waited for no longer: the logger no longer has them.
    pub lost: Vec<(u32, RangeInclusive<u32>)>,
}

#[derive(Debug, Default)]
struct Start {
    /// `None`: nothing of it has come.
    kept: Option<Kept>,
    /// Frames behind its highest one may have been damaged.
    doubtful: bool,
    /// Some of it was kept before this program was started: what was damaged then, nobody remembers.
    old: bool,
    /// By the first number that was missing.
    asked: BTreeMap<u32, Asked>,
}

#[derive(Debug, Clone, Copy)]
struct Asked {
    last: u32,
    /// Times without an answer on a line that was sound meanwhile, and all times.
    sound: u32,
    all: u32,
    at: Instant,
    damage: u64,
}

/// Asked again after so long; what stands in the line's buffers must get through first.
const AGAIN_AFTER: Duration = Duration::from_secs(2);
/// Where bytes were damaged since, the answer may have been among them.
const DAMAGED_AGAIN_AFTER: Duration = Duration::from_secs(1);
/// Asked so often without an answer on a sound line, the frames are taken for gone.
const TRIES: u32 = 5;
/// And so often on one that has damaged something since it was opened: the question may have been damaged, which nobody
/// here sees.
const TRIES_DAMAGED: u32 = 15;
/// And so often whatever the line is like (judgment): of 1 in 100 bytes damaged, a frame of 400 bytes gets through once
/// in 50 times.
const TRIES_IN_ALL: u32 = 500;
/// So many ranges are asked for at a time.
const AT_ONCE: usize = 48;
/// So many starts between two that were heard are doubted; a logger that was started more often without being heard was
/// elsewhere.
const BETWEEN: u32 = 8;

impl Answers {
    /// Some of a start of a logger is on disk now. `damage`: stretches of its line that gave no frame.
    pub fn kept(&mut self, logger: u32, boot: u32, kept: Kept, damage: u64) {
        let starts = self.loggers.entry(logger).or_default();
        // Of a start that was begun before this program was, a sound line now says nothing: a live logger goes on with
        // what is new until it hears the greeting. And of doubts that were left then, nothing is on disk: all are anew.
        let (before, old, from) = match starts.last_key_value() {
            Some((last, start)) => (vec![*last], start.old, last.saturating_add(1)),
            None if kept.earlier.is_empty() => (Vec::new(), false, boot.saturating_sub(1)),
            None => (kept.earlier.clone(), true, 0),
        };
        if (damage > 0 || old) && before.first().is_none_or(|last| *last < boot) {
            for doubted in before.into_iter().chain(from.max(boot.saturating_sub(BETWEEN))..boot) {
                starts.entry(doubted).or_default().doubtful = true;
            }
        }
        let old = !kept.begins;
        // Where it was doubted, its end still is.
        starts.entry(boot).or_insert_with(|| Start { old, ..Start::default() }).kept = Some(kept);
    }

    /// Loggers that something is missing of.
    pub fn waiting(&self) -> Vec<u32> {
        let owes = |starts: &BTreeMap<u32, Start>| starts.values().any(|start| !start.is_whole());
        self.loggers.iter().filter(|(_, starts)| owes(starts)).map(|(logger, _)| *logger).collect()
    }

    /// What is to be said to a logger now. `damage` as in [`Answers::kept`].
    pub fn turn(&mut self, logger: u32, damage: u64, now: Instant) -> Turn {
        let mut turn = Turn::default();
        let Some(starts) = self.loggers.get_mut(&logger) else { return turn };
        for (boot, start) in starts.iter_mut() {
            start.turn(*boot, damage, now, &mut turn);
        }
        let first_open = starts.iter().find(|(_, start)| !start.is_whole()).map(|(boot, _)| *boot);
        let free = ..=first_open.unwrap_or(u32::MAX);
        let due = |(boot, start): (&u32, &Start)| Some((*boot, start.kept.as_ref()?.may_free()?));
        turn.acknowledge = starts.range(free).filter_map(due).next_back();
        if let Some((over, _)) = turn.acknowledge {
            *starts = starts.split_off(&over);
        }
        turn
    }
}

impl Kept {
    /// Up to where all is kept; nothing while the first frames are missing.
    fn may_free(&self) -> Option<u32> {
        self.missing.first().is_none_or(|first| *first.start() > self.up_to).then_some(self.up_to)
    }
}

impl Start {
    fn is_whole(&self) -> bool {
        !self.doubtful && self.kept.as_ref().is_none_or(|kept| kept.missing.is_empty())
    }

    fn turn(&mut self, boot: u32, damage: u64, now: Instant, turn: &mut Turn) {
        let before = std::mem::take(&mut self.asked);
        let missing = self.kept.as_ref().map_or_else(Vec::new, |kept| kept.missing.clone());
        let from = self.kept.as_ref().map_or(0, |kept| kept.highest.saturating_add(1));
        let tail = self.doubtful.then_some(from..=u32::MAX);
        for (range, is_tail) in
            missing.into_iter().map(|range| (range, false)).chain(tail.map(|range| (range, true)))
        {
            // A hole that has become smaller is the same hole: something is coming, and is waited for.
            let known = before.range(..=*range.end()).next_back().map(|(_, asked)| *asked);
            let known = known.filter(|asked| asked.last >= *range.start());
            let damaged = known.is_some_and(|asked| asked.damage != damage);
            let patience = if damaged { DAMAGED_AGAIN_AFTER } else { AGAIN_AFTER };
            let mut asked = match known {
                None => Asked { last: *range.end(), sound: 0, all: 0, at: now, damage },
                Some(asked) if before.get(range.start()).is_none_or(|same| same.last != *range.end()) => {
                    let asked = Asked { last: *range.end(), sound: 0, at: now, damage, ..asked };
                    self.asked.insert(*range.start(), asked);
                    continue;
                }
                Some(asked) if now.duration_since(asked.at) < patience => {
                    self.asked.insert(*range.start(), asked);
                    continue;
                }
                Some(asked) => {
                    let sound = asked.sound + u32::from(!damaged);
                    Asked { sound, at: now, damage, ..asked }
                }
            };
            let tries = if damage > 0 { TRIES_DAMAGED } else { TRIES };
            if asked.sound >= tries || asked.all >= TRIES_IN_ALL {
                if is_tail {
                    (self.doubtful, self.old) = (false, false);
                } else {
                    turn.lost.push((boot, range));
                }
                continue;
            }
            if turn.ask.len() < AT_ONCE {
                asked.all += 1;
                turn.ask.push((boot, range.clone()));
                self.asked.insert(*range.start(), asked);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kept(up_to: u32, highest: u32, missing: &[RangeInclusive<u32>]) -> Kept {
        Kept { up_to, highest, missing: missing.to_vec(), begins: true, earlier: Vec::new() }
    }

    /// Turns of a logger, ten a second, until something is given up: how often it was asked, and after how many tenths.
    fn asked(answers: &mut Answers, start: Instant, damage: impl Fn(u64) -> u64) -> (usize, u64) {
        let mut asked = 0;
        for tenth in 0..10_000 {
            let turn = answers.turn(1, damage(tenth), start + Duration::from_millis(100 * tenth));
            asked += turn.ask.len();
            if !turn.lost.is_empty() {
                assert_eq!(turn.lost, [(1, 5..=9)]);
                return (asked, tenth);
            }
        }
        panic!("never given up")
    }

    #[test]
    fn asks_at_once_then_with_patience_and_gives_up_in_the_end() {
        let start = Instant::now();
        let mut answers = Answers::default();
        answers.kept(1, 1, kept(4, 20, &[5..=9]), 0);
        assert_eq!(asked(&mut answers, start, |_| 0), (5, 100));
    }

    #[test]
    fn while_the_line_is_damaged_an_answer_may_have_been_and_it_is_asked_on() {
        let start = Instant::now();
        let mut answers = Answers::default();
        answers.kept(1, 1, kept(4, 20, &[5..=9]), 0);
        // Damaged for five minutes: nothing is given up before the line is sound.
        let (times, tenths) = asked(&mut answers, start, |tenth| tenth.min(3000));
        assert!(times > 300 && (3280..3330).contains(&tenths), "{times} times, {tenths}");
        answers.kept(1, 1, kept(4, 20, &[5..=9]), 0);
        // Damaged for ever: in the end it is.
        assert_eq!(asked(&mut answers, start, |tenth| tenth), (500, 5000));
    }

    #[test]
    fn what_came_is_forgotten_and_a_smaller_hole_is_the_same_hole() {
        let start = Instant::now();
        let later = |s| start + Duration::from_secs(s);
        let mut answers = Answers::default();
        answers.kept(1, 1, kept(4, 30, &[5..=9, 20..=20]), 0);
        assert_eq!(answers.turn(1, 0, start).ask, [(1, 5..=9), (1, 20..=20)]);
        answers.kept(2, 1, kept(4, 30, &[5..=9]), 0);
        assert_eq!(answers.turn(2, 0, start).ask, [(1, 5..=9)]);
        answers.kept(1, 1, kept(4, 30, &[7..=9]), 0);
        assert_eq!(answers.turn(1, 0, later(1)).ask, []);
        assert_eq!(answers.turn(1, 0, later(2)).ask, [], "something came a second ago");
        assert_eq!(answers.turn(1, 0, later(3)).ask, [(1, 7..=9)]);
        answers.kept(1, 1, kept(30, 30, &[]), 0);
        let turn = answers.turn(1, 0, later(4));
        assert_eq!((turn.acknowledge, turn.ask), (Some((1, 30)), Vec::new()));
        assert_eq!(answers.waiting(), [2]);
    }

    #[test]
    fn a_later_start_is_not_acknowledged_while_an_earlier_one_has_holes() {
        let start = Instant::now();
        let mut answers = Answers::default();
        answers.kept(1, 1, kept(4, 30, &[5..=9]), 0);
        answers.kept(1, 2, kept(70, 70, &[]), 0);
        assert_eq!(answers.turn(1, 0, start).acknowledge, Some((1, 4)), "not 2.70, which frees 1.5");
        answers.kept(1, 1, kept(30, 30, &[]), 0);
        assert_eq!(answers.turn(1, 0, start).acknowledge, Some((2, 70)));
        // Nor one whose first frames did not come, though they may have been damaged.
        answers.kept(1, 2, kept(70, 70, &[0..=6]), 3);
        let turn = answers.turn(1, 3, start);
        assert_eq!((turn.acknowledge, turn.ask), (None, vec![(2, 0..=6)]));
    }

    #[test]
    fn after_damage_the_end_of_the_start_before_is_asked_for_though_nothing_tells_that_it_exists() {
        let start = Instant::now();
        let later = |tenths: u64| start + Duration::from_millis(100 * tenths);
        let mut answers = Answers::default();
        answers.kept(1, 1, kept(30, 30, &[]), 1);
        assert_eq!(answers.turn(1, 1, start).ask, [(0, 0..=u32::MAX)], "there may have been one before");
        answers.kept(1, 3, kept(5, 5, &[]), 1);
        let turn = answers.turn(1, 1, start);
        assert_eq!(turn.ask, [(1, 31..=u32::MAX), (2, 0..=u32::MAX)]);
        assert_eq!(turn.acknowledge, None);
        // One more comes, and then nothing.
        answers.kept(1, 1, kept(31, 31, &[]), 1);
        let mut freed = None;
        for tenths in 0..500 {
            let turn = answers.turn(1, 1, later(tenths));
            assert!(turn.lost.is_empty(), "nobody knows whether anything was");
            if turn.acknowledge == Some((3, 5)) {
                freed = Some(tenths);
                break;
            }
        }
        assert_eq!(freed, Some(300));
        assert!(answers.waiting().is_empty());
    }

    #[test]
    fn started_anew_it_doubts_what_it_may_have_doubted_before() {
        let mut answers = Answers::default();
        answers.kept(1, 30, Kept { earlier: vec![4], ..kept(9, 9, &[]) }, 1);
        let turn = answers.turn(1, 1, Instant::now());
        assert_eq!(turn.acknowledge, None);
        let asked: Vec<u32> = turn.ask.iter().map(|(boot, _)| *boot).collect();
        assert_eq!(asked, [4, 22, 23, 24, 25, 26, 27, 28, 29]);
        // On a line that has damaged nothing as well, but for less long; from then on all comes in order.
        let (start, mut answers) = (Instant::now(), Answers::default());
        answers.kept(1, 5, Kept { earlier: vec![4], begins: false, ..kept(9, 9, &[]) }, 0);
        let freed = (0..).find(|n| answers.turn(1, 0, start + Duration::from_secs(*n)).acknowledge.is_some());
        assert_eq!(freed, Some(10));
        // So is the end of what was begun before, once; from then on all comes in order.
        let later = start + Duration::from_secs(60);
        answers.kept(1, 6, Kept { earlier: vec![5], ..kept(2, 2, &[]) }, 0);
        assert_eq!(answers.turn(1, 0, later).ask, [(5, 10..=u32::MAX)]);
        let done =
            (0..).find(|n| answers.turn(1, 0, later + Duration::from_secs(*n)).acknowledge == Some((6, 2)));
        assert_eq!(done, Some(10));
        answers.kept(1, 7, Kept { earlier: vec![6], ..kept(3, 3, &[]) }, 0);
        assert_eq!(answers.turn(1, 0, later).acknowledge, Some((7, 3)));
        // Of a new logger there is no earlier one.
        answers.kept(2, 5, kept(9, 9, &[]), 0);
        assert_eq!(answers.turn(2, 0, start).acknowledge, Some((5, 9)));
    }
}
