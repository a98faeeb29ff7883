//! One scenario through the rig and the engine: what was true beside what was said.

use std::sync::Arc;

use foldwatch_cause::Evidence;
use foldwatch_pipeline::{Engine, Event, Verdict};
use foldwatch_profile::SignalIx;
use foldwatch_rig::{CycleTruth, Recorder, RigEvent, Scenario, SolverError, TruthLine, simulate};
use foldwatch_samples::{GapCause, Item};
use foldwatch_segment::Recording;
use foldwatch_units::Micros;

/// A scenario's truth and its verdicts.
#[derive(Debug, Default)]
pub struct Played {
    /// What happened.
    pub truth: Vec<CycleTruth>,
    /// What the engine said; the recordings are dropped.
    pub verdicts: Vec<Verdict>,
    /// What the cycles showed, for the causes.
    pub evidence: Evidence,
    /// Every change of a switch or command as the log carries it: with its own time, or at the first row that shows it.
    pub shown: Vec<(Micros, SignalIx, bool)>,
}

/// How the log is written.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Logger {
    /// Switches and commands as edges with their own times; else as columns of the rows, which show a change at the next
    /// row and miss what comes and goes between two.
    pub edges: bool,
    /// Signals that it does not carry.
    pub absent: Vec<SignalIx>,
}

/// Runs a scenario and judges its log as it comes, without a file in between.
///
/// # Errors
/// Where the rig can't compute the scenario.
pub fn play(scenario: &Scenario, logger: &Logger) -> Result<Played, SolverError> {
    let profile = Arc::new(scenario.profile.clone());
    let analog: Vec<SignalIx> =
        profile.signals().filter(|(_, s)| !s.kind.is_binary()).map(|(ix, _)| ix).collect();
    let mut feed = Feed {
        logger,
        engine: Engine::new(Arc::clone(&profile)).settled_only(),
        row: vec![f32::NAN; profile.signals.len()],
        waits: Vec::new(),
        analog,
        played: Played::default(),
    };
    simulate(scenario, &mut feed)?;
    let Feed { mut engine, mut played, .. } = feed;
    engine.finish(&mut |event| keep(&mut played, event));
    played.evidence = engine.evidence().clone();
    Ok(played)
}

struct Feed<'a> {
    logger: &'a Logger,
    engine: Engine,
    row: Vec<f32>,
    /// Changes that no row has shown yet.
    waits: Vec<(SignalIx, bool)>,
    analog: Vec<SignalIx>,
    played: Played,
}

fn keep(played: &mut Played, event: Event) {
    if let Event::Settled(mut verdict) = event {
        verdict.cycle.recording = Recording::default();
        played.verdicts.push(*verdict);
    }
}

impl Recorder for Feed<'_> {
    fn event(&mut self, event: RigEvent<'_>) {
        let item = match event {
            RigEvent::Row { at, analog } => {
                let carried = |ix: &SignalIx| !self.logger.absent.contains(ix);
                for (ix, value) in self.analog.iter().zip(analog).filter(|(ix, _)| carried(ix)) {
                    self.row[ix.at()] = *value;
                }
                self.played.shown.extend(self.waits.drain(..).map(|(signal, on)| (at, signal, on)));
                Item::Row { at, values: &self.row }
            }
            RigEvent::Edge { signal, .. } if self.logger.absent.contains(&signal) => return,
            RigEvent::Edge { signal, on, .. } if !self.logger.edges => {
                self.row[signal.at()] = f32::from(u8::from(on));
                self.waits.retain(|(waits, _)| *waits != signal);
                self.waits.push((signal, on));
                return;
            }
            RigEvent::Edge { at, signal, on } => {
                self.played.shown.push((at, signal, on));
                Item::Edge { at, signal, on }
            }
            RigEvent::Mark { at } => Item::Mark { at },
            RigEvent::Gap { until, restart, .. } => {
                let cause = if restart { GapCause::Restart } else { GapCause::Missing };
                Item::Gap { until, cause }
            }
        };
        let played = &mut self.played;
        self.engine.push(&item, &mut |event| keep(played, event));
    }

    fn truth(&mut self, line: TruthLine) {
        if let TruthLine::Cycle(cycle) = line {
            self.played.truth.push(*cycle);
        }
    }
}
