//! The design of experiments: which roof, fault, strength, oil, rate and noise go together.
//!
//! Roof, fault, strength and rate are crossed in full. Oil temperature, noise, the way switches are logged and the place
//! of the fault go round with the runs' number, so that none of them follows any of the others; where each of them begins
//! hangs on the seed, so that a fresh seed is another experiment and not the same one with other noise.

use foldwatch_profile::{PhaseRef, Profile, SignalIx, SignalKind};
use foldwatch_rig::{Fault, FaultKind, Operator, Scenario, Target, Weather};
use foldwatch_units::{Direction, Seconds};

use crate::play::Logger;
use crate::right::RIGHT;

/// How large.
#[derive(Debug, Clone, PartialEq)]
pub struct Design {
    /// Strengths of each fault, from 0 (just noticeable) to 1 (gross).
    pub strengths: Vec<f64>,
    /// Rows a second.
    pub rates_hz: Vec<f64>,
    /// Oil temperatures, °C.
    pub oil_c: Vec<f64>,
    /// Factors on the sensors' usual noise.
    pub noise: Vec<f64>,
    /// Sound cycles before the fault sets in: the analyser learns what is usual.
    pub before: u32,
    /// Cycles with the fault.
    pub with: u32,
    /// Weeks of a sound car for each roof and rate.
    pub sound_weeks: u32,
    /// All chance hangs on it.
    pub seed: u64,
}

impl Design {
    /// In full.
    pub fn full(seed: u64) -> Design {
        Design {
            strengths: vec![0.1, 0.3, 0.6, 1.0],
            rates_hz: vec![10.0, 50.0, 100.0, 500.0],
            oil_c: vec![-5.0, 10.0, 20.0, 35.0],
            noise: vec![1.0, 3.0, 0.3],
            before: 10,
            with: 4,
            sound_weeks: 2,
            seed,
        }
    }

    /// Enough to see that nothing became much worse.
    pub fn quick(seed: u64) -> Design {
        Design { strengths: vec![0.75], rates_hz: vec![100.0], with: 2, sound_weeks: 0, ..Design::full(seed) }
    }

    /// Every run, always in the same order.
    pub fn runs(&self, roofs: &[Profile]) -> Vec<Run> {
        let mut out = Vec::new();
        for roof in roofs {
            for rate in &self.rates_hz {
                for right in RIGHT {
                    for strength in &self.strengths {
                        if let Some(run) = self.with_fault(out.len(), roof, *rate, right.fault, *strength) {
                            out.push(run);
                        }
                    }
                }
                out.push(self.with_operators(out.len(), roof, *rate));
                for _ in 0..self.sound_weeks {
                    let seed = self.seed_of(out.len());
                    let mut scenario = Scenario::week(roof, seed);
                    scenario.sample_rate_hz = *rate;
                    out.push(Run { scenario, logger: self.logger(out.len()), fault: None });
                }
            }
        }
        out
    }

    fn seed_of(&self, n: usize) -> u64 {
        self.seed.wrapping_mul(0x9e37_79b9_7f4a_7c15).wrapping_add(n as u64)
    }

    /// Where one of the things that go round is at a run.
    fn turn(&self, of: Round, n: usize) -> usize {
        n + (self.seed_of(0) >> (12 * of as u32)) as usize % 1009
    }

    fn logger(&self, n: usize) -> Logger {
        Logger { edges: self.turn(Round::Logger, n).is_multiple_of(2), absent: Vec::new() }
    }

    fn scenario(&self, n: usize, roof: &Profile, rate: f64, cycles: u32) -> Scenario {
        let pick = |list: &[f64], from: usize| list[from % list.len().max(1)];
        let mut scenario = Scenario::cycles(roof, self.seed_of(n), cycles);
        scenario.sample_rate_hz = rate;
        // Strengths go fastest through the runs, so they are skipped before the next temperature comes.
        let turn = n / self.strengths.len().max(1) + n;
        scenario.weather = Weather::steady(pick(&self.oil_c, self.turn(Round::Oil, turn)));
        scenario.noise = pick(&self.noise, self.turn(Round::Noise, turn / 2));
        scenario
    }

    fn with_fault(&self, n: usize, roof: &Profile, rate: f64, kind: FaultKind, strength: f64) -> Option<Run> {
        let mut scenario = self.scenario(n, roof, rate, self.before + self.with);
        if kind == FaultKind::Cold {
            // Colder than the usual, not colder than the coldest: beyond that a roof may well stand still.
            scenario.weather = Weather::steady(roof.reference.oil_temperature.0);
        }
        let target = target(roof, kind, self.turn(Round::Place, n))?;
        scenario.faults.push(Fault::new(kind, target, strength).from_cycle(self.before));
        Some(Run { scenario, logger: self.logger(n), fault: Some((kind, strength)) })
    }

    /// A sound roof in the hands of all kinds of operators.
    fn with_operators(&self, n: usize, roof: &Profile, rate: f64) -> Run {
        let mut scenario = self.scenario(n, roof, rate, 0);
        let half = |direction| {
            let whole: Seconds = roof.sequence(direction).iter().map(|phase| phase.expected).sum();
            whole * 0.45
        };
        let mut at = scenario.start + Seconds(30.0);
        let mut go = |direction, operator| {
            scenario.uses.push(foldwatch_rig::Use { at, direction, operator });
            at = at + Seconds(900.0);
        };
        use Direction::{Closing, Opening};
        go(Opening, Operator::Release(half(Opening)));
        go(Opening, Operator::Hold);
        go(Closing, Operator::Resume(half(Closing), Seconds(0.6)));
        go(Opening, Operator::Reverse(half(Opening)));
        go(Opening, Operator::Hold);
        go(Closing, Operator::PowerLoss(half(Closing)));
        go(Closing, Operator::Hold);
        go(Opening, Operator::Resume(half(Opening), Seconds(4.0)));
        scenario.end = at;
        Run { scenario, logger: self.logger(n), fault: None }
    }
}

/// What goes round with the runs' number.
#[derive(Clone, Copy)]
enum Round {
    Oil,
    Noise,
    Logger,
    Place,
}

/// One experiment.
#[derive(Debug, Clone)]
pub struct Run {
    /// What is simulated.
    pub scenario: Scenario,
    /// How it is logged.
    pub logger: Logger,
    /// What is wrong, and how much; `None`: nothing.
    pub fault: Option<(FaultKind, f64)>,
}

/// Where a fault of this kind sits; `turn` goes through the possible places. `None`: this roof has no such place.
fn target(roof: &Profile, kind: FaultKind, turn: usize) -> Option<Target> {
    use FaultKind::*;
    let steps = || {
        [Direction::Opening, Direction::Closing].into_iter().flat_map(|direction| {
            (0..roof.sequence(direction).len()).map(move |index| PhaseRef { direction, index })
        })
    };
    let signals = |what: &dyn Fn(SignalIx) -> bool| -> Vec<Target> {
        roof.signals().map(|(ix, _)| ix).filter(|ix| what(*ix)).map(Target::Signal).collect()
    };
    let kind_of = |ix: SignalIx| roof.signal(ix).kind;
    let places: Vec<Target> = match kind {
        SwitchLate | SwitchNever | Dropout | Chatter | StuckOpen | StuckClosed => signals(&|ix| {
            kind_of(ix) == SignalKind::Switch
                && steps().any(|step| step.of(roof).confirm.wanted().contains(&(ix, true)))
        }),
        StickingValve => signals(&|ix| {
            kind_of(ix) == SignalKind::Valve && steps().any(|step| step.of(roof).valves.contains(&ix))
        }),
        InternalLeak | Friction => steps()
            .filter(|step| step.of(roof).pump && !step.of(roof).cylinders.is_empty())
            .map(Target::Step)
            .collect(),
        DeadSensor | StuckSensor | NoisySensor => {
            signals(&|ix| matches!(kind_of(ix), SignalKind::Pressure | SignalKind::Current))
        }
        _ => vec![Target::System],
    };
    // A stride that shares no factor with the strengths, so that each place meets each strength.
    (!places.is_empty()).then(|| places[(turn * 7) % places.len()])
}
