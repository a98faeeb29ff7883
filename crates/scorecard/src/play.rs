//! One scenario through the rig and the engine: what was true beside what was said.

use std::sync::Arc;

use foldwatch_pipeline::{Engine, Event, Verdict};
use foldwatch_profile::SignalIx;
use foldwatch_rig::{CycleTruth, Recorder, RigEvent, Scenario, SolverError, TruthLine, simulate};
use foldwatch_samples::{GapCause, Item};
use foldwatch_segment::Recording;

/// A scenario's truth and its verdicts.
#[derive(Debug, Default)]
pub struct Played {
    /// What happened.
    pub truth: Vec<CycleTruth>,
    /// What the engine said; the recordings are dropped.
    pub verdicts: Vec<Verdict>,
}

/// Runs a scenario and judges its log as it comes, without a file in between.
///
/// # Errors
/// Where the rig can't compute the scenario.
pub fn play(scenario: &Scenario) -> Result<Played, SolverError> {
    let profile = Arc::new(scenario.profile.clone());
    let analog: Vec<SignalIx> =
        profile.signals().filter(|(_, s)| !s.kind.is_binary()).map(|(ix, _)| ix).collect();
    let mut feed = Feed {
        engine: Engine::new(Arc::clone(&profile)),
        row: vec![f32::NAN; profile.signals.len()],
        analog,
        played: Played::default(),
    };
    simulate(scenario, &mut feed)?;
    let Feed { mut engine, mut played, .. } = feed;
    engine.finish(&mut |event| keep(&mut played, event));
    Ok(played)
}

struct Feed {
    engine: Engine,
    row: Vec<f32>,
    analog: Vec<SignalIx>,
    played: Played,
}

fn keep(played: &mut Played, event: Event) {
    if let Event::Settled(mut verdict) = event {
        verdict.cycle.recording = Recording::default();
        played.verdicts.push(*verdict);
    }
}

impl Recorder for Feed {
    fn event(&mut self, event: RigEvent<'_>) {
        let item = match event {
            RigEvent::Row { at, analog } => {
                for (ix, value) in self.analog.iter().zip(analog) {
                    self.row[ix.at()] = *value;
                }
                Item::Row { at, values: &self.row }
            }
            RigEvent::Edge { at, signal, on } => Item::Edge { at, signal, on },
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
