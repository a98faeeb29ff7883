//! Which drive was on when: spans of unchanging valves and pump.

use foldwatch_profile::{Profile, SignalIx, SignalKind};
use foldwatch_units::Micros;

use crate::model::{DriveSpan, Edge};

/// What tells that the pump runs, in falling order of trust.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub(crate) enum PumpSource {
    /// The pump command is recorded.
    Command,
    /// Only its current is.
    Current,
    /// Neither: a valve that is on is taken for the pump.
    Valves,
    /// Not even valves: pressure above a third of the relief setting is taken for the pump.
    Pressure,
    /// Nothing else: the operator's demand is taken for the pump.
    Demand,
}

/// Above this share of the running current the motor runs. Judgment: far above a clamp's zero error (about 1 % of
/// range), far below what a motor needs to turn a pump at no load.
pub(crate) const RUNNING_ON: f64 = 0.25;
/// Below this share it stands. The distance to [`RUNNING_ON`] keeps noise from toggling it.
pub(crate) const RUNNING_OFF: f64 = 0.15;
/// Share of the relief pressure that is taken for a running pump where nothing better is recorded.
pub(crate) const PRESSURE_ON: f64 = 0.33;
/// See [`PRESSURE_ON`].
pub(crate) const PRESSURE_OFF: f64 = 0.2;

/// Levels of an analog signal between which it keeps its state.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Thresholds {
    pub on: f64,
    pub off: f64,
}

/// The motor current's thresholds: from the running current, else from the fuse (a motor draws at least a tenth of
/// its fuse), else 2 A.
pub(crate) fn current_thresholds(profile: &Profile) -> Thresholds {
    let running = match (profile.electrics.running, profile.electrics.fuse) {
        (Some(running), _) => running.0,
        (None, Some(fuse)) => fuse.0 * 0.4,
        (None, None) => 8.0,
    };
    Thresholds { on: running * RUNNING_ON, off: running * RUNNING_OFF }
}

/// The pressure's thresholds, from the relief setting, else 60 bar.
pub(crate) fn pressure_thresholds(profile: &Profile) -> Thresholds {
    let relief = profile.hydraulics.relief.map_or(60.0, |bar| bar.0);
    Thresholds { on: relief * PRESSURE_ON, off: relief * PRESSURE_OFF }
}

/// The signals that tell what is driven.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct DriveSignals {
    pub valves: Vec<SignalIx>,
    pub pumps: Vec<SignalIx>,
    pub demands: Vec<SignalIx>,
    pub current: Option<SignalIx>,
    pub pressure: Option<SignalIx>,
    pub supply: Option<SignalIx>,
}

impl DriveSignals {
    pub fn of(profile: &Profile) -> Self {
        let all = |kind| profile.of_kind(kind).map(|(ix, _)| ix).collect::<Vec<_>>();
        let first = |kind| profile.of_kind(kind).map(|(ix, _)| ix).next();
        DriveSignals {
            valves: all(SignalKind::Valve),
            pumps: all(SignalKind::Pump),
            demands: all(SignalKind::Demand),
            current: first(SignalKind::Current),
            pressure: first(SignalKind::Pressure),
            supply: first(SignalKind::Voltage),
        }
    }

    /// What tells that the pump runs, given which signals were ever recorded.
    pub fn pump_source(&self, recorded: &dyn Fn(SignalIx) -> bool) -> PumpSource {
        if self.pumps.iter().any(|ix| recorded(*ix)) {
            PumpSource::Command
        } else if self.current.is_some_and(recorded) {
            PumpSource::Current
        } else if self.valves.iter().any(|ix| recorded(*ix)) {
            PumpSource::Valves
        } else if self.pressure.is_some_and(recorded) {
            PumpSource::Pressure
        } else {
            PumpSource::Demand
        }
    }
}

/// A change of the virtual signal "motor runs by its current" (or whatever stands in for it).
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub(crate) struct RunningEdge {
    pub at: Micros,
    pub on: bool,
}

/// The drive's spans from `from` to `to`, out of the edges (in order of time) and the states before them; `motor` is the
/// same for the motor by its current.
pub(crate) fn spans(
    signals: &DriveSignals,
    source: PumpSource,
    initial: &[Option<bool>],
    edges: &[Edge],
    motor: (Option<bool>, &[RunningEdge]),
    (from, to): (Micros, Micros),
) -> Vec<DriveSpan> {
    let (running_initial, running_edges) = motor;
    let mut state: Vec<Option<bool>> = initial.to_vec();
    let mut running = running_initial;
    let is_drive_signal = |ix: SignalIx| {
        signals.valves.contains(&ix) || signals.pumps.contains(&ix) || signals.demands.contains(&ix)
    };
    let mut changes: Vec<(Micros, Option<SignalIx>, bool)> = edges
        .iter()
        .filter(|e| is_drive_signal(e.signal))
        .map(|e| (e.at, Some(e.signal), e.on))
        .chain(running_edges.iter().map(|e| (e.at, None, e.on)))
        .collect();
    changes.sort_by_key(|change| change.0);

    let look = |state: &[Option<bool>], running: Option<bool>, from: Micros| {
        let on = |ix: &SignalIx| state.get(ix.at()).copied().flatten() == Some(true);
        let valves: Vec<SignalIx> = signals.valves.iter().copied().filter(|ix| on(ix)).collect();
        let (pump, running) = match source {
            PumpSource::Command => (signals.pumps.iter().any(on), running),
            PumpSource::Current => (running == Some(true), running),
            PumpSource::Valves => (!valves.is_empty(), None),
            PumpSource::Pressure => (running == Some(true), None),
            PumpSource::Demand => (signals.demands.iter().any(on), None),
        };
        DriveSpan { from, to: from, valves, pump, running }
    };

    let mut out: Vec<DriveSpan> = Vec::new();
    let mut push = |span: DriveSpan| match out.last_mut() {
        Some(last)
            if last.valves == span.valves && last.pump == span.pump && last.running == span.running => {}
        Some(last) if last.from == span.from => {
            *last = span;
        }
        Some(last) => {
            last.to = span.from;
            out.push(span);
        }
        None => out.push(span),
    };
    let mut at = 0;
    while at < changes.len() && changes[at].0 <= from {
        apply(&mut state, &mut running, changes[at]);
        at += 1;
    }
    push(look(&state, running, from));
    while at < changes.len() && changes[at].0 < to {
        let moment = changes[at].0;
        while at < changes.len() && changes[at].0 == moment {
            apply(&mut state, &mut running, changes[at]);
            at += 1;
        }
        push(look(&state, running, moment));
    }
    if let Some(last) = out.last_mut() {
        last.to = to;
    }
    out
}

fn apply(state: &mut [Option<bool>], running: &mut Option<bool>, change: (Micros, Option<SignalIx>, bool)) {
    match change.1 {
        Some(ix) => {
            if let Some(slot) = state.get_mut(ix.at()) {
                *slot = Some(change.2);
            }
        }
        None => *running = Some(change.2),
    }
}
