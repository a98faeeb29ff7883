//! One channel moved by hand: it moved, it did not, or another one did.

use foldwatch_profile::{SignalIx, SignalKind};
use foldwatch_units::{Micros, Seconds};

use super::Watch;
use crate::{Answer, Grade, Seen, words};

/// A contact that stays so long has been moved and did not just rattle; longer where its debounce says so. Judgment.
const MEANT: Seconds = Seconds(0.05);
/// Where another channel has moved and this one has not followed within this time, they are exchanged. Judgment: a hand
/// that moves two contacts with one latch moves them closer together.
const TOGETHER: Seconds = Seconds(3.0);

/// How long a contact must stay, to have been moved.
pub(super) fn meant(seen: &Seen<'_>, signal: SignalIx) -> Seconds {
    Seconds(MEANT.0.max(seen.profile.signal(signal).debounce.0))
}

#[derive(Debug)]
pub(crate) struct Moved {
    signal: SignalIx,
    /// The states of all contacts when the step began.
    before: Option<Vec<Option<bool>>>,
    /// Since when it is the other way than at the beginning.
    away: Option<Micros>,
    /// It was away for long enough.
    was_away: bool,
    /// The first other one that moved.
    other: Option<(SignalIx, Micros)>,
}

impl Moved {
    pub fn new(signal: SignalIx) -> Moved {
        Moved { signal, before: None, away: None, was_away: false, other: None }
    }
}

impl Watch for Moved {
    fn begin(&mut self) {
        *self = Moved::new(self.signal);
    }

    fn look(&mut self, seen: &Seen<'_>) -> Option<Answer> {
        let states = || {
            let by_hand = |kind| matches!(kind, SignalKind::Switch | SignalKind::Demand);
            seen.profile.signals().map(|(ix, s)| by_hand(s.kind).then(|| seen.is_on(ix)).flatten()).collect()
        };
        let before = self.before.get_or_insert_with(states);
        let first = before.get(self.signal.at()).copied().flatten();
        let Some(first) = first else {
            // Not recorded yet: what comes first counts as the beginning.
            self.before = None;
            return None;
        };
        let moved = |ix: SignalIx| {
            let was = before.get(ix.at()).copied().flatten();
            was.is_some() && seen.is_on(ix).is_some_and(|on| Some(on) != was)
        };
        if self.other.is_none() {
            let others = seen.profile.signals().map(|(ix, _)| ix).filter(|ix| *ix != self.signal);
            self.other = others.into_iter().find(|ix| moved(*ix)).map(|ix| (ix, seen.now));
        }
        let is_away = seen.is_on(self.signal)? != first;
        match (is_away, self.away) {
            (true, None) => self.away = Some(seen.now),
            (true, Some(since)) => {
                self.was_away |= (seen.now - since).0 >= meant(seen, self.signal).0;
            }
            (false, Some(_)) if self.was_away => {
                return Some(Answer::new(Grade::Passed, words::moved(first)));
            }
            (false, Some(_)) => self.away = None,
            (false, None) => {}
        }
        match self.other {
            Some((ix, at)) if self.away.is_none() && (seen.now - at).0 > TOGETHER.0 => {
                Some(Answer::new(Grade::Failed, words::another_moved(seen.label(ix))))
            }
            _ => None,
        }
    }

    fn says(&self, seen: &Seen<'_>) -> String {
        words::state_now(seen.profile.signal(self.signal).kind, seen.is_on(self.signal), self.was_away)
    }

    fn did_not(&mut self, seen: &Seen<'_>) -> Answer {
        match self.other {
            Some((ix, _)) => Answer::new(Grade::Failed, words::another_moved(seen.label(ix))),
            None if seen.is_on(self.signal).is_none() => Answer::new(Grade::Failed, words::NOT_RECORDED),
            None => Answer::new(Grade::Failed, words::DID_NOT_MOVE),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::watch::testing::Bed;

    #[test]
    fn it_moves_and_comes_back() {
        let mut bed = Bed::new();
        let ix = bed.ix("lid_open");
        let mut watch = Moved::new(ix);
        assert_eq!(bed.hold(&mut watch, 1.0), None);
        bed.set(ix, 1.0);
        assert_eq!(bed.hold(&mut watch, 1.0), None);
        bed.set(ix, 0.0);
        assert_eq!(bed.hold(&mut watch, 0.1).unwrap().grade, Grade::Passed);
    }

    #[test]
    fn a_rattle_is_no_movement() {
        let mut bed = Bed::new();
        let ix = bed.ix("lid_open");
        let mut watch = Moved::new(ix);
        bed.hold(&mut watch, 1.0);
        bed.set(ix, 1.0);
        bed.hold(&mut watch, 0.02);
        bed.set(ix, 0.0);
        assert_eq!(bed.hold(&mut watch, 1.0), None);
        assert_eq!(watch.did_not(&bed.seen()).says, words::DID_NOT_MOVE);
    }

    #[test]
    fn another_one_is_named_but_not_where_both_move() {
        let mut bed = Bed::new();
        let (ix, other) = (bed.ix("lid_open"), bed.ix("roof_up"));
        let mut watch = Moved::new(ix);
        bed.hold(&mut watch, 1.0);
        bed.set(other, 1.0);
        let answer = bed.hold(&mut watch, 5.0).unwrap();
        assert!(
            answer.grade == Grade::Failed && answer.says.contains("roof on the windscreen frame"),
            "{answer:?}"
        );
        bed.set(other, 0.0);
        watch.begin();
        bed.hold(&mut watch, 1.0);
        bed.set(other, 1.0);
        bed.hold(&mut watch, 0.5);
        bed.set(ix, 1.0);
        assert_eq!(bed.hold(&mut watch, 5.0), None);
        bed.set(ix, 0.0);
        assert_eq!(bed.hold(&mut watch, 0.1).unwrap().grade, Grade::Passed);
    }
}
