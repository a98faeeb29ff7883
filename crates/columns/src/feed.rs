//! Batches of rows, in order, to items: sees to the time, the gaps and the count of everything.

use crate::blocks::Cut;
use crate::layout::Layout;
use crate::lead::Lead;
use crate::map::{GapAfter, WhenBack};
use crate::parse::{Batch, Flaw, Mark, flaw_index, same};
use crate::report::{Report, Skip, SkipKind};
use foldwatch_samples::{GapCause, Item, Sink};
use foldwatch_units::{Micros, Seconds};
use memchr::memchr_iter;
use std::sync::Arc;

/// So many steps tell how far apart rows usually are.
const LEARNED_STEPS: usize = 256;

/// Takes batches in order and feeds a sink.
#[derive(Debug, Clone)]
pub(crate) struct Feed {
    layout: Arc<Layout>,
    report: Report,
    /// By [`flaw_index`]; offsets count from the beginning of the log.
    flaws: Vec<Option<Flaw>>,
    /// All signals of the profile, as the row handed on last.
    values: Vec<f32>,
    /// The cells of the row handed on last.
    cells: Vec<f32>,
    /// Time of the row handed on last, and as it stood in the log.
    last: Option<(i64, i64)>,
    /// What is added to the log's times after an overrun or a restart.
    shift: i64,
    steps: Vec<i64>,
    /// A longer step is a gap; `None` while not known, or where there is none.
    longest: Option<i64>,
    learned: bool,
    /// Since the row handed on last.
    lost: bool,
    header: bool,
}

impl Feed {
    pub fn new(layout: Arc<Layout>, lead: Lead) -> Self {
        let mut flaws = vec![None; SkipKind::LINES + SkipKind::CELLS * layout.cells.len()];
        for (kind, flaw) in lead.flaws {
            flaws[flaw_index(kind, 0)] = Some(flaw);
        }
        let (longest, learned) = match layout.gap_after {
            GapAfter::Auto => (None, false),
            GapAfter::Span(span) => (Some(Micros::from_secs(span.0).0), false),
            GapAfter::Never => (None, false),
        };
        let report = Report { lines: lead.lines, bytes: lead.start as u64, ..lead.report };
        Feed {
            values: vec![f32::NAN; layout.signals],
            cells: vec![f32::NAN; layout.cells.len()],
            layout,
            report,
            flaws,
            last: None,
            shift: 0,
            steps: Vec::new(),
            longest,
            learned,
            lost: false,
            header: false,
        }
    }

    /// Takes what came out of a cut, and the rows of the block.
    pub fn take(&mut self, cut: &Cut, block: &[u8], batch: &mut Batch, sink: &mut impl Sink) {
        self.report.bytes += cut.dropped_before as u64;
        if let Some(beginning) = &cut.long_line {
            self.long_line(beginning);
            self.report.bytes += cut.dropped as u64;
        }
        if !block.is_empty() {
            self.batch(batch, block, sink);
        }
    }

    fn batch(&mut self, batch: &mut Batch, block: &[u8], sink: &mut impl Sink) {
        if self.runs_on(batch) {
            self.all(batch, sink);
        } else {
            self.one_by_one(batch, block, sink);
        }
        for (place, flaw) in self.flaws.iter_mut().zip(&mut batch.flaws) {
            let Some(flaw) = flaw.take() else { continue };
            match place {
                Some(known) => known.count += flaw.count,
                None => {
                    let offset = flaw.offset + self.report.bytes as usize;
                    *place = Some(Flaw { offset, line: flaw.line + self.report.lines, ..flaw });
                }
            }
        }
        self.report.lines += batch.lines;
        self.report.bytes += block.len() as u64;
    }

    /// Counts a line that was too long to be kept.
    fn long_line(&mut self, beginning: &[u8]) {
        self.lost = true;
        let (offset, line) = (self.report.bytes as usize, self.report.lines + 1);
        match &mut self.flaws[flaw_index(SkipKind::LongLine, 0)] {
            Some(flaw) => flaw.count += 1,
            place => {
                *place = Some(Flaw { count: 1, offset, line, example: crate::parse::example(beginning) });
            }
        }
        self.report.lines += 1;
    }

    /// Lines and bytes taken so far.
    pub fn place(&self) -> (u64, u64) {
        (self.report.lines, self.report.bytes)
    }

    /// Nothing in the batch needs a closer look.
    fn runs_on(&self, batch: &Batch) -> bool {
        let (Some((last, _)), Some(first)) = (self.last, batch.times.first()) else { return false };
        let step = (first.0.saturating_add(self.shift)).saturating_sub(last);
        self.learned
            && batch.ascending
            && batch.marks.is_empty()
            && !self.lost
            && !self.header
            && step > 0
            && self.longest.is_none_or(|longest| step <= longest && batch.longest_step <= longest)
    }

    fn all(&mut self, batch: &mut Batch, sink: &mut impl Sink) {
        if self.shift != 0 {
            for time in &mut batch.times {
                time.0 = time.0.saturating_add(self.shift);
            }
        }
        let width = self.cells.len().max(1);
        let mut done = 0;
        for (row, cells) in batch.changed.iter().zip(batch.values.chunks_exact(width)) {
            let row = *row as usize;
            if row == 0 && same(cells, &self.cells) {
                continue;
            }
            if row > done {
                sink.same(&batch.times[done..row]);
            }
            self.set(cells);
            sink.item(Item::Row { at: batch.times[row], values: &self.values });
            done = row + 1;
        }
        if done < batch.times.len() {
            sink.same(&batch.times[done..]);
        }
        if let Some(at) = batch.times.last() {
            self.last = Some((at.0, at.0.saturating_sub(self.shift)));
        }
        self.report.rows += batch.times.len() as u64;
    }

    fn set(&mut self, cells: &[f32]) {
        self.cells.copy_from_slice(cells);
        for (cell, value) in self.layout.cells.iter().zip(cells) {
            self.values[cell.signal.at()] = *value;
        }
    }

    fn one_by_one(&mut self, batch: &Batch, block: &[u8], sink: &mut impl Sink) {
        let width = self.cells.len().max(1);
        let mut marks = batch.marks.iter().peekable();
        let mut changed = batch.changed.iter().zip(batch.values.chunks_exact(width)).peekable();
        let mut cells: &[f32] = &[];
        for (row, raw) in batch.times.iter().enumerate() {
            while let Some((_, mark)) = marks.next_if(|(at, _)| *at as usize <= row) {
                self.mark(*mark);
            }
            if let Some((_, found)) = changed.next_if(|(at, _)| **at as usize == row) {
                cells = found;
            }
            let offset = batch.offsets[row] as usize;
            let Some((at, gap)) = self.admit(raw.0, || (offset, block)) else { continue };
            if let Some(cause) = gap {
                sink.item(Item::Gap { until: at, cause });
            }
            if gap.is_none() && self.report.rows > 0 && same(cells, &self.cells) {
                sink.item(Item::Same { at });
            } else {
                self.set(cells);
                sink.item(Item::Row { at, values: &self.values });
            }
            self.report.rows += 1;
        }
        for (_, mark) in marks {
            self.mark(*mark);
        }
    }

    fn mark(&mut self, mark: Mark) {
        match mark {
            Mark::Lost => self.lost = true,
            Mark::Header => self.header = true,
        }
    }

    /// When a row is to be handed on, and the gap before it; `None`: it is left out.
    fn admit<'b>(
        &mut self,
        raw: i64,
        place: impl Fn() -> (usize, &'b [u8]),
    ) -> Option<(Micros, Option<GapCause>)> {
        let mut at = raw.saturating_add(self.shift);
        let Some((last, last_raw)) = self.last else {
            self.begin(at, raw);
            return Some((Micros(at), None));
        };
        let mut restarted = false;
        if at <= last {
            let wrapped = self.layout.wrap.filter(|wrap| {
                last_raw.saturating_sub(raw) >= wrap.least_drop && at.saturating_add(wrap.period) > last
            });
            let anew =
                self.header && !self.layout.dated || self.layout.when_back == WhenBack::Restart && at < last;
            if let Some(wrap) = wrapped {
                self.shift = self.shift.saturating_add(wrap.period);
                self.count(SkipKind::Wrap, place());
            } else if anew {
                self.shift = last.saturating_add(self.usual_step()).saturating_sub(raw);
                restarted = true;
                self.count(SkipKind::Restart, place());
            } else {
                let kind = if at == last { SkipKind::SameTime } else { SkipKind::TimeBack };
                self.count(kind, place());
                return None;
            }
            at = raw.saturating_add(self.shift);
        }
        let step = at.saturating_sub(last);
        let gap = if restarted {
            Some(GapCause::Restart)
        } else if self.longest.is_some_and(|longest| step > longest) {
            Some(if self.lost { GapCause::Damaged } else { GapCause::Missing })
        } else {
            None
        };
        if !self.learned && !restarted {
            self.learn(step);
        }
        self.begin(at, raw);
        Some((Micros(at), gap))
    }

    fn begin(&mut self, at: i64, raw: i64) {
        self.last = Some((at, raw));
        self.lost = false;
        self.header = false;
        let first = self.report.time_range.map_or(Micros(at), |(first, _)| first);
        self.report.time_range = Some((first, Micros(at)));
    }

    fn learn(&mut self, step: i64) {
        self.steps.push(step);
        if self.steps.len() < LEARNED_STEPS {
            return;
        }
        self.learned = true;
        if self.layout.gap_after == GapAfter::Auto {
            let mut sorted = self.steps.clone();
            sorted.sort_unstable();
            let (median, most) = (sorted[LEARNED_STEPS / 2], sorted[LEARNED_STEPS * 9 / 10]);
            // Steps that differ widely are those of a logger that writes only what changes: silence is no gap there.
            if most <= median.saturating_mul(3) {
                self.longest = Some(median.saturating_mul(10).max(500_000));
            } else {
                self.report.assumed.push(
                    "rows come at uneven times, as from a logger that writes changes only: no silence is taken as a \
                     gap; gap_after_s under [time] in the column map sets one"
                        .to_owned(),
                );
            }
        }
    }

    fn usual_step(&self) -> i64 {
        let mut sorted = self.steps.clone();
        sorted.sort_unstable();
        sorted.get(sorted.len() / 2).copied().unwrap_or(1_000_000)
    }

    fn count(&mut self, kind: SkipKind, (offset, block): (usize, &[u8])) {
        match &mut self.flaws[flaw_index(kind, 0)] {
            Some(flaw) => flaw.count += 1,
            place => {
                let line = memchr_iter(b'\n', &block[..offset]).count() as u64 + 1;
                let rest = &block[offset..];
                let end = memchr::memchr2(b'\n', b'\r', rest).unwrap_or(rest.len());
                *place = Some(Flaw {
                    count: 1,
                    offset: offset + self.report.bytes as usize,
                    line: line + self.report.lines,
                    example: crate::parse::example(&rest[..end]),
                });
            }
        }
    }

    /// The account of it all.
    pub fn finish(mut self) -> Report {
        if let (Some((first, _)), Some((last, _))) = (self.report.time_range, self.last) {
            self.report.time_range = Some((first, Micros(last)));
        }
        if !self.steps.is_empty() {
            self.report.period = Some(Seconds(self.usual_step() as f64 * 1e-6));
        }
        let kinds = [
            SkipKind::Preamble,
            SkipKind::Comment,
            SkipKind::Blank,
            SkipKind::Header,
            SkipKind::BadTime,
            SkipKind::ShortRow,
            SkipKind::LongRow,
            SkipKind::LongLine,
            SkipKind::OpenQuote,
            SkipKind::TimeBack,
            SkipKind::SameTime,
            SkipKind::Restart,
            SkipKind::Wrap,
        ];
        let lines = kinds.into_iter().map(|kind| (kind, 0, None));
        let cells = self.layout.cells.iter().enumerate().flat_map(|(place, cell)| {
            [SkipKind::Empty, SkipKind::BadCell, SkipKind::Infinite]
                .into_iter()
                .map(move |kind| (kind, place, Some(cell.name.clone())))
        });
        for (kind, place, column) in lines.chain(cells) {
            let Some(flaw) = self.flaws[flaw_index(kind, place)].take() else { continue };
            self.report.skipped.push(Skip {
                kind,
                column,
                count: flaw.count,
                first_line: flaw.line,
                first_byte: flaw.offset as u64,
                example: flaw.example,
            });
        }
        self.report.skipped.sort_by_key(|skip| skip.first_byte);
        self.report
    }
}
