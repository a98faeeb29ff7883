//! The end of a step that nothing confirmed, from the other evidence.

use foldwatch_physics::knee::{current_knee, pressure_knee};
use foldwatch_profile::{Phase, SignalIx};
use foldwatch_units::{Micros, Seconds};

use crate::align::Scene;
use crate::model::Recording;

/// When the motion of a step ended, without its confirmation: the rise of pressure (or current) against the stop, else
/// the last of those switches of the confirmation that did come; `None` where neither shows.
pub(crate) fn end_of_motion(scene: &Scene, phase: &Phase, start: Micros, left: Micros) -> Option<Micros> {
    let rec = scene.recording;
    let rows = rec.rows(start, left);
    let times = &rec.times[rows.clone()];
    let window =
        |signal: Option<SignalIx>| signal.and_then(|ix| rec.trace(ix)).map(|values| &values[rows.clone()]);
    let by_pressure = || {
        let values = window(scene.signals.pressure)?;
        pressure_knee(times, values, scene.profile.hydraulics.relief).map(|knee| knee.at)
    };
    let by_current = || current_knee(times, window(scene.signals.current)?).map(|knee| knee.at);
    by_pressure().or_else(by_current).or_else(|| by_partner(scene, phase, start, left))
}

/// The last of those switches of a confirmation that did make. One that has to open does so as the motion begins, and
/// tells nothing of its end.
pub(crate) fn by_partner(scene: &Scene, phase: &Phase, start: Micros, left: Micros) -> Option<Micros> {
    let wanted = phase.confirm.wanted();
    let edges = scene.recording.edges.iter().filter(|edge| edge.at > start && edge.at <= left);
    edges.filter(|edge| edge.on && wanted.contains(&(edge.signal, true))).map(|edge| edge.at).next_back()
}

/// The time between the rows around a moment.
pub(crate) fn sample_period(rec: &Recording, at: Micros) -> Seconds {
    let after = rec.times.partition_point(|t| *t < at);
    match (after.checked_sub(1).and_then(|n| rec.times.get(n)), rec.times.get(after)) {
        (Some(before), Some(after)) => *after - *before,
        _ => Seconds(0.0),
    }
}
