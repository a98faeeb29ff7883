//! How a cycle ended.

use foldwatch_profile::{Profile, SignalIx};
use foldwatch_samples::GapCause;
use foldwatch_units::{Direction, Micros, Seconds};

use crate::align::{Scene, Stay};
use crate::drive::PumpSource;
use crate::model::{Outcome, PhaseRun, Recording};

/// Below this share of the nominal voltage the supply is gone: no control unit runs on 6 V of 12.
const SUPPLY_GONE: f64 = 0.5;
/// How near to the drive's end a release of the demand counts as its cause.
const REACTION: Seconds = Seconds(0.6);

/// How the drive of a cycle came to its end, as far as the gathering knows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub(crate) enum Ending {
    /// Drive ended and stayed ended.
    Quiet,
    /// The recording breaks off.
    BrokenOff(Option<GapCause>),
    /// The next movement began at once.
    NextBegan,
}

/// `power_lost`: the supply went away while the roof was driven ([`supply_lost_at`]).
pub(crate) fn outcome(
    scene: &Scene,
    path: &[Stay],
    runs: &[PhaseRun],
    ending: Ending,
    power_lost: bool,
) -> Outcome {
    if is_service_run(scene, runs) {
        return Outcome::ServiceRun;
    }
    if ending == Ending::BrokenOff(Some(GapCause::Restart)) || power_lost {
        return Outcome::PowerLost;
    }
    // What the path passed through in no time at its very beginning was never driven.
    let turned = path.windows(2).any(|pair| {
        let other_way = pair[0].state.direction != pair[1].state.direction;
        other_way && pair[0].to > scene.start && pair[1].to > pair[1].from
    });
    let done = path.last().is_some_and(|stay| scene.phase(stay.state).is_none());
    let hidden = scene.recording.gaps.iter().any(|gap| {
        runs.iter().any(|run| run.end > gap.from && run.end <= gap.to) || (gap.from < scene.end && !done)
    });
    if turned {
        Outcome::Reversed
    } else if hidden {
        Outcome::RecordingGap
    } else if done {
        Outcome::Completed
    } else if matches!(ending, Ending::BrokenOff(_)) {
        Outcome::RecordingGap
    } else if stopped_by_operator(scene, path, runs) {
        Outcome::Stopped
    } else {
        Outcome::GivenUp
    }
}

/// Pump without any valve, where the roof can't move so and no step was confirmed.
fn is_service_run(scene: &Scene, runs: &[PhaseRun]) -> bool {
    let valves_recorded = scene.signals.valves.iter().any(|ix| scene.seen[ix.at()]);
    let every_step_has_one = [Direction::Opening, Direction::Closing]
        .iter()
        .flat_map(|direction| scene.profile.sequence(*direction))
        .all(|phase| !phase.valves.is_empty());
    valves_recorded
        && every_step_has_one
        && scene.drive.iter().all(|span| span.valves.is_empty())
        && runs.iter().all(|run| run.confirmed_at.is_none_or(|at| at <= scene.start))
}

/// When the supply went away while the roof was driven, or at the moment the drive ended. A supply that came back while
/// the drive went on was a disturbance of the sensor.
pub(crate) fn supply_lost_at(
    profile: &Profile,
    supply: Option<SignalIx>,
    recording: &Recording,
    start: Micros,
    end: Micros,
) -> Option<Micros> {
    let nominal = profile.electrics.nominal.unwrap_or(profile.reference.supply).0;
    let values = recording.trace(supply?)?;
    let rows = recording.rows(start, end + Seconds(0.5));
    let gone = |v: f32| f64::from(v) < nominal * SUPPLY_GONE;
    // A supply that was never there is a dead sensor.
    let sound_before = rows.start > 0 && !gone(values[rows.start - 1]) && !values[rows.start - 1].is_nan();
    let first = rows.clone().find(|n| gone(values[*n]))?;
    let sound = sound_before || rows.clone().take_while(|n| *n < first).any(|n| !values[n].is_nan());
    // Two samples in a row: one alone is a disturbance.
    let lasts = values.get(first + 1).is_none_or(|v| gone(*v) || v.is_nan());
    let at = recording.times[first];
    (sound && lasts && end - at < Seconds(1.0)).then_some(at)
}

fn stopped_by_operator(scene: &Scene, path: &[Stay], runs: &[PhaseRun]) -> bool {
    let recorded: Vec<SignalIx> =
        scene.signals.demands.iter().copied().filter(|ix| scene.seen[ix.at()]).collect();
    let direction = path.last().map(|stay| stay.state.direction);
    if recorded.is_empty() || scene.source == PumpSource::Demand {
        // Nobody tells, or the demand is all that is known of the drive: it ends with it. A unit gives up when time is
        // over, a person before.
        let Some(last) = runs.last() else { return true };
        let phase = last.phase.of(scene.profile);
        let patience = phase.give_up.map_or(phase.limit, |give_up| give_up * 0.95);
        return scene.end - last.start < patience;
    }
    let asked = |at: Micros| {
        recorded.iter().any(|ix| {
            scene.profile.signal(*ix).demands.is_none_or(|d| Some(d) == direction)
                && scene.recording.state(*ix, at) == Some(true)
        })
    };
    let edge_near = |wanted: bool| {
        scene.recording.edges.iter().any(|edge| {
            recorded.contains(&edge.signal)
                && edge.on == wanted
                && edge.at <= scene.end + Seconds(0.05)
                && scene.end - edge.at <= REACTION
        })
    };
    // Let go, or pressed once more where a tap starts the movement and the next one stops it.
    let tapped = recorded.iter().all(|ix| scene.recording.state(*ix, scene.end - REACTION) != Some(true));
    (edge_near(false) && !asked(scene.end + Seconds(0.05))) || (tapped && edge_near(true))
}
