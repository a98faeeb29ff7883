//! What every sensor reads with the roof at rest, and whether that can be.

use foldwatch_profile::{Signal, SignalIx, SignalKind};
use foldwatch_units::{Micros, Seconds};

use super::mean::Mean;
use super::{Watch, pump};
use crate::{Answer, Grade, Seen, words};

/// So long is looked. Judgment.
const LOOK: Seconds = Seconds(5.0);
/// Shares of the nominal supply between which a car at rest lies: an empty battery to one that is being charged. Common
/// practice, no source.
const SUPPLY: (f64, f64) = (0.8, 1.3);
/// Oil and air that a car is worked at, in degrees Celsius. Judgment.
const TEMPERATURE: (f64, f64) = (-40.0, 90.0);
/// A pressure at rest below this share of the relief pressure less than nothing is an offset. Judgment.
const BELOW_NOTHING: f64 = -0.02;

#[derive(Debug, Default)]
pub(crate) struct Rest {
    since: Option<Micros>,
    means: Vec<Mean>,
}

impl Watch for Rest {
    fn begin(&mut self) {
        *self = Rest::default();
    }

    fn look(&mut self, seen: &Seen<'_>) -> Option<Answer> {
        if !pump::rests(seen) {
            self.begin();
            return None;
        }
        let since = *self.since.get_or_insert(seen.now);
        self.means.resize(seen.profile.signals.len(), Mean::default());
        for ((ix, _), mean) in seen.profile.signals().zip(&mut self.means) {
            if let Some(value) = seen.value(ix) {
                mean.add(value);
            }
        }
        ((seen.now - since).0 >= LOOK.0).then(|| self.judge(seen))
    }

    fn says(&self, seen: &Seen<'_>) -> String {
        match self.since {
            None => words::WAITS_FOR_REST.to_owned(),
            Some(since) => words::looks((seen.now - since).0, LOOK.0),
        }
    }

    fn did_not(&mut self, seen: &Seen<'_>) -> Answer {
        if self.means.is_empty() { Answer::new(Grade::Failed, words::NOT_HEARD) } else { self.judge(seen) }
    }
}

impl Rest {
    fn judge(&self, seen: &Seen<'_>) -> Answer {
        let mut grade = Grade::Passed;
        let mut says = Vec::new();
        for ((_, signal), mean) in seen.profile.signals().zip(&self.means) {
            if signal.kind.is_binary() {
                continue;
            }
            let Some(value) = mean.value() else {
                grade = grade.max(Grade::Remark);
                says.push(words::silent(&signal.label));
                continue;
            };
            match wrong(seen, signal, value) {
                Some((low, high)) => {
                    grade = grade.max(Grade::Failed);
                    says.push(words::implausible(&signal.label, value, signal.unit.symbol, low, high));
                }
                None => says.push(words::reads(&signal.label, value, signal.unit.symbol)),
            }
        }
        for (a, b) in both_made(seen) {
            grade = grade.max(Grade::Failed);
            says.push(words::both_made(seen.label(a), seen.label(b)));
        }
        Answer::new(grade, says.join(" "))
    }
}

/// The bounds that a reading at rest lies outside of.
fn wrong(seen: &Seen<'_>, signal: &Signal, value: f64) -> Option<(f64, f64)> {
    let relief = seen.profile.hydraulics.relief.map(|bar| bar.0);
    let nominal = seen.profile.electrics.nominal.map(|volts| volts.0);
    let usual = match signal.kind {
        SignalKind::Pressure => relief.map(|relief| (BELOW_NOTHING * relief, relief)),
        SignalKind::Voltage => nominal.map(|nominal| (SUPPLY.0 * nominal, SUPPLY.1 * nominal)),
        SignalKind::Temperature => Some(TEMPERATURE),
        _ => None,
    };
    let (low, high) = usual.unwrap_or((f64::NEG_INFINITY, f64::INFINITY));
    let low = signal.calibration.min.map_or(low, |min| min.max(low));
    let high = signal.calibration.max.map_or(high, |max| max.min(high));
    (value < low - 3.0 * signal.calibration.u.unwrap_or(0.0) || value > high).then_some((low, high))
}

/// Switches that exclude one another and are made together: one of them is wired the wrong way round.
fn both_made(seen: &Seen<'_>) -> Vec<(SignalIx, SignalIx)> {
    let mut pairs = Vec::new();
    for (ix, signal) in seen.profile.of_kind(SignalKind::Switch) {
        for other in signal.excludes.iter().filter(|other| **other > ix) {
            if seen.is_on(ix) == Some(true) && seen.is_on(*other) == Some(true) {
                pairs.push((ix, *other));
            }
        }
    }
    pairs
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::watch::testing::Bed;

    #[test]
    fn a_sound_car_at_rest_passes() {
        let mut bed = Bed::new();
        let answer = bed.hold(&mut Rest::default(), 6.0).unwrap();
        assert_eq!(answer.grade, Grade::Passed, "{}", answer.says);
    }

    #[test]
    fn readings_that_cannot_be_and_contacts_that_contradict_are_told() {
        let mut bed = Bed::new();
        for (id, value) in [("supply", 3.0), ("pressure", -40.0), ("roof_up", 1.0), ("roof_stowed", 1.0)] {
            let ix = bed.ix(id);
            bed.set(ix, value);
        }
        let answer = bed.hold(&mut Rest::default(), 6.0).unwrap();
        assert_eq!(answer.grade, Grade::Failed);
        for part in ["supply at the pump", "supply pressure", "roof in the boot"] {
            assert!(answer.says.contains(part), "{part}: {}", answer.says);
        }
    }
}
