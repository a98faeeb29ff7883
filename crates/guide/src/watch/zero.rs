//! The current clamp with the pump off: does it read nothing?

use foldwatch_profile::SignalIx;
use foldwatch_units::{Micros, Seconds};

use super::mean::Mean;
use super::{Watch, pump};
use crate::{Answer, Grade, Seen, words};

/// So long is looked. Judgment: long enough for a mean that a warm clamp's noise does not move.
const LOOK: Seconds = Seconds(5.0);
/// Allowed besides three standard uncertainties of the calibration, as a share of the running current, and where nothing
/// else is known, in amperes. Judgment.
const OF_RUNNING: f64 = 0.01;
const AMPERES: f64 = 0.5;

#[derive(Debug)]
pub(crate) struct Zero {
    signal: SignalIx,
    since: Option<Micros>,
    mean: Mean,
}

impl Zero {
    pub fn new(signal: SignalIx) -> Zero {
        Zero { signal, since: None, mean: Mean::default() }
    }

    fn allowed(&self, seen: &Seen<'_>) -> f64 {
        let calibrated = seen.profile.signal(self.signal).calibration.u.map_or(0.0, |u| 3.0 * u);
        let running = seen.profile.electrics.running.map_or(AMPERES, |running| OF_RUNNING * running.0);
        calibrated.max(running)
    }

    fn commanded(&self, seen: &Seen<'_>) -> bool {
        // A clamp that is far off looks like a running pump: the command counts where it is recorded.
        let pump =
            seen.profile.of_kind(foldwatch_profile::SignalKind::Pump).find_map(|(ix, _)| seen.is_on(ix));
        pump.unwrap_or(pump::runs(seen) == Some(true) && self.mean.count == 0)
    }
}

impl Watch for Zero {
    fn begin(&mut self) {
        *self = Zero::new(self.signal);
    }

    fn look(&mut self, seen: &Seen<'_>) -> Option<Answer> {
        let amperes = seen.value(self.signal)?;
        if self.commanded(seen) {
            self.begin();
            return None;
        }
        let since = *self.since.get_or_insert(seen.now);
        self.mean.add(amperes);
        if (seen.now - since).0 < LOOK.0 {
            return None;
        }
        let (mean, scatter, allowed) = (self.mean.mean, self.mean.scatter(), self.allowed(seen));
        let grade = if mean.abs() <= allowed { Grade::Passed } else { Grade::Failed };
        Some(Answer::new(grade, words::zero_is(mean, scatter, allowed)))
    }

    fn says(&self, seen: &Seen<'_>) -> String {
        match (seen.value(self.signal), self.since) {
            (None, _) => words::NOT_RECORDED.to_owned(),
            (Some(amperes), None) => words::zero_waits(amperes),
            (Some(amperes), Some(since)) => words::zero_looks(amperes, (seen.now - since).0, LOOK.0),
        }
    }

    fn did_not(&mut self, seen: &Seen<'_>) -> Answer {
        match seen.value(self.signal) {
            None => Answer::new(Grade::Failed, words::NOT_RECORDED),
            Some(amperes) => Answer::new(Grade::Failed, words::zero_given_up(amperes)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::watch::testing::Bed;

    #[test]
    fn a_zeroed_clamp_passes_and_an_offset_is_told() {
        let mut bed = Bed::new();
        let ix = bed.ix("pump_current");
        let mut watch = Zero::new(ix);
        bed.set(ix, 0.2);
        assert_eq!(bed.hold(&mut watch, 6.0).unwrap().grade, Grade::Passed);
        watch.begin();
        bed.set(ix, 4.2);
        let answer = bed.hold(&mut watch, 6.0).unwrap();
        assert!(answer.grade == Grade::Failed && answer.says.contains("4.20 A"), "{answer:?}");
    }

    #[test]
    fn it_waits_for_the_pump_to_stop() {
        let mut bed = Bed::new();
        let (ix, pump) = (bed.ix("pump_current"), bed.ix("pump"));
        let mut watch = Zero::new(ix);
        bed.set(pump, 1.0);
        bed.set(ix, 28.0);
        assert_eq!(bed.hold(&mut watch, 20.0), None);
        bed.set(pump, 0.0);
        bed.set(ix, 0.0);
        assert_eq!(bed.hold(&mut watch, 6.0).unwrap().grade, Grade::Passed);
    }
}
