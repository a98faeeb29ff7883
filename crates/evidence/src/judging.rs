//! Items to tables: the same steps when a bag is made and when it is judged anew.

use std::io::Write;
use std::sync::Arc;

use foldwatch_pipeline::{Engine, Event, Verdict};
use foldwatch_profile::Profile;
use foldwatch_report::{Cycle, table};
use foldwatch_samples::{Item, Sink};
use foldwatch_segment::Recording;
use foldwatch_units::Micros;

/// Judges the recordings of one car, one after the other.
pub(crate) struct Judging<'a> {
    profile: Arc<Profile>,
    engine: Engine,
    /// Of the recording under way, without their samples.
    verdicts: Vec<Verdict>,
    /// Sees each verdict while its samples are still there, with the number of its cycle from 0.
    look: &'a mut dyn FnMut(usize, &Verdict),
    pub cycles: Vec<Cycle>,
}

impl<'a> Judging<'a> {
    pub fn new(profile: &Arc<Profile>, look: &'a mut dyn FnMut(usize, &Verdict)) -> Self {
        Judging {
            engine: Engine::new(Arc::clone(profile)).settled_only(),
            profile: Arc::clone(profile),
            verdicts: Vec::new(),
            look,
            cycles: Vec::new(),
        }
    }

    /// A recording is over, and its times can be mapped.
    pub fn end(&mut self, utc: &dyn Fn(Micros) -> Micros) {
        let (done, verdicts, look) = (self.cycles.len(), &mut self.verdicts, &mut *self.look);
        self.engine.finish(&mut |event| settle(event, done, verdicts, look));
        let profile = &self.profile;
        self.cycles
            .extend(verdicts.drain(..).map(|verdict| foldwatch_report::cycle(profile, &verdict, &utc)));
        // The next one is a new recording of the same car.
        self.engine.begin_anew();
    }
}

fn settle(event: Event, done: usize, verdicts: &mut Vec<Verdict>, look: &mut dyn FnMut(usize, &Verdict)) {
    if let Event::Settled(mut verdict) = event {
        look(done + verdicts.len(), &verdict);
        // The samples have done their work; a long recording must not pile them up.
        verdict.cycle.recording = Recording::default();
        verdicts.push(*verdict);
    }
}

impl Sink for Judging<'_> {
    fn item(&mut self, item: Item<'_>) {
        let (done, verdicts, look) = (self.cycles.len(), &mut self.verdicts, &mut *self.look);
        self.engine.push(&item, &mut |event| settle(event, done, verdicts, look));
    }

    fn same(&mut self, times: &[Micros]) {
        let (done, verdicts, look) = (self.cycles.len(), &mut self.verdicts, &mut *self.look);
        self.engine.same(times, &mut |event| settle(event, done, verdicts, look));
    }
}

/// The tables that follow from the samples.
pub(crate) fn table(kind: table::Kind, cycles: &[Cycle], to: &mut dyn Write) -> std::io::Result<()> {
    let mut writer = table::Writer::new(kind, to)?;
    for cycle in cycles {
        writer.cycle(cycle)?;
    }
    writer.finish().map(drop)
}
