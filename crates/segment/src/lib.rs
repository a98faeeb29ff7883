//! Samples to cycles and their phases.
//!
//! In: [`Item`]s in order of time. Out: [`Event`]s: a movement began, is over, is settled with its tail. Feeding the
//! items one by one, in any blocks, or with the state put away and taken up again in between gives the same events.
//! Not here: whether anything was wrong with a cycle.
//!
//! [`Item`]: foldwatch_samples::Item

mod align;
mod condition;
mod drive;
mod ends;
mod fixed;
mod gather;
mod gathering;
mod infer;
mod lead;
mod live;
mod model;
mod motor;
mod outcome;
mod pace;
mod phases;
mod rest;
mod scatter;
#[cfg(test)]
mod tests;

use std::sync::Arc;

use align::Scene;
use drive::PumpSource;
use fixed::Fixed;
use foldwatch_profile::{Profile, SignalIx, SignalKind};
use foldwatch_samples::Item;
use foldwatch_units::{Direction, Micros};
use gather::{Gathered, Gatherer};
use gathering::Gathering;
pub use live::Live;
pub use model::*;

/// What the segmenter has to say.
#[derive(Debug, Clone, PartialEq)]
pub enum Event {
    /// A movement began.
    Began {
        /// Its first drive.
        at: Micros,
    },
    /// A movement is over, its tail still comes: the verdict can be given, and will be given once more with the tail.
    Closed(Box<Cycle>),
    /// A movement with its whole tail. Every cycle is settled exactly once, in order of time.
    Settled(Box<Cycle>),
}

/// Cuts a stream into cycles and aligns each to the profile's sequence.
#[derive(Debug, Clone)]
pub struct Segmenter {
    fixed: Fixed,
    state: State,
    settled_only: bool,
}

/// All that a [`Segmenter`] remembers, to be put away and taken up again.
#[derive(Debug, Clone, serde::Serialize, serde::Deserialize)]
pub struct State(Gatherer);

impl Segmenter {
    /// At the beginning of a recording.
    pub fn new(profile: Arc<Profile>) -> Self {
        let fixed = Fixed::new(profile);
        let state = State(Gatherer::new(&fixed));
        Segmenter { fixed, state, settled_only: false }
    }

    /// Says no [`Event::Closed`]: for recordings, of which nobody wants to hear twice.
    #[must_use]
    pub fn settled_only(self) -> Self {
        Segmenter { settled_only: true, ..self }
    }

    /// A new recording begins: nothing of the one before is left.
    pub fn begin_anew(&mut self) {
        self.state = State(Gatherer::new(&self.fixed));
    }

    /// Where another one left off. `None` where the state belongs to a profile with other signals.
    pub fn resume(profile: Arc<Profile>, state: State) -> Option<Self> {
        let fits = state.0.seen().len() == profile.signals.len();
        fits.then(|| Segmenter { fixed: Fixed::new(profile), state, settled_only: false })
    }

    /// What it remembers.
    pub fn state(&self) -> &State {
        &self.state
    }

    /// Nothing is moving and no tail runs: the state is small.
    pub fn is_at_rest(&self) -> bool {
        self.state.0.is_at_rest()
    }

    /// The moment of the last item.
    pub fn now(&self) -> Micros {
        self.state.0.now()
    }

    /// The last value of every signal of the profile; NaN where none was ever recorded.
    pub fn values(&self) -> &[f32] {
        self.state.0.values()
    }

    /// Items that lay in the past and were left out.
    pub fn out_of_order(&self) -> u64 {
        self.state.0.out_of_order()
    }

    /// Takes one item.
    pub fn push(&mut self, item: &Item, out: &mut impl FnMut(Event)) {
        let (fixed, settled_only) = (&self.fixed, self.settled_only);
        self.state.0.push(fixed, item, &|open, at| completed(fixed, at, open), &mut |gathered, at| {
            hand_on(fixed, at, gathered, settled_only, out);
        });
    }

    /// Takes a run of [`Item::Same`]: the events are those of [`Segmenter::push`] for each.
    pub fn same(&mut self, times: &[Micros], out: &mut impl FnMut(Event)) {
        let over = self.state.0.step_over(times);
        times[over..].iter().for_each(|at| self.push(&Item::Same { at: *at }, out));
    }

    /// The recording is over: what is open is closed as it stands. The segmenter must not be fed any more.
    pub fn finish(&mut self, out: &mut impl FnMut(Event)) {
        let (fixed, settled_only) = (&self.fixed, self.settled_only);
        self.state.0.finish(fixed, &|open, at| completed(fixed, at, open), &mut |gathered, at| {
            hand_on(fixed, at, gathered, settled_only, out);
        });
    }

    /// The movement under way.
    pub fn live(&self) -> Option<Live> {
        live::live(&self.fixed, &self.state.0)
    }
}

fn hand_on(
    fixed: &Fixed,
    state: &Gatherer,
    gathered: Gathered,
    settled_only: bool,
    out: &mut impl FnMut(Event),
) {
    match gathered {
        Gathered::Closed if settled_only => {}
        Gathered::Began => {
            if let Some(open) = state.open() {
                out(Event::Began { at: open.start });
            }
        }
        Gathered::Closed => {
            if let Some(open) = state.open() {
                out(Event::Closed(Box::new(cycle(fixed, state, open.clone()))));
            }
        }
        Gathered::Settled(open) => out(Event::Settled(Box::new(cycle(fixed, state, *open)))),
        Gathered::Refused { at, until, direction, recording } => {
            if let Some(cycle) = refused(fixed, at, until, direction, *recording) {
                if !settled_only {
                    out(Event::Closed(Box::new(cycle.clone())));
                }
                out(Event::Settled(Box::new(cycle)));
            }
        }
    }
}

/// What tells of the pump in what was gathered. A current that shows no motor, while steps that the pump drives were
/// confirmed with their valves on, is that of a sensor that does not hear: the valves tell instead.
fn source(fixed: &Fixed, state: &Gatherer, open: &Gathering) -> PumpSource {
    let source = state.source(fixed);
    let shown = open.running_initial == Some(true) || open.running_edges.iter().any(|edge| edge.on);
    if source != PumpSource::Current || shown {
        return source;
    }
    let on = |ix: &SignalIx, at| open.recording.state(*ix, at) == Some(true);
    let driven = |edge: &Edge, phase: &foldwatch_profile::Phase| {
        let wanted = phase.confirm.wanted().contains(&(edge.signal, edge.on));
        let valves = !phase.valves.is_empty() && phase.valves.iter().all(|ix| on(ix, edge.at));
        phase.pump && wanted && valves
    };
    let phases = || fixed.profile.opening.iter().chain(&fixed.profile.closing);
    let edges = &open.recording.edges;
    let moved = edges.iter().any(|e| e.at >= open.start && phases().any(|phase| driven(e, phase)));
    if moved { PumpSource::Valves } else { source }
}

/// The drive's spans of what was gathered, up to `end`.
fn spans(fixed: &Fixed, state: &Gatherer, open: &Gathering, end: Micros) -> Vec<DriveSpan> {
    drive::spans(
        &fixed.signals,
        source(fixed, state, open),
        &open.recording.initial,
        &open.recording.edges,
        (open.running_initial, &open.running_edges),
        (open.start, end.max(open.start)),
    )
}

fn scene<'a>(
    fixed: &'a Fixed,
    state: &'a Gatherer,
    open: &'a Gathering,
    drive: &'a [DriveSpan],
    end: Micros,
) -> Scene<'a> {
    Scene {
        profile: &fixed.profile,
        signals: &fixed.signals,
        ends: &fixed.ends,
        source: source(fixed, state, open),
        seen: state.seen(),
        recording: &open.recording,
        drive,
        start: open.start,
        end,
    }
}

/// Whether what was gathered so far reached the end of its sequence.
fn completed(fixed: &Fixed, state: &Gatherer, open: &Gathering) -> bool {
    let end = if open.end > open.start { open.end } else { state.now() };
    let drive = spans(fixed, state, open, end);
    let scene = scene(fixed, state, open, &drive, end);
    scene.align().last().is_some_and(|stay| scene.phase(stay.state).is_none())
}

fn cycle(fixed: &Fixed, state: &Gatherer, mut open: Gathering) -> Cycle {
    let profile = &fixed.profile;
    let supply = fixed.signals.supply;
    let lost = outcome::supply_lost_at(profile, supply, &open.recording, open.start, open.end);
    if let Some(at) = lost {
        // After the supply is gone the switches tell nothing.
        let is_switch = |edge: &Edge| profile.signal(edge.signal).kind == SignalKind::Switch;
        open.recording.edges.retain(|edge| edge.at < at || !is_switch(edge));
    }
    let drive = spans(fixed, state, &open, open.end);
    let scene = scene(fixed, state, &open, &drive, open.end);
    let path = scene.align();
    let runs = phases::phase_runs(&scene, &path);
    let outcome = outcome::outcome(&scene, &path, &runs, open.ending, lost.is_some());
    let first = path.iter().find(|stay| stay.to > stay.from).or(path.first());
    let direction = first.map_or(Direction::Opening, |stay| stay.state.direction);
    let from_part_way = scene.stood_at_end(direction.reversed()) == Some(false);
    Cycle {
        start: open.start,
        end: open.end,
        direction,
        outcome,
        from_part_way,
        phases: if outcome == Outcome::ServiceRun { Vec::new() } else { runs },
        refused_by: Vec::new(),
        recording: Recording { drive, ..open.recording },
    }
}

/// A demand that nothing came of; `None` where there was nothing to do.
fn refused(
    fixed: &Fixed,
    at: Micros,
    until: Micros,
    direction: Option<Direction>,
    recording: Recording,
) -> Option<Cycle> {
    let profile = &fixed.profile;
    let on = |ix: SignalIx| recording.initial.get(ix.at()).copied().flatten();
    let there = |direction| fixed.ends.holds(direction, &on) == Some(true);
    if direction.is_some_and(there) {
        return None;
    }
    let refused_by = profile
        .permissions
        .iter()
        .enumerate()
        .filter(|(_, p)| p.direction.is_none() || direction.is_none() || p.direction == direction)
        .filter(|(_, p)| p.needs.holds(&on) == Some(false))
        .map(|(n, _)| n)
        .collect();
    let guess = || {
        if there(Direction::Opening) { Direction::Closing } else { Direction::Opening }
    };
    Some(Cycle {
        start: at,
        end: until,
        direction: direction.unwrap_or_else(guess),
        outcome: Outcome::Refused,
        from_part_way: false,
        phases: Vec::new(),
        refused_by,
        recording,
    })
}
