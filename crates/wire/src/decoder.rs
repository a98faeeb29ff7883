//! The stream: units parted, read, and what is no unit skipped.

use crate::damage::{Damage, DamageKind, Fault};
use crate::formats::{self, Format};
use crate::probe::Probe;
use crate::quality::{self, Quality};
use crate::{Encoding, Frame, FrameId, MAX_PACKED};

/// What the decoder found, in the order of the bytes.
#[derive(Debug, Clone, PartialEq)]
pub enum Decoded<'a> {
    /// A whole frame.
    Frame(Received<'a>),
    /// A stretch that gave none, and its bytes (the first of them where it is longer than a frame can be).
    Damage(Damage, &'a [u8]),
    /// Bytes of a stream of columns, as they are.
    Columns(&'a [u8]),
}

/// A frame with where it came from.
#[derive(Debug, Clone, PartialEq)]
pub struct Received<'a> {
    /// Which frame of which logger.
    pub id: FrameId,
    /// What it says.
    pub frame: Frame,
    /// Its bytes with the delimiter: such pieces put together are a stream again.
    pub raw: &'a [u8],
    /// Place of its first byte, counted from the first that the decoder was given.
    pub at: u64,
    /// Which line, from 1, where the stream has lines.
    pub line: Option<u64>,
}

/// So many bytes are looked at before the search for an encoding starts anew.
const LONGEST_PROBE: usize = 64 * 1024;
/// So many zero bytes in a row are no pause between frames.
const MANY_ZEROS: u64 = 1024;

/// Finds frames in bytes that come in pieces of any size; the pieces make no difference to what is found.
#[derive(Debug)]
pub struct Decoder {
    encoding: State,
    /// Bytes of the unit that is not closed yet, or all bytes while the encoding is searched.
    held: Vec<u8>,
    /// Where `held` begins.
    start: u64,
    line: u64,
    /// The unit is too long: skip to its delimiter, from here on.
    skipping: bool,
    skipped_from: u64,
    /// Delimiters in a row.
    zeros: u64,
    quality: Quality,
    scratch: Vec<u8>,
}

enum State {
    Searching(Probe),
    Known(&'static dyn Format),
}

impl std::fmt::Debug for State {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            State::Searching(_) => f.write_str("Searching"),
            State::Known(format) => f.debug_tuple("Known").field(&format.encoding()).finish(),
        }
    }
}

impl Decoder {
    /// Finds out the encoding by itself.
    pub fn auto() -> Self {
        Decoder::in_state(State::Searching(Probe::default()))
    }

    /// Takes the encoding for given.
    pub fn of(encoding: Encoding) -> Self {
        Decoder::in_state(State::Known(formats::of(encoding)))
    }

    fn in_state(encoding: State) -> Self {
        Decoder {
            encoding,
            held: Vec::new(),
            start: 0,
            line: 0,
            skipping: false,
            skipped_from: 0,
            zeros: 0,
            quality: Quality::default(),
            scratch: Vec::new(),
        }
    }

    /// The encoding, given or found; `None` while it is searched.
    pub fn encoding(&self) -> Option<Encoding> {
        match self.encoding {
            State::Searching(_) => None,
            State::Known(format) => Some(format.encoding()),
        }
    }

    /// Takes the next bytes and hands out what they close.
    pub fn push(&mut self, mut bytes: &[u8], out: &mut impl FnMut(Decoded<'_>)) {
        while !bytes.is_empty() {
            let used = match &self.encoding {
                State::Searching(_) => self.search(bytes, out),
                State::Known(format) => self.read(*format, bytes, out),
            };
            bytes = bytes.get(used..).unwrap_or(&[]);
        }
    }

    /// The stream has ended: hands out what is left.
    pub fn finish(&mut self, out: &mut impl FnMut(Decoded<'_>)) {
        if let State::Searching(probe) = &mut self.encoding {
            // The last unit may lack its delimiter.
            let mut found = None;
            for delimiter in [0, b'\n'] {
                self.held.push(delimiter);
                found = found.or_else(|| probe.closed(&self.held, &mut self.scratch));
                self.held.pop();
            }
            match found.or_else(|| probe.best()) {
                Some(format) => self.adopt(format, out),
                None => self.give_up(out),
            }
        }
        let State::Known(format) = self.encoding else { return };
        let mut held = std::mem::take(&mut self.held);
        let end = self.start + held.len() as u64;
        if std::mem::take(&mut self.skipping) {
            self.damaged(format, skipped(), self.skipped_from..end, &[], out);
        } else if !is_pause(&held) {
            // A last line may lack its line feed; whether it is whole, its check tells.
            let read = format.read(&held, &mut self.scratch);
            if let Some(Ok((id, frame))) = read {
                held.push(format.delimiter());
                let line = self.count_line(format);
                out(Decoded::Frame(Received { id, frame, raw: &held, at: self.start, line }));
            } else {
                let what = format!("the stream ends {} bytes into a frame", held.len());
                let fault = Fault { kind: DamageKind::Unfinished, what };
                self.damaged(format, fault, self.start..end, &held, out);
            }
        }
        self.start = end;
    }

    /// Looks at the bytes up to the next that may close a unit of any encoding; gives how many were used.
    fn search(&mut self, bytes: &[u8], out: &mut impl FnMut(Decoded<'_>)) -> usize {
        if self.held.is_empty() && bytes.first() == Some(&0) {
            // Pauses before the first frame need not be kept.
            self.start += 1;
            self.pause(out);
            return 1;
        }
        // Stops at fixed places besides the closing bytes, so that the size of the pieces makes no difference.
        let stop = if self.held.len() < MAX_PACKED { MAX_PACKED } else { LONGEST_PROBE };
        let room = stop - self.held.len();
        let closing = memchr::memchr2(0, b'\n', bytes).filter(|at| *at < room);
        let used = closing.map_or(bytes.len().min(room), |at| at + 1);
        self.held.extend_from_slice(bytes.get(..used).unwrap_or(bytes));
        let State::Searching(probe) = &mut self.encoding else { return used };
        if closing.is_some()
            && let Some(format) = probe.closed(&self.held, &mut self.scratch)
        {
            self.adopt(format, out);
            return used;
        }
        let suspicion = if let Some((0, before)) = self.held.split_last()
            && let Some(unit) = before.rsplit(|b| *b == 0).next().filter(|unit| !unit.is_empty())
        {
            let at = self.start + (before.len() - unit.len()) as u64;
            self.quality.bad(at, unit)
        } else if self.held.len() == MAX_PACKED && quality::is_no_text(&self.held) {
            self.quality.hopeless(self.start, &self.held)
        } else {
            None
        };
        if let Some(suspicion) = suspicion {
            out(Decoded::Damage(suspicion, &[]));
        }
        if self.held.len() == LONGEST_PROBE {
            self.give_up(out);
        }
        used
    }

    /// The encoding is found: the bytes held are read by it.
    fn adopt(&mut self, format: &'static dyn Format, out: &mut impl FnMut(Decoded<'_>)) {
        self.encoding = State::Known(format);
        self.quality.restart();
        self.zeros = 0;
        let held = std::mem::take(&mut self.held);
        self.push(&held, out);
    }

    /// The bytes held are of no known encoding: the search starts anew behind them.
    fn give_up(&mut self, out: &mut impl FnMut(Decoded<'_>)) {
        let held = std::mem::take(&mut self.held);
        let bytes = self.start..self.start + held.len() as u64;
        self.start = bytes.end;
        self.encoding = State::Searching(Probe::default());
        self.line += memchr::memchr_iter(b'\n', &held).count() as u64;
        if held.iter().all(|b| matches!(b, 0 | b'\r' | b'\n')) {
            return;
        }
        let message = format!(
            "byte {}: {} bytes are neither packed nor text frames nor delimited columns; if this is a log, name its \
             encoding in the configuration; if it comes from a port, compare the port's speed with the logger's",
            bytes.start,
            held.len()
        );
        let damage = Damage { bytes, line: None, kind: DamageKind::Unrecognised, message };
        out(Decoded::Damage(damage, &held));
    }

    /// Reads the bytes up to the end of the next unit; gives how many were used.
    fn read(
        &mut self,
        format: &'static dyn Format,
        bytes: &[u8],
        out: &mut impl FnMut(Decoded<'_>),
    ) -> usize {
        if format.encoding() == Encoding::Columns {
            self.start += bytes.len() as u64;
            out(Decoded::Columns(bytes));
            return bytes.len();
        }
        let closing = memchr::memchr(format.delimiter(), bytes);
        let used = closing.map_or(bytes.len(), |at| at + 1);
        if self.skipping {
            self.start += used as u64;
            if closing.is_some() {
                self.skipping = false;
                self.damaged(format, skipped(), self.skipped_from..self.start, &[], out);
            }
            return used;
        }
        let room = format.longest() - self.held.len();
        if closing.unwrap_or(bytes.len()) > room {
            return self.too_long(format, bytes, room + 1, out);
        }
        let piece = bytes.get(..used).unwrap_or(bytes);
        if closing.is_none() {
            self.held.extend_from_slice(piece);
        } else if self.held.is_empty() {
            self.unit(format, piece, out);
        } else {
            let mut held = std::mem::take(&mut self.held);
            held.extend_from_slice(piece);
            self.unit(format, &held, out);
            held.clear();
            self.held = held;
        }
        used
    }

    /// More than the longest unit came without a delimiter: says so once, and skips to the next.
    fn too_long(
        &mut self,
        format: &'static dyn Format,
        bytes: &[u8],
        used: usize,
        out: &mut impl FnMut(Decoded<'_>),
    ) -> usize {
        let mut held = std::mem::take(&mut self.held);
        held.extend(bytes.iter().take(used));
        let range = self.start..self.start + held.len() as u64;
        let what = format!("no frame has more than {} bytes, and no end came", format.longest());
        let fault = Fault { kind: DamageKind::TooLong, what };
        let line = format.has_lines().then_some(self.line + 1);
        out(Decoded::Damage(fault.at(range.clone(), line), &held));
        if let Some(suspicion) = self.quality.hopeless(range.start, &held) {
            out(Decoded::Damage(suspicion, &[]));
        }
        self.start = range.end;
        self.skipped_from = range.end;
        self.skipping = true;
        used
    }

    /// Reads one unit, given with its delimiter.
    fn unit(&mut self, format: &'static dyn Format, raw: &[u8], out: &mut impl FnMut(Decoded<'_>)) {
        let at = self.start;
        let end = at + raw.len() as u64;
        self.start = end;
        let unit = raw.get(..raw.len() - 1).unwrap_or(&[]);
        if is_pause(unit) {
            self.line += 1;
            return if unit.is_empty() {
                self.pause(out)
            };
        }
        self.zeros = 0;
        match format.read(unit, &mut self.scratch) {
            Some(Ok((id, frame))) => {
                self.quality.good();
                let line = self.count_line(format);
                out(Decoded::Frame(Received { id, frame, raw, at, line }));
            }
            Some(Err(fault)) => {
                if fault.kind == DamageKind::Unknown {
                    // Its check fits: the line itself is sound.
                    self.quality.good();
                    return self.damaged(format, fault, at..end, raw, out);
                }
                self.damaged(format, fault, at..end, raw, out);
                if let Some(suspicion) = self.quality.bad(at, unit) {
                    out(Decoded::Damage(suspicion, &[]));
                }
            }
            None => {}
        }
    }

    fn damaged(
        &mut self,
        format: &'static dyn Format,
        fault: Fault,
        bytes: std::ops::Range<u64>,
        raw: &[u8],
        out: &mut impl FnMut(Decoded<'_>),
    ) {
        let line = self.count_line(format);
        out(Decoded::Damage(fault.at(bytes, line), raw));
    }

    fn count_line(&mut self, format: &'static dyn Format) -> Option<u64> {
        self.line += 1;
        format.has_lines().then_some(self.line)
    }

    /// A delimiter without anything before it.
    fn pause(&mut self, out: &mut impl FnMut(Decoded<'_>)) {
        self.zeros += 1;
        if self.zeros == MANY_ZEROS {
            let bytes = self.start.saturating_sub(MANY_ZEROS)..self.start;
            let message = format!(
                "byte {}: {MANY_ZEROS} zero bytes and nothing between them: the port is set much faster than the logger \
                 sends, or the line is held low; set both to the same baud rate, then look at the logger's supply, the \
                 cable and a swapped pair of wires",
                bytes.start
            );
            out(Decoded::Damage(Damage { bytes, line: None, kind: DamageKind::OnlyZeros, message }, &[]));
        }
    }
}

/// Nothing, or the rest of an empty line.
fn is_pause(unit: &[u8]) -> bool {
    matches!(unit, [] | [b'\r'])
}

fn skipped() -> Fault {
    Fault { kind: DamageKind::TooLong, what: "the rest of what was too long".to_owned() }
}
