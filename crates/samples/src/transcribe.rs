//! Rows of a logger that knows no frames, written as frames: so they are kept, judged and archived like all others.

use foldwatch_profile::{Level, Profile, SignalIx};
use foldwatch_units::{Micros, Seconds};
use foldwatch_wire::{
    Block, Clock, Edge, Frame, FrameId, Health, Hello, Kind, MAX_ROWS, Mark, NO_READING, Scale, Signal,
    TimeNote,
};

use crate::item::{GapCause, Item, Sink};

/// Numbers of a block: with this many the longest packed frame holds it, whatever they are.
const BLOCK_VALUES: usize = 900;
/// One count is a ten-thousandth of the signal's working unit: finer than any sensor on a car, and 32 bits of it reach
/// to 214 000.
const SCALE: Scale = Scale { mantissa: 1, exponent: -4 };
const COUNTS_A_UNIT: f64 = 1e4;
/// The host's time is written so often, counted on the logger's clock.
const TIME_EVERY: Seconds = Seconds(600.0);
/// A block goes out when it is this long: a logger with frames does the same a few times a second.
const BLOCK_SPAN: Seconds = Seconds(0.25);
/// A pause this long between two pieces tells too little of the time.
const WIDEST_EXCHANGE: Seconds = Seconds(10.0);

/// Writes frames of a stand-in logger: its channels are signals of the profile, its counter is microseconds since its
/// first row.
///
/// [`Transcriber::begin`] says what the rows carry; rows may come before it, and wait. An [`Assembler`] makes of the
/// frames what the rows were: the numbers to half a count, a change of a state at the row that shows it first, a
/// [`Item::Gap`] as rows that were dropped (or, where the logger started anew, as a start).
///
/// [`Assembler`]: crate::Assembler
#[derive(Debug, Clone)]
pub struct Transcriber {
    next: FrameId,
    /// What the rows carry, once that is known.
    channels: Option<Channels>,
    /// Rows before that.
    early: Vec<(Micros, Vec<f32>)>,
    /// Counter zero, and UTC then where the rows are dated.
    zero: Option<Micros>,
    said_hello: bool,
    row: Vec<i32>,
    levels: u64,
    /// Of the block before.
    blocks_levels: u64,
    block: Option<Block>,
    /// The open block begins with a change of a state: it is not kept waiting.
    urgent: bool,
    last: u64,
    dropped: u32,
    /// The host had seen the count, and its time was this.
    echo: Option<(u64, Micros)>,
    noted: Option<u64>,
    frames: Vec<(FrameId, Frame)>,
}

#[derive(Debug, Clone)]
struct Channels {
    name: String,
    dated: bool,
    numbers: Vec<SignalIx>,
    /// With whether a high level is on.
    states: Vec<(SignalIx, bool)>,
    signals: Vec<Signal>,
}

impl Transcriber {
    /// The start `boot` of the stand-in `logger`.
    pub fn new(logger: u32, boot: u32) -> Self {
        Transcriber {
            next: FrameId { logger, boot, sequence: 0 },
            channels: None,
            early: Vec::new(),
            zero: None,
            said_hello: false,
            row: Vec::new(),
            levels: 0,
            blocks_levels: 0,
            block: None,
            urgent: false,
            last: 0,
            dropped: 0,
            echo: None,
            noted: None,
            frames: Vec::new(),
        }
    }

    /// Whether [`Transcriber::begin`] was called.
    pub fn has_begun(&self) -> bool {
        self.channels.is_some()
    }

    /// The rows carry these signals; `name` is the logger's for people, one word. `dated`: their times are UTC by the
    /// logger's own clock.
    pub fn begin(&mut self, profile: &Profile, name: &str, carried: impl Fn(SignalIx) -> bool, dated: bool) {
        let mut channels = Channels {
            name: name.to_owned(),
            dated,
            numbers: Vec::new(),
            states: Vec::new(),
            signals: Vec::new(),
        };
        for (ix, signal) in profile.signals().filter(|(ix, _)| carried(*ix)) {
            let kind = if signal.kind.is_binary() { Kind::State } else { Kind::Number };
            match kind {
                Kind::State => channels.states.push((ix, signal.on_when == Level::High)),
                Kind::Number => channels.numbers.push(ix),
            }
            let unit = if kind == Kind::State { "" } else { signal.unit.symbol };
            channels.signals.push(Signal {
                id: signal.id.clone(),
                kind,
                unit: unit.to_owned(),
                scale: SCALE,
            });
        }
        self.channels = Some(channels);
        for (at, values) in std::mem::take(&mut self.early) {
            self.row(at, &values);
        }
    }

    /// The host had heard everything up to here at this moment of its own clock.
    pub fn heard(&mut self, utc: Micros) {
        if self.zero.is_some() {
            self.echo = Some((self.last, utc));
        }
    }

    /// The frames that are ready: a block is kept open for a quarter of a second, but for a change of a state.
    pub fn take_ready(&mut self) -> Vec<(FrameId, Frame)> {
        let due = |block: &Block| span(self.last.saturating_sub(block.at)) >= BLOCK_SPAN;
        if self.urgent || self.block.as_ref().is_some_and(due) {
            self.close();
        }
        std::mem::take(&mut self.frames)
    }

    /// All frames; an open block is closed.
    pub fn take_all(&mut self) -> Vec<(FrameId, Frame)> {
        self.close();
        std::mem::take(&mut self.frames)
    }

    fn say(&mut self, frame: Frame) {
        self.frames.push((self.next, frame));
        self.next.sequence = self.next.sequence.wrapping_add(1);
    }

    /// The counter at a moment; the first one is its zero.
    fn count(&mut self, at: Micros) -> u64 {
        let zero = *self.zero.get_or_insert(at);
        self.last = u64::try_from(at.0.saturating_sub(zero.0)).unwrap_or(0).max(self.last);
        self.last
    }

    fn close(&mut self) {
        self.urgent = false;
        if let Some(block) = self.block.take() {
            self.greet(block.period);
            self.say(Frame::Block(block));
        }
    }

    /// Frame 0 of a start.
    fn greet(&mut self, period: u32) {
        if self.said_hello {
            return;
        }
        let (Some(channels), Some(zero)) = (&self.channels, self.zero) else { return };
        let hello = Hello {
            at: 0,
            name: channels.name.clone(),
            firmware: "columns".to_owned(),
            clock: Clock::Micros64,
            epoch: channels.dated.then_some(zero.0),
            period,
            signals: channels.signals.clone(),
        };
        self.said_hello = true;
        self.say(Frame::Hello(hello));
    }

    fn row(&mut self, at: Micros, values: &[f32]) {
        let Some(channels) = &self.channels else {
            self.early.push((at, values.to_vec()));
            return;
        };
        let value = |ix: &SignalIx| values.get(ix.at()).copied().unwrap_or(f32::NAN);
        self.row.clear();
        self.row.extend(channels.numbers.iter().map(|ix| counts(value(ix))));
        for (bit, (ix, on_when_high)) in channels.states.iter().enumerate() {
            let value = value(ix);
            if !value.is_nan() {
                set(&mut self.levels, bit, (value >= 0.5) == *on_when_high);
            }
        }
        self.repeat(at);
    }

    /// The row as it stands, at another time.
    fn repeat(&mut self, at: Micros) {
        let before = self.last;
        let at = self.count(at);
        self.note_time(at);
        let step = u32::try_from(at - before).ok().filter(|step| *step > 0);
        let (levels, row) = (self.levels, &self.row);
        if let Some(block) = &mut self.block
            && let Some(step) = step
            && block.levels == levels
            && usize::from(block.rows) < MAX_ROWS
            && block.values.len() + row.len() <= BLOCK_VALUES
            && (block.rows == 1 || block.period == step)
        {
            block.period = step;
            block.rows += 1;
            block.values.extend_from_slice(row);
            return;
        }
        let period = step.unwrap_or(1);
        let block = Block { at, period, levels, columns: row.len() as u8, rows: 1, values: row.clone() };
        let changes = levels != self.blocks_levels;
        self.blocks_levels = levels;
        self.close();
        self.block = Some(block);
        self.urgent = changes;
    }

    /// Between the last row that the host had heard and this one lies its time.
    fn note_time(&mut self, at: u64) {
        let Some((echo, utc)) = self.echo.take() else { return };
        let due = self.noted.is_none_or(|noted| span(at - noted) >= TIME_EVERY);
        if due && span(at - echo) <= WIDEST_EXCHANGE {
            self.close();
            self.noted = Some(at);
            self.say(Frame::Time(TimeNote { at, echo, utc: utc.0 }));
        }
    }

    fn gap(&mut self, until: Micros, cause: GapCause) {
        if self.zero.is_none() {
            return;
        }
        self.close();
        if cause == GapCause::Restart {
            self.next = FrameId { boot: self.next.boot.saturating_add(1), sequence: 0, ..self.next };
            self.said_hello = false;
            self.zero = None;
            self.last = 0;
            self.dropped = 0;
            self.echo = None;
            self.noted = None;
            return;
        }
        let at = self.count(until);
        self.dropped = self.dropped.saturating_add(1);
        let dropped = self.dropped;
        let health = Health { at, fill_permille: 0, dropped, supply_mv: None, temperature_dc: None };
        self.say(Frame::Health(health));
    }
}

impl Sink for Transcriber {
    fn item(&mut self, item: Item<'_>) {
        match item {
            Item::Row { at, values } => self.row(at, values),
            Item::Same { at } => match self.early.last().filter(|_| self.channels.is_none()) {
                Some((_, values)) => {
                    let values = values.clone();
                    self.early.push((at, values));
                }
                None => self.repeat(at),
            },
            Item::Edge { at, signal, on } => {
                let Some(channels) = &self.channels else { return };
                let Some(bit) = channels.states.iter().position(|(ix, _)| *ix == signal) else { return };
                let high = on == channels.states[bit].1;
                set(&mut self.levels, bit, high);
                let at = self.count(at);
                self.close();
                self.say(Frame::Edge(Edge { at, signal: bit as u8, high }));
            }
            Item::Mark { at } => {
                let at = self.count(at);
                self.close();
                self.say(Frame::Mark(Mark { at }));
            }
            Item::Gap { until, cause } => self.gap(until, cause),
        }
    }
}

fn set(levels: &mut u64, bit: usize, high: bool) {
    let mask = 1u64.checked_shl(bit as u32).unwrap_or(0);
    *levels = if high { *levels | mask } else { *levels & !mask };
}

fn counts(value: f32) -> i32 {
    if value.is_nan() {
        return NO_READING;
    }
    // A cast keeps within the type's bounds; the lowest of them means that there is none.
    ((f64::from(value) * COUNTS_A_UNIT).round() as i32).max(NO_READING + 1)
}

fn span(counts: u64) -> Seconds {
    Seconds(counts as f64 * 1e-6)
}
