//! A short run of the pump: do pressure, current and supply go the way they must, and are the commands seen?

use foldwatch_profile::{Profile, SignalIx, SignalKind};
use foldwatch_units::{Micros, Seconds};

use super::mean::Mean;
use super::{Watch, pump};
use crate::{Answer, Grade, Seen, words};

/// The pump must run so long; the start of it says nothing of the rest. Judgment.
const RUN: Seconds = Seconds(1.0);
const START: Seconds = Seconds(0.3);
/// What a running pump changes at the least: in bar, and in volts that the supply must not rise by. Judgment.
const RISES: f64 = 5.0;
const SUPPLY_RISES: f64 = 0.3;

#[derive(Debug)]
pub(crate) struct Drive {
    at_rest: Vec<Mean>,
    running: Vec<Mean>,
    since: Option<Micros>,
    run: Seconds,
    valves: Vec<SignalIx>,
}

impl Drive {
    pub fn new(profile: &Profile) -> Drive {
        let none = vec![Mean::default(); profile.signals.len()];
        Drive { at_rest: none.clone(), running: none, since: None, run: Seconds(0.0), valves: Vec::new() }
    }

    /// By current of either sign, or by command: polarity is what is to be found out.
    fn runs(seen: &Seen<'_>) -> bool {
        let command = seen.profile.of_kind(SignalKind::Pump).find_map(|(ix, _)| seen.is_on(ix));
        command == Some(true) || pump::runs(seen) == Some(true)
    }

    fn judge(&self, seen: &Seen<'_>) -> Answer {
        let mut grade = Grade::Passed;
        let mut says = Vec::new();
        for ((ix, signal), (rest, run)) in seen.profile.signals().zip(self.at_rest.iter().zip(&self.running))
        {
            let (Some(before), Some(then)) = (rest.value(), run.value()) else { continue };
            let change = then - before;
            let (right, said) = match signal.kind {
                SignalKind::Pressure => (change > RISES, words::NO_RISE),
                SignalKind::Current => (change > 0.0, words::CLAMP_REVERSED),
                SignalKind::Voltage => (change < SUPPLY_RISES, words::SUPPLY_ROSE),
                SignalKind::Pump => (then > 0.0, words::NOT_SEEN),
                _ => continue,
            };
            if signal.kind == SignalKind::Pump && right {
                continue;
            }
            says.push(words::changed(seen.label(ix), before, then, signal.unit.symbol));
            if !right {
                grade = Grade::Failed;
                says.push(said.to_owned());
            }
        }
        let silent: Vec<&str> = seen
            .profile
            .of_kind(SignalKind::Valve)
            .filter(|(ix, _)| !self.valves.contains(ix))
            .map(|(_, s)| s.label.as_str())
            .collect();
        if self.valves.is_empty() && !silent.is_empty() {
            grade = grade.max(Grade::Remark);
            says.push(words::valves_silent(&silent));
        }
        Answer::new(grade, says.join(" "))
    }
}

impl Watch for Drive {
    fn begin(&mut self) {
        self.at_rest.fill(Mean::default());
        self.running.fill(Mean::default());
        self.since = None;
        self.run = Seconds(0.0);
        self.valves.clear();
    }

    fn look(&mut self, seen: &Seen<'_>) -> Option<Answer> {
        for (ix, _) in seen.profile.of_kind(SignalKind::Valve) {
            if seen.is_on(ix) == Some(true) && !self.valves.contains(&ix) {
                self.valves.push(ix);
            }
        }
        let runs = Drive::runs(seen);
        match (runs, self.since) {
            (false, None) => add(&mut self.at_rest, seen),
            (true, None) => self.since = Some(seen.now),
            (true, Some(since)) => {
                self.run = seen.now - since;
                if self.run.0 >= START.0 {
                    add(&mut self.running, seen);
                }
            }
            (false, Some(_)) if self.run.0 >= RUN.0 => return Some(self.judge(seen)),
            (false, Some(_)) => self.since = None,
        }
        None
    }

    fn says(&self, seen: &Seen<'_>) -> String {
        match self.since {
            Some(_) if self.run.0 >= RUN.0 => words::ENOUGH.to_owned(),
            Some(since) => words::pump_runs((seen.now - since).0),
            None => words::WAITS_FOR_PUMP.to_owned(),
        }
    }

    fn did_not(&mut self, _: &Seen<'_>) -> Answer {
        Answer::new(Grade::Failed, words::PUMP_NOT_SEEN)
    }
}

fn add(means: &mut [Mean], seen: &Seen<'_>) {
    for ((ix, _), mean) in seen.profile.signals().zip(means) {
        if let Some(value) = seen.value(ix) {
            mean.add(value);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::watch::testing::Bed;

    fn run(amperes: f32, bar: f32) -> Answer {
        let mut bed = Bed::new();
        let mut watch = Drive::new(&bed.profile.clone());
        bed.hold(&mut watch, 2.0);
        for (id, value) in
            [("pump", 1.0), ("valve_a", 1.0), ("pump_current", amperes), ("pressure", bar), ("supply", 11.9)]
        {
            bed.put(id, value);
        }
        assert_eq!(bed.hold(&mut watch, 2.0), None);
        for id in ["pump", "valve_a", "pump_current"] {
            bed.put(id, 0.0);
        }
        bed.hold(&mut watch, 0.1).unwrap()
    }

    #[test]
    fn a_clamp_the_wrong_way_round_is_told() {
        assert_eq!(run(24.0, 80.0).grade, Grade::Passed);
        let reversed = run(-24.0, 80.0);
        assert!(
            reversed.grade == Grade::Failed && reversed.says.contains(words::CLAMP_REVERSED),
            "{reversed:?}"
        );
        assert!(run(24.0, 0.0).says.contains(words::NO_RISE));
    }
}
