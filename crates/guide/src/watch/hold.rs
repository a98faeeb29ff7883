//! How the pressure holds with the pump off: the fall against a time constant.

use foldwatch_physics::decay::decay;
use foldwatch_profile::SignalIx;
use foldwatch_units::{Direction, Micros, Seconds};

use super::{Watch, pump};
use crate::{Answer, Grade, Seen, words};

/// So long is looked. Judgment: with no accumulator a system lets go within minutes (common practice, no source), and what
/// leaks falls visibly within one.
const LOOK: Seconds = Seconds(60.0);
/// The pump must have run so long before. Judgment.
const RUN: Seconds = Seconds(0.5);
/// The valves' own transient, which the movement's measures leave out too. Judgment.
const SETTLED: Seconds = Seconds(0.3);
/// Pressure below this share of what stood was let go by the valves, not lost. Judgment, as for the movement's measures.
const LET_GO: f64 = 0.3;
/// So much pressure must stand to see a fall, in bar. Judgment.
const STANDS: f64 = 20.0;
/// Readings are taken together over so long. Judgment.
const TOGETHER: Seconds = Seconds(0.1);

#[derive(Debug, Default)]
enum Stage {
    #[default]
    Waits,
    Runs {
        since: Micros,
        highest: f64,
        last: f64,
    },
    Holds {
        since: Micros,
        before: f64,
    },
}

#[derive(Debug)]
pub(crate) struct Hold {
    signal: SignalIx,
    way: Direction,
    stage: Stage,
    times: Vec<Micros>,
    values: Vec<f32>,
}

impl Hold {
    pub fn new(signal: SignalIx, way: Direction) -> Hold {
        Hold { signal, way, stage: Stage::Waits, times: Vec::new(), values: Vec::new() }
    }

    fn judge(&self, before: f64, seconds: f64, seen: &Seen<'_>) -> Answer {
        let (Some(first), Some(last)) = (self.values.first(), self.values.last()) else {
            return Answer::new(Grade::Skipped, words::HOLD_TOO_SHORT);
        };
        let (first, last) = (f64::from(*first), f64::from(*last));
        let held = words::held(before, first, last, seconds);
        if first < LET_GO * before {
            return Answer::new(Grade::Remark, format!("{held} {}", words::LET_GO));
        }
        // What a step needs: a roof that loses half its pressure within its longest step can't hold itself for one.
        let longest = seen.profile.sequence(self.way).iter().map(|p| p.expected.0).fold(0.0, f64::max);
        match decay(&self.times, &self.values) {
            Ok(fit) => {
                let tau = fit.tau.value.0;
                let half = tau * std::f64::consts::LN_2;
                let lost = fit.p_end.value.0 < LET_GO * first && half < longest;
                let grade = if lost { Grade::Failed } else { Grade::Passed };
                Answer::new(
                    grade,
                    format!("{held} {}", words::time_constant(tau, fit.tau.u.0, lost, longest)),
                )
            }
            Err(why) => {
                Answer::new(Grade::Passed, format!("{held} {}", words::no_time_constant(&why.to_string())))
            }
        }
    }
}

impl Watch for Hold {
    fn begin(&mut self) {
        *self = Hold::new(self.signal, self.way);
    }

    fn look(&mut self, seen: &Seen<'_>) -> Option<Answer> {
        let bar = seen.value(self.signal)?;
        let runs = pump::runs(seen)?;
        match &mut self.stage {
            Stage::Waits if runs => self.stage = Stage::Runs { since: seen.now, highest: bar, last: bar },
            Stage::Waits => {}
            Stage::Runs { highest, last, .. } if runs => {
                *highest = highest.max(bar);
                *last = bar;
            }
            Stage::Runs { since, last, .. } => {
                let long_enough = (seen.now - *since).0 >= RUN.0 && *last >= STANDS;
                self.stage =
                    if long_enough { Stage::Holds { since: seen.now, before: *last } } else { Stage::Waits };
            }
            &mut Stage::Holds { since, before } => {
                let seconds = (seen.now - since).0;
                if !pump::rests(seen) && runs {
                    // The pump again: what was held until now is the hold, if it is long enough to say anything.
                    if seconds < 0.25 * LOOK.0 {
                        self.begin();
                        return None;
                    }
                    return Some(self.judge(before, seconds, seen));
                }
                let due = self.times.last().is_none_or(|last| (seen.now - *last).0 >= TOGETHER.0);
                if seconds >= SETTLED.0 && due {
                    self.times.push(seen.now);
                    self.values.push(bar as f32);
                }
                if seconds >= LOOK.0 {
                    return Some(self.judge(before, seconds, seen));
                }
            }
        }
        None
    }

    fn says(&self, seen: &Seen<'_>) -> String {
        let bar = seen.value(self.signal).unwrap_or(f64::NAN);
        match self.stage {
            Stage::Waits => words::hold_waits(self.way, bar),
            Stage::Runs { highest, .. } => words::hold_runs(bar, highest),
            Stage::Holds { since, .. } => words::holds((seen.now - since).0, LOOK.0, bar),
        }
    }

    fn did_not(&mut self, seen: &Seen<'_>) -> Answer {
        match self.stage {
            Stage::Holds { since, before } => self.judge(before, (seen.now - since).0, seen),
            _ => Answer::new(Grade::Failed, words::NO_HOLD),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::watch::testing::Bed;

    /// The pump presses, stops, and the pressure falls with this time constant.
    fn with_tau(tau: f64) -> Answer {
        let mut bed = Bed::new();
        let mut watch = Hold::new(bed.ix("pressure"), Direction::Opening);
        assert_eq!(bed.hold(&mut watch, 1.0), None);
        for (id, value) in [("pump", 1.0), ("pump_current", 25.0), ("pressure", 150.0)] {
            bed.put(id, value);
        }
        assert_eq!(bed.hold(&mut watch, 2.0), None);
        bed.put("pump", 0.0);
        bed.put("pump_current", 0.0);
        bed.hold_with(&mut watch, 70.0, &mut |bed, t| {
            bed.put("pressure", (4.0 + 146.0 * (-t / tau).exp()) as f32)
        })
        .unwrap()
    }

    #[test]
    fn a_leak_fails_and_a_tight_roof_passes() {
        let leak = with_tau(5.0);
        assert!(leak.grade == Grade::Failed && leak.says.contains("5.0"), "{leak:?}");
        let slow = with_tau(40.0);
        assert!(slow.grade == Grade::Passed && slow.says.contains("40"), "{slow:?}");
        let tight = with_tau(4000.0);
        assert_eq!(tight.grade, Grade::Passed, "{}", tight.says);
        let let_go = with_tau(0.05);
        assert!(let_go.grade == Grade::Remark && let_go.says.contains(words::LET_GO), "{let_go:?}");
    }
}
