//! Samples to judged cycles: the pure steps joined.
//!
//! In: [`Item`]s of one car in order of time. Out: [`Event`]s with a verdict. The daemon and the command line feed
//! the same engine, so a live stream and its recording get the same verdict. Not here: ports, files, frames.
//!
//! [`Item`]: foldwatch_samples::Item

mod lane;

use std::sync::Arc;

use foldwatch_cause::Evidence;
use foldwatch_profile::Profile;
use foldwatch_samples::{Item, Sink};
use foldwatch_score::{History, Judged, judge};
use foldwatch_segment::{Cycle, Live, Segmenter};
use foldwatch_units::Micros;
pub use lane::{Lane, LaneState};

/// A cycle with what was found in it.
#[derive(Debug, Clone, PartialEq)]
pub struct Verdict {
    /// What the roof did.
    pub cycle: Cycle,
    /// What was measured and found.
    pub judged: Judged,
}

/// What the engine has to say.
#[derive(Debug, Clone, PartialEq)]
pub enum Event {
    /// A movement began.
    Began {
        /// Its first drive.
        at: Micros,
    },
    /// A movement is over: a first verdict, without its tail.
    Closed(Box<Verdict>),
    /// The verdict with the whole tail: the last word on this cycle. Each cycle is settled once.
    Settled(Box<Verdict>),
}

/// Judges the stream of one car.
#[derive(Debug, Clone)]
pub struct Engine {
    profile: Arc<Profile>,
    segmenter: Segmenter,
    memory: Memory,
}

/// What an engine keeps of a car from one recording to the next.
#[derive(Debug, Clone, PartialEq, Default, serde::Serialize, serde::Deserialize)]
pub struct Memory {
    /// What was learned of the car.
    pub history: History,
    /// What its cycles showed, for the causes.
    #[serde(default)]
    pub evidence: Evidence,
}

/// All that an [`Engine`] remembers.
#[derive(Debug, Clone, serde::Serialize, serde::Deserialize)]
pub struct State {
    segmenter: foldwatch_segment::State,
    memory: Memory,
}

impl Engine {
    /// For a car that nothing is known of.
    pub fn new(profile: Arc<Profile>) -> Self {
        let segmenter = Segmenter::new(Arc::clone(&profile));
        Engine { segmenter, profile, memory: Memory::default() }
    }

    /// A new recording of the same car begins; what was learned of it stays.
    pub fn begin_anew(&mut self) {
        self.segmenter.begin_anew();
    }

    /// Gives no first verdict ([`Event::Closed`]), only the last: for recordings.
    #[must_use]
    pub fn settled_only(self) -> Self {
        Engine { segmenter: self.segmenter.settled_only(), ..self }
    }

    /// Where another one left off; `None` where the state belongs to a profile with other signals.
    pub fn resume(profile: Arc<Profile>, state: State) -> Option<Self> {
        let segmenter = Segmenter::resume(Arc::clone(&profile), state.segmenter)?;
        Some(Engine { profile, segmenter, memory: state.memory })
    }

    /// What it remembers. Small while [`Engine::is_at_rest`].
    pub fn state(&self) -> State {
        State { segmenter: self.segmenter.state().clone(), memory: self.memory.clone() }
    }

    /// Nothing moves and no tail runs.
    pub fn is_at_rest(&self) -> bool {
        self.segmenter.is_at_rest()
    }

    /// The roof.
    pub fn profile(&self) -> &Arc<Profile> {
        &self.profile
    }

    /// What was learned of the car.
    pub fn history(&self) -> &History {
        &self.memory.history
    }

    /// What its cycles showed, for [`foldwatch_cause::diagnose`].
    pub fn evidence(&self) -> &Evidence {
        &self.memory.evidence
    }

    /// Work was done on the roof: what was found before it, how long the steps take and how the pressure holds is open
    /// again. What was learned of the weather and of the switches stays.
    pub fn after_repair(&mut self) {
        self.memory.history.after_repair();
        self.memory.evidence = Evidence::default();
    }

    /// What is kept of the car for its next recording.
    pub fn memory(&self) -> &Memory {
        &self.memory
    }

    /// The movement under way.
    pub fn live(&self) -> Option<Live> {
        self.segmenter.live()
    }

    /// The moment of the last item.
    pub fn now(&self) -> Micros {
        self.segmenter.now()
    }

    /// The last value of every signal of the profile; NaN where none was recorded.
    pub fn values(&self) -> &[f32] {
        self.segmenter.values()
    }

    /// Items that lay in the past and were left out.
    pub fn out_of_order(&self) -> u64 {
        self.segmenter.out_of_order()
    }

    /// Takes one item.
    pub fn push(&mut self, item: &Item, out: &mut impl FnMut(Event)) {
        let Engine { profile, segmenter, memory } = self;
        segmenter.push(item, &mut |event| pass_on(profile, memory, event, out));
    }

    /// Takes a run of [`Item::Same`], most of it at one stroke where the roof rests.
    pub fn same(&mut self, times: &[Micros], out: &mut impl FnMut(Event)) {
        let Engine { profile, segmenter, memory } = self;
        segmenter.same(times, &mut |event| pass_on(profile, memory, event, out));
    }

    /// The recording is over.
    pub fn finish(&mut self, out: &mut impl FnMut(Event)) {
        let Engine { profile, segmenter, memory } = self;
        segmenter.finish(&mut |event| pass_on(profile, memory, event, out));
    }

    /// As a sink of items.
    pub fn sink<'a, F: FnMut(Event)>(&'a mut self, out: F) -> EngineSink<'a, F> {
        EngineSink { engine: self, out }
    }
}

fn pass_on(
    profile: &Profile,
    memory: &mut Memory,
    event: foldwatch_segment::Event,
    out: &mut impl FnMut(Event),
) {
    match event {
        foldwatch_segment::Event::Began { at } => out(Event::Began { at }),
        foldwatch_segment::Event::Closed(cycle) => {
            let judged = judge(profile, &cycle, &memory.history);
            out(Event::Closed(Box::new(Verdict { cycle: *cycle, judged })));
        }
        foldwatch_segment::Event::Settled(cycle) => {
            let judged = judge(profile, &cycle, &memory.history);
            memory.history.learn(profile, &cycle, &judged);
            memory.evidence.add(profile, &cycle, &judged);
            out(Event::Settled(Box::new(Verdict { cycle: *cycle, judged })));
        }
    }
}

/// An engine with a place for its events, to be fed by whoever makes items.
#[derive(Debug)]
pub struct EngineSink<'a, F> {
    engine: &'a mut Engine,
    out: F,
}

impl<F: FnMut(Event)> Sink for EngineSink<'_, F> {
    fn item(&mut self, item: Item<'_>) {
        self.engine.push(&item, &mut self.out);
    }

    fn same(&mut self, times: &[Micros]) {
        self.engine.same(times, &mut self.out);
    }
}
