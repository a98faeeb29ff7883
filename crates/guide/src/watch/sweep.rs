//! The roof's whole way and back: is each end switch made and let go?

use foldwatch_profile::SignalIx;
use foldwatch_units::{Direction, Micros};

use super::moved::meant;
use super::{Watch, pump};
use crate::{Answer, Grade, Seen, words};

/// A switch that changes more often than this on the way there and back is unsteady. Judgment: a switch on the way is
/// passed twice in each direction at the most.
const STEADY: u32 = 8;

#[derive(Debug, Clone, Copy, Default)]
struct Contact {
    /// As it is without its rattling.
    last: Option<bool>,
    /// Another state than that, and since when.
    otherwise: Option<Micros>,
    made: bool,
    free: bool,
    changes: u32,
}

#[derive(Debug)]
pub(crate) struct Sweep {
    contacts: Vec<(SignalIx, Contact)>,
    /// The last steps of opening and closing that were reached with drive.
    reached: [bool; 2],
    moved: bool,
}

impl Sweep {
    pub fn new(switches: Vec<SignalIx>) -> Sweep {
        let contacts = switches.into_iter().map(|ix| (ix, Contact::default())).collect();
        Sweep { contacts, reached: [false; 2], moved: false }
    }

    fn judge(&self, seen: &Seen<'_>) -> Answer {
        let named = |wanted: &dyn Fn(&Contact) -> bool| -> Vec<&str> {
            self.contacts.iter().filter(|(_, c)| wanted(c)).map(|(ix, _)| seen.label(*ix)).collect()
        };
        let silent = named(&|c| c.last.is_none());
        let never_made = named(&|c| c.last.is_some() && !c.made);
        let never_free = named(&|c| c.last.is_some() && !c.free);
        let unsteady: Vec<(&str, u32)> = self
            .contacts
            .iter()
            .filter(|(_, c)| c.changes > STEADY)
            .map(|(ix, c)| (seen.label(*ix), c.changes))
            .collect();
        let grade = if !never_made.is_empty() || !never_free.is_empty() {
            Grade::Failed
        } else if !silent.is_empty() || !unsteady.is_empty() {
            Grade::Remark
        } else {
            Grade::Passed
        };
        Answer::new(grade, words::swept(self.contacts.len(), &never_made, &never_free, &silent, &unsteady))
    }
}

impl Watch for Sweep {
    fn begin(&mut self) {
        *self = Sweep::new(self.contacts.iter().map(|(ix, _)| *ix).collect());
    }

    fn look(&mut self, seen: &Seen<'_>) -> Option<Answer> {
        for (ix, contact) in &mut self.contacts {
            let Some(on) = seen.is_on(*ix) else { continue };
            if contact.last == Some(on) {
                contact.otherwise = None;
                continue;
            }
            let since = *contact.otherwise.get_or_insert(seen.now);
            if contact.last.is_some() && (seen.now - since).0 < meant(seen, *ix).0 {
                continue;
            }
            contact.changes += u32::from(contact.last.is_some());
            contact.last = Some(on);
            contact.otherwise = None;
            contact.made |= on;
            contact.free |= !on;
        }
        let rests = pump::rests(seen);
        self.moved |= !rests;
        for (n, way) in [Direction::Opening, Direction::Closing].into_iter().enumerate() {
            let last = seen.profile.sequence(way).last();
            // An end that the roof stood in from the beginning is reached only once it was left.
            let reached = last.is_some_and(|phase| phase.confirm.holds(&|ix| seen.is_on(ix)) == Some(true));
            self.reached[n] |= reached && self.moved;
        }
        (rests && self.reached == [true, true]).then(|| self.judge(seen))
    }

    fn says(&self, seen: &Seen<'_>) -> String {
        let open: Vec<&str> = self
            .contacts
            .iter()
            .filter(|(_, c)| !(c.made && c.free))
            .map(|(ix, _)| seen.label(*ix))
            .collect();
        words::sweep_so_far(self.reached, &open)
    }

    fn did_not(&mut self, seen: &Seen<'_>) -> Answer {
        if self.moved { self.judge(seen) } else { Answer::new(Grade::Failed, words::PUMP_NOT_SEEN) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::watch::testing::Bed;

    /// Opens and closes the roof, except for what never changes.
    fn sweep(stuck: Option<&str>) -> Answer {
        let mut bed = Bed::new();
        let profile = bed.profile.clone();
        let switches: Vec<SignalIx> = profile
            .of_kind(foldwatch_profile::SignalKind::Switch)
            .map(|(ix, _)| ix)
            .filter(|ix| profile.step_signals().contains(ix))
            .collect();
        let stuck = stuck.map(|id| bed.ix(id));
        let mut watch = Sweep::new(switches);
        for phase in profile.closing.iter().chain(&profile.opening).chain(&profile.closing) {
            bed.put("pump", 1.0);
            bed.put("pump_current", 25.0);
            assert_eq!(bed.hold(&mut watch, 0.5), None);
            // A contact that rattles on its way is no unsteady one.
            for _ in 0..4 {
                let lid = bed.ix("lid_open");
                let other = if bed.seen().is_on(lid) == Some(true) { 0.0 } else { 1.0 };
                bed.set(lid, other);
                bed.hold(&mut watch, 0.01);
            }
            for (ix, on) in phase.confirm.wanted() {
                if Some(ix) != stuck {
                    bed.set(ix, f32::from(u8::from(on)));
                }
            }
            assert_eq!(bed.hold(&mut watch, 0.1), None);
        }
        bed.put("pump", 0.0);
        bed.put("pump_current", 0.0);
        bed.hold(&mut watch, 0.5).unwrap_or_else(|| watch.did_not(&bed.seen()))
    }

    #[test]
    fn a_switch_that_is_never_made_is_named() {
        let sound = sweep(None);
        assert_eq!(sound.grade, Grade::Passed, "{}", sound.says);
        let stuck = sweep(Some("roof_stowed"));
        assert!(stuck.grade == Grade::Failed && stuck.says.contains("roof in the boot"), "{stuck:?}");
    }
}
