//! The rig from outside: physics against published figures and closed forms, whole cycles, faults, logs.

// A test that cannot set itself up has failed; helpers outside of `#[test]` are part of the tests.
#![allow(clippy::unwrap_used)]

mod behaviour;
mod faults;
mod layout;
mod logs;
mod physics;

use foldwatch_profile::{Profile, SignalIx, SignalKind};
use foldwatch_rig::{CycleTruth, Energy, Recorder, RigEvent, Scenario, TruthLine, simulate};
use foldwatch_units::{Micros, Seconds};

const FIVE: &str = include_str!("../../../../config/profiles/hardtop-five.toml");
const SIX: &str = include_str!("../../../../config/profiles/hardtop-six.toml");
const SOFT: &str = include_str!("../../../../config/profiles/softtop-cover.toml");

fn profile(text: &str) -> Profile {
    foldwatch_profile::parse(text).unwrap().profile
}

fn all_profiles() -> Vec<Profile> {
    [FIVE, SIX, SOFT].into_iter().map(profile).collect()
}

/// Everything that a run gives.
#[derive(Default)]
struct Run {
    rows: Vec<(Micros, Vec<f32>)>,
    edges: Vec<(Micros, SignalIx, bool)>,
    gaps: Vec<(Micros, Micros, bool)>,
    cycles: Vec<CycleTruth>,
    energy: Energy,
    analog: Vec<(SignalIx, SignalKind)>,
}

impl Recorder for Run {
    fn event(&mut self, event: RigEvent<'_>) {
        match event {
            RigEvent::Row { at, analog } => self.rows.push((at, analog.to_vec())),
            RigEvent::Edge { at, signal, on } => self.edges.push((at, signal, on)),
            RigEvent::Gap { from, until, restart } => self.gaps.push((from, until, restart)),
            RigEvent::Mark { .. } => {}
        }
    }

    fn truth(&mut self, line: TruthLine) {
        if let TruthLine::Cycle(cycle) = line {
            self.cycles.push(*cycle);
        }
    }
}

impl Run {
    /// The numbers of the first signal of a kind, with their times.
    fn trace(&self, kind: SignalKind) -> Vec<(Micros, f64)> {
        let nth = self.analog.iter().position(|(_, k)| *k == kind).unwrap();
        self.rows.iter().map(|(at, values)| (*at, f64::from(values[nth]))).collect()
    }

    /// The numbers of a kind within a span.
    fn within(&self, kind: SignalKind, from: Micros, to: Micros) -> Vec<f64> {
        self.trace(kind).into_iter().filter(|(at, _)| *at >= from && *at <= to).map(|(_, v)| v).collect()
    }
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

fn most(values: &[f64]) -> f64 {
    values.iter().copied().fold(f64::NEG_INFINITY, f64::max)
}

/// Runs a scenario with a short tail, so that many fit into a test.
fn quick(mut scenario: Scenario) -> Run {
    scenario.relaxation = Seconds(5.0);
    run(&scenario)
}

fn run(scenario: &Scenario) -> Run {
    let analog =
        scenario.profile.signals().filter(|(_, s)| !s.kind.is_binary()).map(|(ix, s)| (ix, s.kind)).collect();
    let mut run = Run { analog, ..Run::default() };
    run.energy = simulate(scenario, &mut run).unwrap();
    run
}
