//! The end of a step that nothing confirmed, from the other evidence.

use foldwatch_profile::Phase;
use foldwatch_units::{Micros, Seconds};

use crate::align::Scene;
use crate::model::Recording;

/// When the motion of a step ended, without its confirmation: the last
/// of those switches of the confirmation that did come; `None` where none shows.
pub(crate) fn end_of_motion(scene: &Scene, phase: &Phase, start: Micros, left: Micros) -> Option<Micros> {
    scene
        .recording
        .edges
        .iter()
        .filter(|edge| edge.at > start && edge.at <= left)
        .filter(|edge| phase.confirm.wanted().contains(&(edge.signal, edge.on)))
        .map(|edge| edge.at)
        .next_back()
}

/// The time between the rows around a moment.
pub(crate) fn sample_period(rec: &Recording, at: Micros) -> Seconds {
    let after = rec.times.partition_point(|t| *t < at);
    match (after.checked_sub(1).and_then(|n| rec.times.get(n)), rec.times.get(after)) {
        (Some(before), Some(after)) => *after - *before,
        _ => Seconds(0.0),
    }
}
