//! Frames of one car's logger to verdicts: assembler and engine joined.

use std::sync::Arc;

use foldwatch_profile::Profile;
use foldwatch_samples::{Assembler, Checkpoint, Counts, Item, Note, Sink, Timeline};
use foldwatch_units::Micros;
use foldwatch_wire::{Frame, FrameId, Health, Hello};

use crate::{Engine, Event, State};

/// Takes the frames of one car, of whatever logger it has at the time.
#[derive(Debug)]
pub struct Lane {
    profile: Arc<Profile>,
    logger: Option<u32>,
    assembler: Assembler,
    engine: Engine,
}

/// All that a [`Lane`] remembers.
#[derive(Debug, Clone, serde::Serialize, serde::Deserialize)]
pub struct LaneState {
    logger: Option<u32>,
    assembler: Checkpoint,
    engine: State,
}

impl Lane {
    /// For a car that nothing is known of.
    pub fn new(profile: Arc<Profile>) -> Self {
        Lane {
            logger: None,
            assembler: Assembler::new(Arc::clone(&profile)),
            engine: Engine::new(Arc::clone(&profile)),
            profile,
        }
    }

    /// Where another one left off; `None` where the state does not fit the profile any more.
    pub fn resume(profile: Arc<Profile>, state: LaneState) -> Option<Self> {
        Some(Lane {
            logger: state.logger,
            assembler: Assembler::resume(Arc::clone(&profile), &state.assembler)?,
            engine: Engine::resume(Arc::clone(&profile), state.engine)?,
            profile,
        })
    }

    /// What it remembers; `None` while the roof moves or frames are held back, when it would be much.
    pub fn state(&self) -> Option<LaneState> {
        (self.engine.is_at_rest() && self.assembler.waiting() == 0).then(|| LaneState {
            logger: self.logger,
            assembler: self.assembler.checkpoint(),
            engine: self.engine.state(),
        })
    }

    /// Takes a frame. `taps` sees every item that comes of it, before the engine's events.
    pub fn push(
        &mut self,
        id: FrameId,
        frame: Frame,
        taps: &mut impl FnMut(&Item),
        out: &mut impl FnMut(Event),
    ) {
        if self.logger.is_some_and(|logger| logger != id.logger) {
            // Another logger on the same car: what the first one left open is over, what was learned stays.
            self.flush(taps, out);
            self.engine.finish(out);
            self.engine.begin_anew();
            self.assembler = Assembler::new(Arc::clone(&self.profile));
        }
        self.logger = Some(id.logger);
        let mut joint = Joint { engine: &mut self.engine, taps, out };
        self.assembler.push(id, frame, &mut joint);
    }

    /// Waits no longer for frames that are missing.
    pub fn flush(&mut self, taps: &mut impl FnMut(&Item), out: &mut impl FnMut(Event)) {
        let mut joint = Joint { engine: &mut self.engine, taps, out };
        self.assembler.flush(&mut joint);
    }

    /// The recording is over for good.
    pub fn finish(&mut self, taps: &mut impl FnMut(&Item), out: &mut impl FnMut(Event)) {
        self.flush(taps, out);
        self.engine.finish(out);
    }

    /// Bytes were damaged here.
    pub fn damaged(&mut self) {
        self.assembler.damaged();
    }

    /// From item times to UTC.
    pub fn timeline(&self) -> &Timeline {
        self.assembler.timeline()
    }

    /// A moment in UTC; the log's own time where no date is known.
    pub fn utc(&self, at: Micros) -> Micros {
        self.assembler.timeline().utc(at).map_or(at, |utc| utc.at)
    }

    /// Whether a moment's date is known.
    pub fn is_dated(&self, at: Micros) -> bool {
        self.assembler.timeline().utc(at).is_some()
    }

    /// How often what has happened.
    pub fn counts(&self) -> &Counts {
        self.assembler.counts()
    }

    /// What is worth telling a person, since it was last asked.
    pub fn take_notes(&mut self) -> Vec<Note> {
        self.assembler.take_notes()
    }

    /// The hello of the running start.
    pub fn hello(&self) -> Option<&Hello> {
        self.assembler.hello()
    }

    /// What the logger last said of itself.
    pub fn health(&self) -> Option<&Health> {
        self.assembler.health()
    }

    /// The running start of a logger; `None`: another one was heard last, or no start of it.
    pub fn boot(&self, logger: u32) -> Option<u32> {
        self.logger.filter(|known| *known == logger).and_then(|_| self.assembler.boot())
    }

    /// Work was done on the roof: see [`Engine::after_repair`].
    pub fn after_repair(&mut self) {
        self.engine.after_repair();
    }

    /// The engine.
    pub fn engine(&self) -> &Engine {
        &self.engine
    }
}

/// The engine behind the assembler, with a tap between.
struct Joint<'a, T, F> {
    engine: &'a mut Engine,
    taps: &'a mut T,
    out: &'a mut F,
}

impl<T: FnMut(&Item), F: FnMut(Event)> Sink for Joint<'_, T, F> {
    fn item(&mut self, item: Item<'_>) {
        (self.taps)(&item);
        self.engine.push(&item, self.out);
    }
}
