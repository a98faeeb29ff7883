//! Items to what follows from them: the same steps when a bag is made and when it is judged anew.

use std::io::Write;
use std::sync::Arc;

use foldwatch_pipeline::{Engine, Event, Verdict};
use foldwatch_profile::Profile;
use foldwatch_report::{Cycle, rfc3339, table};
use foldwatch_samples::{Item, Sink};
use foldwatch_units::Micros;

use crate::facts::{Clock, Seen, Stretch};
use crate::report::Pictures;
use crate::{Recording, samples};

/// Rows that stop for longer are told, although no gap is marked: loggers at rest write one every few seconds. Judgment.
const PAUSE_S: f64 = 60.0;

/// Judges the recordings of one car, one after the other, and notes what is missing in them.
pub(crate) struct Judging<'a> {
    profile: Arc<Profile>,
    engine: Engine,
    /// Of the recording under way, without their samples.
    verdicts: Vec<Verdict>,
    rows: u64,
    span: Option<(Micros, Micros)>,
    pub pictures: Pictures<'a>,
    pub cycles: Vec<Cycle>,
    pub seen: Vec<Seen>,
    pub stretches: Vec<Stretch>,
    /// The last moment of all.
    pub end: Option<Micros>,
}

impl<'a> Judging<'a> {
    pub fn new(profile: &'a Arc<Profile>) -> Self {
        Judging {
            engine: Engine::new(Arc::clone(profile)).settled_only(),
            profile: Arc::clone(profile),
            verdicts: Vec::new(),
            rows: 0,
            span: None,
            pictures: Pictures::new(profile),
            cycles: Vec::new(),
            seen: Vec::new(),
            stretches: Vec::new(),
            end: None,
        }
    }

    /// A recording is over, and its times can be mapped.
    pub fn end(&mut self, recording: &Recording) {
        let (done, verdicts, pictures) = (self.cycles.len(), &mut self.verdicts, &mut self.pictures);
        self.engine.finish(&mut |event| settle(event, done, verdicts, pictures));
        let (profile, utc) = (&self.profile, |at| recording.utc(at));
        self.cycles
            .extend(verdicts.drain(..).map(|verdict| foldwatch_report::cycle(profile, &verdict, &utc)));
        let span = self.span.take();
        if let (false, Some((from, until))) = (recording.checked, span) {
            self.stretches.push(Stretch { recording: self.seen.len(), from, until, why: "no-checksum" });
        }
        self.seen.push(Seen {
            rows: std::mem::take(&mut self.rows),
            from_utc: span.map(|(from, _)| rfc3339(utc(from))),
            to_utc: span.map(|(_, to)| rfc3339(utc(to))),
            clock: Clock::of(recording, span.map(|(_, to)| to)),
        });
        self.end = self.end.max(span.map(|(_, to)| utc(to)));
        // The next one is a new recording of the same car.
        self.engine.begin_anew();
    }

    fn note(&mut self, item: &Item<'_>) {
        self.rows += 1;
        let recording = self.seen.len();
        let at = match *item {
            Item::Row { at, .. } | Item::Same { at } | Item::Edge { at, .. } | Item::Mark { at } => {
                if let Some((_, from)) = self.span
                    && (at - from).0 > PAUSE_S
                {
                    self.missing(Stretch { recording, from, until: at, why: "rows-stop" });
                }
                at
            }
            Item::Gap { until, cause } => {
                let from = self.span.map_or(until, |(_, last)| last);
                self.missing(Stretch { recording, from, until, why: samples::cause(cause) });
                until
            }
        };
        self.span = Some(self.span.map_or((at, at), |(from, to)| (from.min(at), to.max(at))));
    }

    /// Notes a stretch, as one with the last where it goes on from there.
    fn missing(&mut self, stretch: Stretch) {
        match self.stretches.last_mut() {
            Some(last)
                if (last.recording, last.why, last.until)
                    == (stretch.recording, stretch.why, stretch.from) =>
            {
                last.until = stretch.until;
            }
            _ => self.stretches.push(stretch),
        }
    }
}

fn settle(event: Event, done: usize, verdicts: &mut Vec<Verdict>, pictures: &mut Pictures) {
    if let Event::Settled(mut verdict) = event {
        pictures.look(done + verdicts.len(), &verdict);
        // The samples have done their work; a long recording must not pile them up.
        verdict.cycle.recording = foldwatch_segment::Recording::default();
        verdicts.push(*verdict);
    }
}

impl Sink for Judging<'_> {
    fn item(&mut self, item: Item<'_>) {
        self.note(&item);
        let (done, verdicts, pictures) = (self.cycles.len(), &mut self.verdicts, &mut self.pictures);
        self.engine.push(&item, &mut |event| settle(event, done, verdicts, pictures));
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
