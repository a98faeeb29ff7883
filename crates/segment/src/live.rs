//! The movement under way, for whoever stands beside the car.

use foldwatch_profile::{PhaseRef, SignalIx};
use foldwatch_units::{Direction, Micros, Seconds};

use crate::fixed::Fixed;
use crate::gather::Gatherer;
use crate::model::PhaseRun;
use crate::phases::phase_runs;
use crate::{scene, spans};

/// What is going on now.
#[derive(Debug, Clone, PartialEq)]
pub struct Live {
    /// First drive.
    pub start: Micros,
    /// The last item's moment.
    pub now: Micros,
    /// Where it goes.
    pub direction: Direction,
    /// The step that runs; `None`: the sequence is done.
    pub phase: Option<PhaseRef>,
    /// Since when it runs.
    pub since: Micros,
    /// The switches it waits for, with the state each must take.
    pub waiting_for: Vec<(SignalIx, bool)>,
    /// Drive is on.
    pub driving: bool,
    /// How long the pump has run without a pause.
    pub pump_on: Option<Seconds>,
    /// The steps run so far, the last one as if it ended now.
    pub phases: Vec<PhaseRun>,
}

pub(crate) fn live(fixed: &Fixed, state: &Gatherer) -> Option<Live> {
    let open = state.open()?;
    let now = state.now();
    let end = if state.is_driving() { now } else { open.end };
    let drive = spans(fixed, state, open, end);
    let scene = scene(fixed, state, open, &drive, end);
    let path = scene.align();
    let last = path.last()?;
    let phase = scene.phase(last.state);
    let waiting_for = phase.map_or_else(Vec::new, |phase| {
        phase
            .confirm
            .wanted()
            .into_iter()
            .filter(|(ix, wanted)| open.recording.state(*ix, now).is_some_and(|on| on != *wanted))
            .collect()
    });
    let pump_on = drive
        .iter()
        .rev()
        .take_while(|span| span.pump || span.running == Some(true))
        .last()
        .filter(|_| state.is_driving())
        .map(|span| now - span.from);
    let phases = phase_runs(&scene, &path);
    Some(Live {
        start: open.start,
        now,
        direction: last.state.direction,
        phase: phase.map(|_| PhaseRef { direction: last.state.direction, index: last.state.index }),
        since: phases.last().map_or(open.start, |run| if phase.is_some() { run.start } else { run.end }),
        waiting_for,
        driving: state.is_driving(),
        pump_on,
        phases,
    })
}
