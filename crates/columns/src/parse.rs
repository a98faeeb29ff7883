//! A block of whole records to rows. Blocks know nothing of each other, so that threads can share the work.

use crate::layout::Layout;
use crate::record::{Delimiter, End, LONGEST_RECORD, Span, bare, decode, record_end, split, strip_line_end};
use crate::report::SkipKind;
use foldwatch_units::Micros;
use memchr::{memchr, memchr_iter};
use std::ops::Range;
use std::sync::Arc;

/// The rows of one block.
#[derive(Debug, Default)]
pub(crate) struct Batch {
    pub times: Vec<Micros>,
    /// Where each row begins in the block.
    pub offsets: Vec<u32>,
    /// The rows whose values are not those of the row before; the first row always.
    pub changed: Vec<u32>,
    /// Of the changed rows, one for each cell of the layout.
    pub values: Vec<f32>,
    /// What stood between the rows, with the index of the row after it.
    pub marks: Vec<(u32, Mark)>,
    /// By [`flaw_index`].
    pub flaws: Vec<Option<Flaw>>,
    /// Lines of the block.
    pub lines: u64,
    /// Every row is later than the row before.
    pub ascending: bool,
    /// The longest step between two rows.
    pub longest_step: i64,
}

/// Something between two rows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Mark {
    /// A row that could not be read.
    Lost,
    /// The header once more.
    Header,
}

/// Things of one kind in one block.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Flaw {
    pub count: u64,
    /// Of the first one.
    pub offset: usize,
    pub line: u64,
    pub example: String,
}

/// Where flaws of a kind stand; those of cells also by their place in the layout.
pub(crate) fn flaw_index(kind: SkipKind, cell: usize) -> usize {
    let kind = kind as usize;
    if kind < SkipKind::LINES { kind } else { kind + cell * SkipKind::CELLS }
}

/// The beginning of a line or cell, for people.
pub(crate) fn example(bytes: &[u8]) -> String {
    const LONGEST: usize = 60;
    let text = decode(&bytes[..bytes.len().min(LONGEST)]);
    let mut out: String = text.chars().map(|c| if c.is_control() { '\u{fffd}' } else { c }).collect();
    if bytes.len() > LONGEST {
        out.push('…');
    }
    out
}

impl Batch {
    fn clear(&mut self, layout: &Layout) {
        self.times.clear();
        self.offsets.clear();
        self.changed.clear();
        self.values.clear();
        self.marks.clear();
        self.flaws.clear();
        self.flaws.resize(SkipKind::LINES + SkipKind::CELLS * layout.cells.len(), None);
        self.lines = 0;
    }

    fn flaw(&mut self, index: usize, offset: usize, what: &[u8]) {
        match &mut self.flaws[index] {
            Some(flaw) => flaw.count += 1,
            place => *place = Some(Flaw { count: 1, offset, line: self.lines, example: example(what) }),
        }
    }

    fn mark(&mut self, mark: Mark) {
        let mark = (self.times.len() as u32, mark);
        if !self.marks.ends_with(&[mark]) {
            self.marks.push(mark);
        }
    }

    fn survey(&mut self) {
        let (mut least, mut most) = (i64::MAX, 0);
        for pair in self.times.windows(2) {
            let step = pair[1].0 - pair[0].0;
            least = least.min(step);
            most = most.max(step);
        }
        self.ascending = least > 0;
        self.longest_step = most;
    }
}

/// Reads blocks.
#[derive(Debug)]
pub(crate) struct Parser {
    layout: Arc<Layout>,
    clock: crate::time::Clock,
    fields: Vec<Span>,
    row: Vec<f32>,
    /// Flaws in cells of the row read last: they count again in every row that repeats it.
    row_flaws: Vec<usize>,
    before: Option<Before>,
    /// The block holds quotes: most hold none, and need no look for them.
    quoted: bool,
    /// How long the time cell of the row read last was.
    time_length: usize,
}

/// The row read last: what stands around its time.
#[derive(Debug, Clone)]
struct Before {
    prefix: Range<usize>,
    suffix: Range<usize>,
    lines: u64,
}

impl Parser {
    pub fn new(layout: Arc<Layout>) -> Self {
        let clock = layout.clock.clone();
        let row = vec![f32::NAN; layout.cells.len()];
        Parser {
            layout,
            clock,
            fields: Vec::new(),
            row,
            row_flaws: Vec::new(),
            before: None,
            quoted: false,
            time_length: 0,
        }
    }

    /// Reads a block that begins and ends with whole records. `last`: nothing comes after it.
    pub fn block(&mut self, block: &[u8], last: bool, out: &mut Batch) {
        out.clear(&self.layout);
        self.before = None;
        self.quoted = memchr(b'"', block).is_some();
        let mut at = 0;
        while at < block.len() {
            if let Some(next) = self.repeated(block, at, out) {
                at = next;
                continue;
            }
            at = self.record(block, at, last, out);
        }
        out.survey();
    }

    /// Most rows of most logs are the row before with another time. Such a one needs no reading: what stands before
    /// and after the time is compared as bytes.
    #[inline]
    fn repeated(&mut self, block: &[u8], start: usize, out: &mut Batch) -> Option<usize> {
        let before = self.before.as_ref()?;
        let mut at = start;
        if !before.prefix.is_empty() {
            at += before.prefix.len();
            if block.get(start..at)? != &block[before.prefix.clone()] {
                return None;
            }
        }
        let (time, used) = self.clock.quick(&block[at..], self.time_length)?;
        at += used;
        let end = at + before.suffix.len();
        if block.get(at..end)? != &block[before.suffix.clone()] {
            return None;
        }
        out.times.push(Micros(time));
        out.offsets.push(start as u32);
        out.lines += before.lines;
        for index in &self.row_flaws {
            if let Some(flaw) = &mut out.flaws[*index] {
                flaw.count += 1;
            }
        }
        Some(end)
    }

    fn record(&mut self, block: &[u8], start: usize, last: bool, out: &mut Batch) -> usize {
        let rest = &block[start..];
        self.before = None;
        let end = match memchr(b'\n', &rest[..rest.len().min(LONGEST_RECORD)]) {
            Some(newline) if !self.quoted => {
                if self.clean_row(block, start, newline + 1, out).is_some() {
                    out.lines += 1;
                    return start + newline + 1;
                }
                End::At(newline + 1)
            }
            _ => record_end(rest, self.layout.delimiter, last),
        };
        let (kind, length) = match end {
            End::At(length) => {
                out.lines += 1;
                if let Err(kind) = self.row(block, start, length, out) {
                    if !matches!(kind, SkipKind::Blank | SkipKind::Comment | SkipKind::Header) {
                        out.mark(Mark::Lost);
                    }
                    out.flaw(flaw_index(kind, 0), start, strip_line_end(&rest[..length]));
                }
                if self.quoted {
                    let breaks = memchr_iter(b'\n', &rest[..length - 1]).count() as u64;
                    out.lines += breaks;
                    if let Some(before) = &mut self.before {
                        before.lines += breaks;
                    }
                }
                return start + length;
            }
            End::OpenQuote(length) => (SkipKind::OpenQuote, length),
            // Blocks are cut after a record, so More can't be; if it were, the rest would be taken as one long line.
            End::TooLong | End::More => {
                (SkipKind::LongLine, memchr(b'\n', rest).map_or(rest.len(), |newline| newline + 1))
            }
        };
        out.lines += 1;
        out.mark(Mark::Lost);
        out.flaw(flaw_index(kind, 0), start, &rest[..length.min(LONGEST_RECORD)]);
        start + length
    }

    /// Reads a row in which every cell is as it should be, in one pass. `None`: look closer; nothing was done yet.
    fn clean_row(&mut self, block: &[u8], start: usize, length: usize, out: &mut Batch) -> Option<()> {
        let layout = &*self.layout;
        let Delimiter::Byte(delimiter) = layout.delimiter else { return None };
        let record = strip_line_end(&block[start..start + length]);
        if layout.date.is_some()
            || record.first().is_none_or(|first| *first == layout.comment || *first <= b' ')
        {
            return None;
        }
        let ends = |at: usize| record.get(at).is_none_or(|byte| *byte == delimiter);
        let (mut at, mut column) = (0, 0);
        let (mut time_at, mut time_end, mut time) = (0, 0, None);
        let mut go_to = |wanted: usize, at: &mut usize| {
            while column < wanted {
                *at += record.get(*at..)?.iter().position(|byte| *byte == delimiter)? + 1;
                column += 1;
            }
            Some(())
        };
        for (cell, value) in layout.cells.iter().zip(&mut self.row) {
            if layout.time < cell.column && time.is_none() {
                go_to(layout.time, &mut at)?;
                let (found, used) = self.clock.quick(&record[at..], self.time_length)?;
                (time, time_at, time_end) = (Some(found), at, at + used);
                at = time_end;
                if !ends(at) {
                    return None;
                }
            }
            go_to(cell.column, &mut at)?;
            let used = cell.convert.quick(record.get(at..)?, value)?;
            if !ends(at + used) {
                return None;
            }
        }
        if time.is_none() {
            go_to(layout.time, &mut at)?;
            let (found, used) = self.clock.quick(record.get(at..)?, self.time_length)?;
            (time, time_at, time_end) = (Some(found), at, at + used);
            if !ends(time_end) {
                return None;
            }
        }
        let after = record[at..].iter().filter(|byte| **byte == delimiter).count();
        let closed = usize::from(record.last() == Some(&delimiter));
        if layout.least_fields + after > layout.most_fields + closed {
            return None;
        }
        self.row_flaws.clear();
        self.keep(time?, start, time_at..time_end, length, out);
        Some(())
    }

    fn row(&mut self, block: &[u8], start: usize, length: usize, out: &mut Batch) -> Result<(), SkipKind> {
        let layout = &*self.layout;
        let record = strip_line_end(&block[start..start + length]);
        match record.iter().find(|b| !matches!(b, b' ' | b'\t')) {
            None => return Err(SkipKind::Blank),
            Some(first) if *first == layout.comment => return Err(SkipKind::Comment),
            Some(_) => {}
        }
        split(record, layout.delimiter, self.quoted, &mut self.fields);
        let count = self.fields.len();
        let time_span = self.fields.get(layout.time).copied();
        let read = match time_span {
            _ if count < layout.least_fields => Err(SkipKind::ShortRow),
            _ if count > layout.most_fields && !self.only_a_delimiter_more(record) => Err(SkipKind::LongRow),
            Some(span) => {
                let (at, cell) = bare(record, span);
                let date =
                    layout.date.and_then(|date| self.fields.get(date)).map(|span| bare(record, *span).1);
                date.map_or(Some(()), |date| self.clock.set_date(date))
                    .and_then(|()| self.clock.read(cell))
                    .map(|time| (at, cell.len(), time))
                    .ok_or(SkipKind::BadTime)
            }
            None => Err(SkipKind::ShortRow),
        };
        let (time_at, time_length, time) = match read {
            Ok(read) => read,
            Err(_) if layout.header.as_deref() == Some(record) => {
                out.mark(Mark::Header);
                return Err(SkipKind::Header);
            }
            Err(kind) => return Err(kind),
        };

        self.row_flaws.clear();
        let fields = &self.fields[..layout.least_fields];
        for (place, (cell, value)) in layout.cells.iter().zip(&mut self.row).enumerate() {
            let (_, text) = bare(record, fields[cell.column]);
            *value = match cell.convert.read(text) {
                Ok(value) => value,
                Err(kind) => {
                    let index = flaw_index(kind, place);
                    self.row_flaws.push(index);
                    out.flaw(index, start, text);
                    f32::NAN
                }
            };
        }
        self.keep(time, start, time_at..time_at + time_length, length, out);
        Ok(())
    }

    /// Adds the row that was read. `stamp`: where in it the time stands.
    #[inline]
    fn keep(&mut self, time: i64, start: usize, stamp: Range<usize>, length: usize, out: &mut Batch) {
        let row = out.times.len() as u32;
        out.times.push(Micros(time));
        out.offsets.push(start as u32);
        let known = out.values.len().checked_sub(self.row.len()).map(|from| &out.values[from..]);
        if row == 0 || !known.is_some_and(|known| same(known, &self.row)) {
            out.changed.push(row);
            out.values.extend_from_slice(&self.row);
        }
        self.time_length = stamp.len();
        self.before = Some(Before {
            prefix: start..start + stamp.start,
            suffix: start + stamp.end..start + length,
            lines: 1,
        });
    }

    /// Some loggers end each row with a delimiter.
    fn only_a_delimiter_more(&self, record: &[u8]) -> bool {
        self.fields.len() == self.layout.most_fields + 1
            && self.fields.last().is_some_and(|span| bare(record, *span).1.is_empty())
    }
}

/// Bit by bit: a value that says nothing is the same as another such.
#[inline]
pub(crate) fn same(a: &[f32], b: &[f32]) -> bool {
    a.len() == b.len() && a.iter().zip(b).all(|(a, b)| a.to_bits() == b.to_bits())
}
