//! The journal read again: frames, and the samples that are in them.

use std::collections::VecDeque;
use std::sync::Arc;

use foldwatch_profile::Profile;
use foldwatch_samples::{Assembler, Checkpoint, Item, Timeline};
use foldwatch_store::{Catalogue, Journalled, Position, SampleColumn, Samples, Source, Span, StoreError};
use foldwatch_wire::{Decoded, Decoder, Encoding, Frame, FrameId};

/// Rows asked for at once.
const PAGE: u32 = 512;
/// Rows handed out at once.
const BATCH: usize = 16_384;

/// A frame as the journal keeps it: its last byte says how it is written.
pub fn decode(bytes: &[u8]) -> Option<(FrameId, Frame)> {
    let encoding = if bytes.last() == Some(&0) { Encoding::Packed } else { Encoding::Text };
    let mut found = None;
    let mut decoder = Decoder::of(encoding);
    decoder.push(bytes, &mut |decoded| {
        if let Decoded::Frame(received) = decoded {
            found = Some((received.id, received.frame));
        }
    });
    found
}

/// How a logger is called in the store.
pub fn logger_name(logger: u32) -> String {
    format!("{logger:08X}")
}

/// And back.
pub fn logger_number(name: &str) -> Option<u32> {
    u32::from_str_radix(name, 16).ok()
}

/// The journal of one car after a position, in order of arrival.
pub struct Journal<'a> {
    catalogue: &'a dyn Catalogue,
    car: String,
    after: Position,
    until: Position,
    page: VecDeque<Journalled>,
}

impl<'a> Journal<'a> {
    /// Everything after a position, up to one.
    pub fn new(catalogue: &'a dyn Catalogue, car: &str, after: Position, until: Position) -> Self {
        Journal { catalogue, car: car.to_owned(), after, until, page: VecDeque::new() }
    }

    fn fetch(&mut self) -> Result<Option<Journalled>, StoreError> {
        if self.page.is_empty() {
            self.page = self.catalogue.journal(Some(&self.car), self.after, PAGE)?.into();
        }
        let row = self.page.pop_front().filter(|row| row.position <= self.until);
        self.after = row.as_ref().map_or(self.after, |row| row.position);
        Ok(row)
    }
}

impl Iterator for Journal<'_> {
    type Item = Result<(Position, FrameId, Frame), StoreError>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            match self.fetch() {
                Ok(Some(row)) => match decode(&row.frame.bytes) {
                    Some((id, frame)) => return Some(Ok((row.position, id, frame))),
                    // It was whole when it was journalled: the chain's check tells of this.
                    None => tracing::error!(position = row.position.0, "a journalled frame can't be read"),
                },
                Ok(None) => return None,
                Err(error) => return Some(Err(error)),
            }
        }
    }
}

/// Up to where the samples of a car are in the archive, and what must be remembered to read on from there.
#[derive(Debug, Clone, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Mark {
    /// The last journal row that is archived.
    pub through: u64,
    /// The assembler after that row; `None`: nothing is archived.
    pub assembler: Option<Checkpoint>,
}

impl Mark {
    /// An assembler that goes on from here.
    pub fn assembler(&self, profile: &Arc<Profile>) -> Assembler {
        let resumed = self.assembler.as_ref().and_then(|c| Assembler::resume(Arc::clone(profile), c));
        resumed.unwrap_or_else(|| Assembler::new(Arc::clone(profile)))
    }
}

/// The signals of a profile as columns.
pub fn columns(profile: &Profile) -> Arc<[SampleColumn]> {
    let column = |s: &foldwatch_profile::Signal| SampleColumn {
        name: s.id.clone(),
        unit: s.unit.symbol.to_owned(),
        binary: s.kind.is_binary(),
    };
    profile.signals.iter().map(column).collect()
}

/// Frames with their places in a journal, in order of arrival.
pub type Frames<'a> = Box<dyn Iterator<Item = Result<(Position, FrameId, Frame), StoreError>> + 'a>;

/// The samples of the journal after a mark, mapped to UTC by one timeline, in order of time.
pub struct Rows<'a> {
    journal: Frames<'a>,
    assembler: Assembler,
    timeline: Timeline,
    span: Span,
    row: Vec<f32>,
    batch: Samples,
    over: bool,
}

impl<'a> Rows<'a> {
    /// Those of a span. `timeline` is the final one; moments that it does not date are left as the log has them.
    pub fn new(
        catalogue: &'a dyn Catalogue,
        car: &str,
        profile: &Arc<Profile>,
        mark: &Mark,
        until: Position,
        timeline: Timeline,
        span: Span,
    ) -> Self {
        let journal = Journal::new(catalogue, car, Position(mark.through), until);
        Rows::of(Box::new(journal), profile, mark, timeline, span)
    }

    /// Those of a span in frames that follow on a mark.
    pub fn of(
        journal: Frames<'a>,
        profile: &Arc<Profile>,
        mark: &Mark,
        timeline: Timeline,
        span: Span,
    ) -> Self {
        Rows {
            journal,
            assembler: mark.assembler(profile),
            timeline,
            span,
            row: vec![f32::NAN; profile.signals.len()],
            batch: Samples::new(columns(profile)),
            over: false,
        }
    }

    fn take(&mut self, id: FrameId, frame: Frame) {
        let source = Source {
            logger: logger_name(id.logger).into(),
            boot: id.boot.into(),
            sequence: id.sequence.into(),
        };
        let (timeline, row, batch, span) = (&self.timeline, &mut self.row, &mut self.batch, self.span);
        let over = &mut self.over;
        let mut keep = |item: Item<'_>| keep(item, timeline, row, span, over, &source, batch);
        self.assembler.push(id, frame, &mut keep);
    }

    fn rest(&mut self) {
        let source = Source { logger: "".into(), boot: 0, sequence: 0 };
        let (timeline, row, batch, span) = (&self.timeline, &mut self.row, &mut self.batch, self.span);
        let mut over = false;
        let mut keep = |item: Item<'_>| keep(item, timeline, row, span, &mut over, &source, batch);
        self.assembler.flush(&mut keep);
        self.over = true;
    }
}

/// One item as a row of the batch.
fn keep(
    item: Item<'_>,
    timeline: &Timeline,
    row: &mut Vec<f32>,
    span: Span,
    over: &mut bool,
    source: &Source,
    batch: &mut Samples,
) {
    let (at, only) = match item {
        Item::Row { at, values } => {
            row.clear();
            row.extend_from_slice(values);
            (at, None)
        }
        Item::Same { at } => (at, None),
        Item::Edge { at, signal, on } => (at, Some((signal.at(), f32::from(u8::from(on))))),
        Item::Mark { .. } | Item::Gap { .. } => return,
    };
    let at = timeline.utc(at).map_or(at, |utc| utc.at);
    if at >= span.until {
        *over = true;
    }
    if !span.contains(at) {
        return;
    }
    batch.times.push(at);
    batch.sources.push(source.clone());
    for (n, column) in batch.values.iter_mut().enumerate() {
        column.push(match only {
            Some((place, value)) if place == n => value,
            Some(_) => f32::NAN,
            None => row.get(n).copied().unwrap_or(f32::NAN),
        });
    }
}

impl Iterator for Rows<'_> {
    type Item = Result<Samples, StoreError>;

    fn next(&mut self) -> Option<Self::Item> {
        while !self.over && self.batch.len() < BATCH {
            match self.journal.next() {
                Some(Ok((_, id, frame))) => self.take(id, frame),
                Some(Err(error)) => {
                    self.over = true;
                    return Some(Err(error));
                }
                None => self.rest(),
            }
        }
        if self.batch.is_empty() {
            return None;
        }
        let empty = Samples::new(Arc::clone(&self.batch.columns));
        Some(Ok(std::mem::replace(&mut self.batch, empty)))
    }
}

/// The map to UTC with all that the journal after a mark knows.
///
/// # Errors
/// When the journal can't be read.
pub fn timeline(
    catalogue: &dyn Catalogue,
    car: &str,
    profile: &Arc<Profile>,
    mark: &Mark,
    until: Position,
) -> Result<Timeline, StoreError> {
    timeline_of(Box::new(Journal::new(catalogue, car, Position(mark.through), until)), profile, mark)
}

/// The map to UTC with all that frames after a mark know.
///
/// # Errors
/// When they can't be read.
pub fn timeline_of(journal: Frames, profile: &Arc<Profile>, mark: &Mark) -> Result<Timeline, StoreError> {
    let mut assembler = mark.assembler(profile);
    for row in journal {
        let (_, id, frame) = row?;
        assembler.push(id, frame, &mut |_: Item<'_>| {});
    }
    assembler.flush(&mut |_: Item<'_>| {});
    Ok(assembler.timeline().clone())
}

/// All samples of a car within a span: archived ones first, then those that are still in the journal.
///
/// # Errors
/// When archive or journal can't be read; also from `each`, which ends it.
pub fn samples(
    catalogue: &dyn Catalogue,
    car: &str,
    profile: &Arc<Profile>,
    mark: &Mark,
    span: Span,
    each: &mut dyn FnMut(&Samples) -> Result<(), StoreError>,
) -> Result<(), StoreError> {
    for batch in catalogue.samples(car, span)? {
        each(&batch?)?;
    }
    let until = Position(i64::MAX as u64);
    let timeline = timeline(catalogue, car, profile, mark, until)?;
    for batch in Rows::new(catalogue, car, profile, mark, until, timeline, span) {
        each(&batch?)?;
    }
    Ok(())
}
