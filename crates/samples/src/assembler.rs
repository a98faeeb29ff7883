//! Frames put in order and turned into items.

mod checkpoint;

use std::collections::BTreeMap;
use std::sync::Arc;

use foldwatch_profile::{Profile, SignalIx};
use foldwatch_units::{Micros, Seconds};
use foldwatch_wire::{Block, Frame, FrameId, Health, Hello, TimeNote};

use crate::binding::Binding;
use crate::clock::{Added, Exchange};
use crate::counter::Counter;
use crate::item::{GapCause, Item, Sink};
use crate::note::Note;
use crate::rows::Rows;

use crate::timeline::Timeline;
pub use checkpoint::Checkpoint;

/// So many frames are held back while one before them is missing: over an hour of a live logger. What is missing may
/// still come, asked for again, out of order after a plug was pulled; who knows that it will not says so by
/// [`Assembler::flush`].
const WINDOW: usize = 16_384;
/// And no more than so many numbers in their blocks, which bounds the memory whatever a logger sends.
const WINDOW_VALUES: usize = 2 << 20;
/// So many hellos of starts that are yet to come are kept.
const HELLOS: usize = 4;
/// So many notes wait to be fetched; more are counted.
const NOTES: usize = 256;
/// The counter may go back by this much, as two clocks in one logger do; by more, and it was set anew.
const SLIGHTLY_BACK: Seconds = Seconds(5.0);
/// Going on by more than this without a missing frame is worth a note.
const FAR_AHEAD: Seconds = Seconds(86_400.0);
/// Between two starts of which nobody knows how far they are apart.
const UNKNOWN_PAUSE: Seconds = Seconds(1.0);
/// A time note wider than this says nothing.
const WIDEST_EXCHANGE: Seconds = Seconds(60.0);
/// A clock that shows an earlier date is not set: 2020-01-01.
const EARLIEST: Micros = Micros(1_577_836_800_000_000);
/// A clock that shows a later date is not set either: 2200-01-01.
const LATEST: Micros = Micros(7_258_118_400_000_000);

/// Turns the frames of one logger into items, in order of time.
///
/// Frames sent twice are dropped, frames out of order are put in order within a small window, what is missing becomes
/// a gap. One assembler sees one logger; frames of another are left out with a note. A hello names the channels of its
/// start; a start begins with its first other frame.
#[derive(Debug, Clone)]
pub struct Assembler {
    profile: Arc<Profile>,
    logger: Option<u32>,
    boot: Option<Boot>,
    /// Hellos of starts whose first other frame has not come yet.
    hellos: BTreeMap<u32, Hello>,
    /// Frames that wait for one before them, by start and sequence.
    held: BTreeMap<(u32, u32), Frame>,
    /// Numbers in their blocks.
    held_values: usize,
    /// Bytes were damaged since the last frame in order.
    damaged: bool,
    timeline: Timeline,
    counts: Counts,
    health: Option<Health>,
    notes: Vec<Note>,
    /// The start whose missing hello was told.
    without_hello: Option<u32>,
    rows: Rows,
}

/// A start of the logger, while its frames come.
#[derive(Debug, Clone)]
struct Boot {
    number: u32,
    /// Sequence number of the frame that is due.
    next: u32,
    hello: Hello,
    /// `None`: the channels do not fit the profile.
    binding: Option<Binding>,
    counter: Counter,
    /// Added to the counter's time gives an item's time.
    anchor: Micros,
    levels: Option<u64>,
    dropped: u32,
}

/// How often what has happened.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Serialize, serde::Deserialize)]
pub struct Counts {
    /// Frames that were used.
    pub frames: u64,
    /// Rows handed out.
    pub rows: u64,
    /// Frames that had been seen before.
    pub duplicates: u64,
    /// Frames of an earlier start, come too late.
    pub late: u64,
    /// Frames that never came.
    pub missing: u64,
    /// Frames of another logger.
    pub foreign: u64,
    /// Frames of a start whose hello never came.
    pub no_hello: u64,
    /// Frames that do not fit the hello, or of a start that does not fit the profile.
    pub misfits: u64,
    /// Times that went back.
    pub back: u64,
    /// Rows left out because their time was over already.
    pub rows_back: u64,
    /// Rows that the logger had no room for.
    pub dropped: u64,
}

impl Assembler {
    /// An assembler for one logger on a car with this kind of roof.
    pub fn new(profile: Arc<Profile>) -> Self {
        Assembler {
            rows: Rows::new(profile.signals.len()),
            profile,
            logger: None,
            boot: None,
            hellos: BTreeMap::new(),
            held: BTreeMap::new(),
            held_values: 0,
            damaged: false,
            timeline: Timeline::default(),
            counts: Counts::default(),
            health: None,
            notes: Vec::new(),
            without_hello: None,
        }
    }

    /// The map from items' times to UTC.
    pub fn timeline(&self) -> &Timeline {
        &self.timeline
    }

    /// How often what has happened.
    pub fn counts(&self) -> &Counts {
        &self.counts
    }

    /// What the logger last said of itself.
    pub fn health(&self) -> Option<&Health> {
        self.health.as_ref()
    }

    /// The number of the running start.
    pub fn boot(&self) -> Option<u32> {
        self.boot.as_ref().map(|boot| boot.number)
    }

    /// The hello of the running start.
    pub fn hello(&self) -> Option<&Hello> {
        self.boot.as_ref().map(|boot| &boot.hello)
    }

    /// How many frames wait for one before them.
    pub fn waiting(&self) -> usize {
        self.held.len()
    }

    /// Hands over the notes so far. Only so many are kept; [`Assembler::counts`] counts on.
    pub fn take_notes(&mut self) -> Vec<Note> {
        std::mem::take(&mut self.notes)
    }

    /// Bytes were damaged here: should a frame be missing, this is why.
    pub fn damaged(&mut self) {
        self.damaged = true;
    }

    /// Takes a frame and hands out the items that are in order with it.
    pub fn push(&mut self, id: FrameId, frame: Frame, out: &mut impl Sink) {
        if *self.logger.get_or_insert(id.logger) != id.logger {
            self.counts.foreign += 1;
            if self.counts.foreign == 1 {
                self.note(Note::Foreign(id));
            }
            return;
        }
        let due = self.due();
        if due.is_some_and(|(boot, next)| id.boot == boot && id.sequence < next)
            || self.held.contains_key(&(id.boot, id.sequence))
        {
            self.counts.duplicates += 1;
            return;
        }
        if due.is_some_and(|(boot, _)| id.boot < boot) {
            self.counts.late += 1;
            return;
        }
        match frame {
            // Frame 0 is the hello, no other is; and the last number would have none after it.
            Frame::Hello(hello) if id.sequence == 0 => {
                if self.hellos.insert(id.boot, hello).is_some() {
                    self.counts.duplicates += 1;
                }
                if self.hellos.len() > HELLOS {
                    // The nearest starts are the ones that are needed first.
                    self.hellos.pop_last();
                }
            }
            Frame::Hello(_) => return self.misfit(id),
            _ if matches!(id.sequence, 0 | u32::MAX) => return self.misfit(id),
            frame => {
                self.held_values += numbers(&frame);
                self.held.insert((id.boot, id.sequence), frame);
            }
        }
        self.release(WINDOW, out);
    }

    /// Waits no longer for what is missing: hands out all that is held back.
    pub fn flush(&mut self, out: &mut impl Sink) {
        self.release(0, out);
    }

    /// Start and sequence number of the frame that is due.
    fn due(&self) -> Option<(u32, u32)> {
        self.boot.as_ref().map(|boot| (boot.number, boot.next))
    }

    /// Uses held frames while they are in order, or too many.
    fn release(&mut self, window: usize, out: &mut impl Sink) {
        while let Some((number, sequence)) = self.held.first_key_value().map(|(key, _)| *key) {
            let waits = self.held.len() <= window && self.held_values <= WINDOW_VALUES;
            if self.due().is_none_or(|(boot, _)| number > boot) {
                if !self.hellos.contains_key(&number) {
                    if waits {
                        return;
                    }
                    self.take_first();
                    self.nameless(number, sequence);
                    continue;
                }
                if sequence > 1 && waits {
                    return;
                }
                self.begin(number);
            }
            let Some(boot) = &mut self.boot else { return };
            if sequence != boot.next {
                if waits {
                    return;
                }
                let from = FrameId { logger: self.logger.unwrap_or(0), boot: number, sequence: boot.next };
                self.counts.missing += u64::from(sequence - boot.next);
                let cause = if self.damaged { GapCause::Damaged } else { GapCause::Missing };
                self.rows.gap.get_or_insert(cause);
                self.note(Note::Missing { from, to: sequence - 1 });
            }
            let Some(frame) = self.take_first() else { return };
            if let Some(boot) = &mut self.boot {
                boot.next = sequence + 1;
            }
            if self.held.is_empty() {
                self.damaged = false;
            }
            self.counts.frames += 1;
            self.using(FrameId { logger: self.logger.unwrap_or(0), boot: number, sequence }, frame, out);
        }
    }

    fn take_first(&mut self) -> Option<Frame> {
        let (_, frame) = self.held.pop_first()?;
        self.held_values -= numbers(&frame);
        Some(frame)
    }

    fn nameless(&mut self, boot: u32, sequence: u32) {
        self.counts.no_hello += 1;
        let id = FrameId { logger: self.logger.unwrap_or(0), boot, sequence };
        if self.without_hello.replace(boot) != Some(boot) {
            self.note(Note::NoHello(id));
        }
    }

    /// A start whose hello is known begins.
    fn begin(&mut self, number: u32) {
        let Some(hello) = self.hellos.remove(&number) else { return };
        self.hellos.retain(|other, _| *other > number);
        let id = FrameId { logger: self.logger.unwrap_or(0), boot: number, sequence: 0 };
        let binding = match Binding::new(&hello, &self.profile) {
            Ok(binding) => {
                let ids = |signals: &[SignalIx]| {
                    signals.iter().map(|ix| self.profile.signal(*ix).id.clone()).collect::<Vec<_>>()
                };
                self.note(Note::Boot {
                    id,
                    name: hello.name.clone(),
                    firmware: hello.firmware.clone(),
                    unknown: binding.unknown().to_vec(),
                    unrecorded: ids(binding.unrecorded()),
                    calibrated: ids(binding.calibrated()),
                });
                Some(binding)
            }
            Err(error) => {
                self.note(Note::Unfit(id, error));
                None
            }
        };
        let counter = Counter::new(hello.clock, hello.at);
        let first = counter.latest();
        let epoch = hello.epoch.map(Micros).filter(|epoch| (EARLIEST..LATEST).contains(epoch));
        if hello.epoch.is_some() && epoch.is_none() {
            self.note(Note::NotSet(id));
        }
        let after = self.rows.last.map(|last| shift(last + UNKNOWN_PAUSE, first, -1));
        let anchor = match (epoch, after) {
            (Some(epoch), Some(after))
                if self.rows.last.is_some_and(|last| shift(epoch, first, 1) <= last) =>
            {
                self.note(Note::BehindTheLog(id));
                after
            }
            (Some(epoch), _) => epoch,
            (None, after) => after.unwrap_or_default(),
        };
        self.timeline.begin(shift(anchor, first, 1), Some(anchor) == epoch);
        self.rows.begin();
        self.boot = Some(Boot { number, next: 1, hello, binding, counter, anchor, levels: None, dropped: 0 });
    }

    /// A frame in order.
    fn using(&mut self, id: FrameId, frame: Frame, out: &mut impl Sink) {
        if self.boot.as_ref().is_none_or(|boot| boot.binding.is_none()) && !matches!(frame, Frame::Time(_)) {
            self.counts.misfits += 1;
            return;
        }
        let at = self.moment(id, frame.at());
        match frame {
            Frame::Block(block) => self.block(id, at, &block, out),
            Frame::Edge(edge) => {
                let Some(boot) = &mut self.boot else { return };
                let bit = 1u64.checked_shl(u32::from(edge.signal)).unwrap_or(0);
                let known = boot.levels.map(|levels| levels & bit != 0);
                if let Some(levels) = &mut boot.levels {
                    *levels = if edge.high { *levels | bit } else { *levels & !bit };
                }
                let meaning = boot.binding.as_ref().and_then(|binding| binding.edge(edge.signal, edge.high));
                if let Some((signal, on)) = meaning
                    && known != Some(edge.high)
                {
                    self.rows.event(at, out, |at| Item::Edge { at, signal, on });
                } else {
                    self.rows.known(at, out);
                }
            }
            Frame::Mark(_) => self.rows.event(at, out, |at| Item::Mark { at }),
            Frame::Health(health) => {
                let Some(boot) = &mut self.boot else { return };
                let dropped = health.dropped.saturating_sub(boot.dropped);
                boot.dropped = health.dropped;
                self.health = Some(health);
                if dropped > 0 {
                    self.counts.dropped += u64::from(dropped);
                    self.rows.gap.get_or_insert(GapCause::Dropped);
                    self.note(Note::Dropped { rows: dropped, at });
                }
                self.rows.known(at, out);
            }
            Frame::Time(note) => self.time(id, at, &note),
            Frame::End(_) => {
                self.rows.known(at, out);
            }
            // Never held.
            Frame::Hello(_) => {}
        }
    }

    /// A frame's moment as an item's time. It may be a little before the last item.
    fn moment(&mut self, id: FrameId, reading: u64) -> Micros {
        let Some(boot) = &mut self.boot else { return Micros::default() };
        let (before, now) = (boot.counter.latest(), boot.counter.resolve(reading));
        let by = before - now;
        if by <= Seconds(0.0) {
            boot.counter.set(reading);
        }
        if by > SLIGHTLY_BACK {
            // Set anew: its time goes on from the last item.
            boot.counter.set(reading);
            let resumed = self.rows.last.unwrap_or_default() + UNKNOWN_PAUSE;
            boot.anchor = shift(resumed, now, -1);
            self.timeline.begin(resumed, false);
            self.rows.gap.get_or_insert(GapCause::Restart);
        }
        let at = shift(boot.anchor, now, 1);
        if by > Seconds(0.0) {
            self.counts.back += 1;
            self.note(Note::Back { id, by });
        } else if now - before > FAR_AHEAD && self.rows.gap.is_none() && self.rows.last.is_some() {
            self.note(Note::Ahead { id, by: now - before });
        }
        at
    }

    fn block(&mut self, id: FrameId, at: Micros, block: &Block, out: &mut impl Sink) {
        let Some(boot) = &mut self.boot else { return };
        let Some(binding) = &boot.binding else { return };
        if block.columns != 0 && usize::from(block.columns) != binding.columns() {
            return self.misfit(id);
        }
        boot.levels = Some(block.levels);
        let period = boot.counter.span(u64::from(block.period));
        let mut left_out = 0;
        for ix in 0..usize::from(block.rows) {
            let at = Micros(at.0.saturating_add(period.0.saturating_mul(ix as i64)));
            let counts = block.row(ix);
            let repeats = ix > 0 && counts == block.row(ix - 1);
            if !self.rows.row(at, repeats, |row| binding.fill(counts, block.levels, row), out) {
                left_out += 1;
            }
        }
        self.rows.flush(out);
        let end = block.at_row(usize::from(block.rows).saturating_sub(1));
        if boot.counter.resolve(end) > boot.counter.latest() {
            boot.counter.set(end);
        }
        self.counts.rows += u64::from(block.rows) - left_out;
        self.counts.rows_back += left_out;
    }

    fn time(&mut self, id: FrameId, at: Micros, note: &TimeNote) {
        let Some(boot) = &self.boot else { return };
        let echo = shift(boot.anchor, boot.counter.resolve(note.echo), 1);
        let width = at - echo;
        if !(EARLIEST..LATEST).contains(&Micros(note.utc)) || width < Seconds(0.0) || width > WIDEST_EXCHANGE
        {
            return self.note(Note::BadTime(id));
        }
        let half_width = width / 2.0;
        let exchange = Exchange { logger: at - half_width, utc: Micros(note.utc), half_width };
        if let Added::Jump { by } = self.timeline.add(exchange) {
            self.note(Note::ClockSet { id, by, at });
        }
    }

    fn misfit(&mut self, id: FrameId) {
        self.counts.misfits += 1;
        self.note(Note::Misfit(id));
    }

    fn note(&mut self, note: Note) {
        if self.notes.len() < NOTES {
            self.notes.push(note);
        }
    }
}

fn numbers(frame: &Frame) -> usize {
    if let Frame::Block(block) = frame { block.values.len() } else { 0 }
}

/// `a + sign * b`
fn shift(a: Micros, b: Micros, sign: i64) -> Micros {
    Micros(a.0.saturating_add(b.0.saturating_mul(sign)))
}
