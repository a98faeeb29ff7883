//! How far the supply gives way under the pump's load.

use foldwatch_profile::{SignalIx, SignalKind};
use foldwatch_score::EMPTY_SUPPLY;
use foldwatch_units::{Micros, Seconds};

use super::mean::Mean;
use super::{Watch, pump};
use crate::{Answer, Grade, Seen, words};

/// So long at rest before, and so long under load after the inrush. Judgment.
const REST: Seconds = Seconds(3.0);
const START: Seconds = Seconds(0.5);
const LOAD: Seconds = Seconds(1.5);
/// A sound feed and battery lose no more than this share of the nominal supply at the pump. Judgment.
const DROP: f64 = 0.15;

#[derive(Debug)]
pub(crate) struct Supply {
    signal: SignalIx,
    rested: Option<Micros>,
    rest: Mean,
    since: Option<Micros>,
    load: Mean,
    amperes: Mean,
}

impl Supply {
    pub fn new(signal: SignalIx) -> Supply {
        let none = Mean::default();
        Supply { signal, rested: None, rest: none, since: None, load: none, amperes: none }
    }

    fn judge(&self, seen: &Seen<'_>) -> Answer {
        let nominal = seen.profile.electrics.nominal.unwrap_or(seen.profile.reference.supply).0;
        let (rest, load) = (self.rest.mean, self.load.mean);
        let limit = EMPTY_SUPPLY * nominal;
        let (grade, said) = if load < limit {
            (Grade::Failed, words::supply_empty(limit))
        } else if rest - load > DROP * nominal {
            (Grade::Remark, words::supply_drops(DROP * nominal))
        } else {
            (Grade::Passed, String::new())
        };
        let says = words::supply_is(rest, load, self.amperes.value());
        Answer::new(grade, format!("{says} {said}").trim().to_owned())
    }
}

impl Watch for Supply {
    fn begin(&mut self) {
        *self = Supply::new(self.signal);
    }

    fn look(&mut self, seen: &Seen<'_>) -> Option<Answer> {
        let volts = seen.value(self.signal)?;
        let runs = pump::runs(seen)?;
        if !runs {
            if self.since.is_some() {
                // Too short a run: the rest counts anew.
                self.begin();
            }
            self.rested.get_or_insert(seen.now);
            self.rest.add(volts);
            return None;
        }
        if self.rested.is_none_or(|since| self.since.is_none() && (seen.now - since).0 < REST.0) {
            self.begin();
            return None;
        }
        let since = *self.since.get_or_insert(seen.now);
        let seconds = (seen.now - since).0;
        if seconds >= START.0 {
            self.load.add(volts);
            if let Some(amperes) =
                seen.profile.of_kind(SignalKind::Current).find_map(|(ix, _)| seen.value(ix))
            {
                self.amperes.add(amperes);
            }
        }
        (seconds >= START.0 + LOAD.0).then(|| self.judge(seen))
    }

    fn says(&self, seen: &Seen<'_>) -> String {
        let volts = seen.value(self.signal).unwrap_or(f64::NAN);
        match (self.rested, self.since) {
            (_, Some(since)) => words::supply_under_load(volts, (seen.now - since).0),
            (Some(since), None) if (seen.now - since).0 >= REST.0 => words::supply_ready(volts),
            _ => words::supply_rests(volts),
        }
    }

    fn did_not(&mut self, _: &Seen<'_>) -> Answer {
        Answer::new(Grade::Failed, words::PUMP_NOT_SEEN)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::watch::testing::Bed;

    fn under_load(volts: f32) -> Answer {
        let mut bed = Bed::new();
        let mut watch = Supply::new(bed.ix("supply"));
        assert_eq!(bed.hold(&mut watch, 4.0), None);
        for (id, value) in [("pump", 1.0), ("pump_current", 30.0), ("supply", volts)] {
            bed.put(id, value);
        }
        bed.hold(&mut watch, 3.0).unwrap()
    }

    #[test]
    fn drop_and_resistance_are_told() {
        let sound = under_load(11.7);
        // (12.6 - 11.7) V / 30 A = 30 milliohm.
        assert!(sound.grade == Grade::Passed && sound.says.contains("30 mΩ"), "{sound:?}");
        assert_eq!(under_load(10.7).grade, Grade::Remark);
        assert_eq!(under_load(9.8).grade, Grade::Failed);
    }

    #[test]
    fn without_a_rest_before_it_waits() {
        let mut bed = Bed::new();
        let mut watch = Supply::new(bed.ix("supply"));
        for (id, value) in [("pump", 1.0), ("pump_current", 30.0)] {
            bed.put(id, value);
        }
        assert_eq!(bed.hold(&mut watch, 10.0), None);
    }
}
