//! The beginning of a log: finds the header and the first row, and with them what the map left open.
//!
//! Goes record by record and decides at the first one that allows it, so that a stream in pieces of any size is
//! decided as a whole file is.

use crate::layout::{Cell, Convert, Layout};
use crate::map::{Column, ColumnMap};
use crate::names::Heading;
use crate::number::Decimal;
use crate::parse::{Flaw, example};
use crate::places::{headings, places};
use crate::recognise::clock;
use crate::record::{Delimiter, End, Span, bare, record_end, split, strip_line_end};
use crate::report::{ColumnsError, Report, SkipKind, decimal_name};
use crate::time::TimeUnit;
use foldwatch_profile::{Calibration, Profile, SignalIx};

/// Within so many records there must be a header and a row.
const MOST_RECORDS: u64 = 500;

/// What the beginning of a log told.
#[derive(Debug)]
pub(crate) struct Lead {
    pub layout: Layout,
    /// Where the rows begin.
    pub start: usize,
    /// Lines before that.
    pub lines: u64,
    /// What was skipped before that.
    pub flaws: Vec<(SkipKind, Flaw)>,
    /// What is known of the report by now.
    pub report: Report,
}

/// Looks at the beginning of a log, which grows from one look to the next; no record is looked at twice.
#[derive(Debug)]
pub(crate) struct Search {
    map: ColumnMap,
    profile: Profile,
    /// Where the next record begins, the lines before it, and the records that were looked at.
    at: usize,
    lines: u64,
    records: u64,
    header: Option<Header>,
    /// The record that came nearest to a header: matches, line, byte, what is wrong with it.
    best: Option<(usize, u64, u64, String)>,
    flaws: Vec<(SkipKind, Flaw)>,
    /// Where the records after the header begin: place, line.
    rows_seen: Option<(usize, u64)>,
    /// Records that are neither header nor row: place, line, text.
    skipped: Vec<(usize, u64, String)>,
}

/// A line that names columns.
#[derive(Debug, Clone)]
struct Header {
    record: Vec<u8>,
    line: u64,
    delimiter: Delimiter,
    headings: Vec<Heading>,
    /// The line after it that names the units.
    units: Option<u64>,
}

/// A record in the beginning.
struct Record<'b> {
    start: usize,
    end: usize,
    line: u64,
    bytes: &'b [u8],
}

impl Search {
    /// For a log of this map and profile.
    pub fn new(map: ColumnMap, profile: &Profile) -> Self {
        Search {
            map,
            profile: profile.clone(),
            at: 0,
            lines: 0,
            records: 0,
            header: None,
            best: None,
            flaws: Vec::new(),
            rows_seen: None,
            skipped: Vec::new(),
        }
    }

    /// What the beginning tells: the same bytes as in the look before and more, or `last`. `None`: more of it is needed.
    ///
    /// # Errors
    /// [`ColumnsError`] where no header or no row fits to the map and the profile.
    pub fn look(&mut self, bytes: &[u8], last: bool) -> Result<Option<Lead>, ColumnsError> {
        if self.at == 0 {
            if bytes.is_empty() {
                return if last { Err(ColumnsError::Empty) } else { Ok(None) };
            }
            if bytes.len() < 4 && !last {
                return Ok(None);
            }
            if bytes.starts_with(b"\xff\xfe") || bytes.starts_with(b"\xfe\xff") {
                return Err(ColumnsError::NotText("UTF-16"));
            }
            if bytes.starts_with(b"PK\x03\x04") {
                return Err(ColumnsError::NotText("a spreadsheet or zip file"));
            }
            if bytes.starts_with(b"\x1f\x8b") {
                return Err(ColumnsError::NotText("gzip data"));
            }
            if bytes.starts_with(b"\xef\xbb\xbf") {
                self.at = 3;
            }
        }
        while self.at < bytes.len() {
            let rest = &bytes[self.at..];
            let delimiter = self.header.as_ref().map_or_else(|| self.usual_delimiter(rest), |h| h.delimiter);
            let length = match record_end(rest, delimiter, last) {
                End::At(length) | End::OpenQuote(length) => length,
                End::TooLong => {
                    return Err(ColumnsError::NotText(
                        "without line ends in its first 64 KiB, so it is no table",
                    ));
                }
                End::More => return Ok(None),
            };
            let found = &rest[..length];
            let record = Record {
                start: self.at,
                end: self.at + length,
                line: self.lines + 1,
                bytes: strip_line_end(found),
            };
            self.lines += memchr::memchr_iter(b'\n', found).count().max(1) as u64;
            self.at += length;
            if record.line <= self.map.skip_lines {
                continue;
            }
            self.records += 1;
            if let Some(lead) = self.record(&record, self.lines)? {
                return Ok(Some(lead));
            }
            if self.records >= MOST_RECORDS {
                return Err(self.nothing());
            }
        }
        if last { Err(self.nothing()) } else { Ok(None) }
    }

    /// What separates cells before that is settled: only quoted line breaks hang on it here.
    fn usual_delimiter(&self, bytes: &[u8]) -> Delimiter {
        self.map.delimiter.unwrap_or_else(|| {
            let line = &bytes[..memchr::memchr(b'\n', bytes).unwrap_or(bytes.len())];
            let count = |d: &Delimiter| line.iter().filter(|b| d.is(**b)).count();
            Delimiter::ALL[..4].iter().copied().max_by_key(count).unwrap_or(Delimiter::Byte(b','))
        })
    }

    fn needs_names(&self) -> bool {
        let map = &self.map;
        let by_name = |column: &Column| matches!(column, Column::Name(_));
        map.signals.is_empty()
            || map.signals.iter().any(|signal| by_name(&signal.column))
            || map.time.as_ref().is_none_or(|time| {
                time.column.as_ref().is_none_or(by_name)
                    || time.date.as_ref().is_some_and(|(column, _)| by_name(column))
            })
    }

    fn record(&mut self, record: &Record<'_>, lines: u64) -> Result<Option<Lead>, ColumnsError> {
        let comment = self.map.comment.unwrap_or(b'#');
        let first = record.bytes.iter().find(|b| !matches!(b, b' ' | b'\t')).copied();
        if first.is_none() {
            self.flaw(SkipKind::Blank, record);
            return Ok(None);
        }
        if self.header.is_none() && (self.needs_names() || self.map.header == Some(true)) {
            if let Some(header) = self.header_of(record)? {
                self.header = Some(header);
                self.rows_seen = Some((record.end, lines));
            } else if first == Some(comment) {
                self.flaw(SkipKind::Comment, record);
            } else {
                self.flaw(SkipKind::Preamble, record);
            }
            return Ok(None);
        }
        if first == Some(comment) {
            if self.rows_seen.is_none() {
                self.flaw(SkipKind::Comment, record);
            }
            return Ok(None);
        }
        if self.names_units(record, lines)? {
            return Ok(None);
        }
        // After a header the ordinary reading tells of what is no row; before that it is told here.
        let delimiters = match (&self.header, self.map.delimiter) {
            (Some(header), _) => vec![header.delimiter],
            (None, Some(delimiter)) => vec![delimiter],
            (None, None) => Delimiter::ALL.to_vec(),
        };
        for delimiter in delimiters {
            if let Some((mut layout, mut report, fields)) = self.row_of(record.bytes, delimiter)? {
                layout.most_fields = layout.most_fields.max(fields);
                report.lines = lines;
                let (start, lines) = self.rows_seen.unwrap_or((record.start, record.line - 1));
                return Ok(Some(Lead {
                    layout,
                    start,
                    lines,
                    flaws: std::mem::take(&mut self.flaws),
                    report,
                }));
            }
        }
        self.skipped.push((record.start, record.line, example(record.bytes)));
        if self.header.is_none() {
            self.flaw(SkipKind::Preamble, record);
        }
        Ok(None)
    }

    /// Takes up a line right after the header that names the units of the columns.
    fn names_units(&mut self, record: &Record<'_>, lines: u64) -> Result<bool, ColumnsError> {
        let Some(header) =
            self.header.as_ref().filter(|header| header.units.is_none() && self.skipped.is_empty())
        else {
            return Ok(false);
        };
        let Ok(found) = places(&self.map, &self.profile, &header.headings) else { return Ok(false) };
        let units = headings(record.bytes, header.delimiter);
        let bare = |heading: &Heading| heading.full.trim_matches(['[', ']', '(', ')', ' ']).to_owned();
        if units.get(found.time).and_then(|heading| TimeUnit::find(&bare(heading))).is_none() {
            return Ok(false);
        }
        if let Some(header) = &mut self.header {
            for (heading, unit) in header.headings.iter_mut().zip(&units) {
                heading.bracket.get_or_insert_with(|| bare(unit));
            }
            header.units = Some(record.line);
        }
        self.rows_seen = Some((record.end, lines));
        // What fitted without units may not fit with them.
        let problem =
            self.header.as_ref().and_then(|header| places(&self.map, &self.profile, &header.headings).err());
        match problem {
            Some((_, problem)) => {
                Err(ColumnsError::Header { line: record.line, byte: record.start as u64, problem })
            }
            None => Ok(true),
        }
    }

    fn flaw(&mut self, kind: SkipKind, record: &Record<'_>) {
        match self.flaws.iter_mut().find(|(known, _)| *known == kind) {
            Some((_, flaw)) => flaw.count += 1,
            None => self.flaws.push((
                kind,
                Flaw { count: 1, offset: record.start, line: record.line, example: example(record.bytes) },
            )),
        }
    }

    /// Whether a record is the header that the map and the profile ask for.
    fn header_of(&mut self, record: &Record<'_>) -> Result<Option<Header>, ColumnsError> {
        let delimiters = self.map.delimiter.map_or(Delimiter::ALL.to_vec(), |delimiter| vec![delimiter]);
        let mut found: Option<(usize, Header)> = None;
        for delimiter in delimiters {
            let headings = headings(record.bytes, delimiter);
            let (matches, problem) = match places(&self.map, &self.profile, &headings) {
                Ok(places) => (places.signals.len() + 1, None),
                Err((matches, problem)) => (matches, Some(problem)),
            };
            match problem {
                None if found.as_ref().is_none_or(|(most, _)| matches > *most) => {
                    let header = Header {
                        record: record.bytes.to_vec(),
                        line: record.line,
                        delimiter,
                        headings,
                        units: None,
                    };
                    found = Some((matches, header));
                }
                None => {}
                Some(problem) => {
                    // A line that is not even divided is no header: it comes nearest only if nothing else does.
                    let better = self.best.as_ref().is_none_or(|(most, line, ..)| {
                        matches > *most || (matches == *most && *line == record.line && headings.len() > 1)
                    });
                    if better {
                        self.best = Some((matches, record.line, record.start as u64, problem));
                    }
                }
            }
        }
        if found.is_none() && self.map.header == Some(true) {
            return Err(self.nothing());
        }
        Ok(found.map(|(_, header)| header))
    }

    /// Whether a record is a row, and how all rows are then read.
    fn row_of(
        &self,
        record: &[u8],
        delimiter: Delimiter,
    ) -> Result<Option<(Layout, Report, usize)>, ColumnsError> {
        let no_headings = Vec::new();
        let headings = self.header.as_ref().map_or(&no_headings, |header| &header.headings);
        let Ok(mut found) = places(&self.map, &self.profile, headings) else { return Ok(None) };
        let mut fields: Vec<Span> = Vec::new();
        split(record, delimiter, true, &mut fields);
        let needed =
            found.signals.iter().map(|place| place.column).chain([found.time]).chain(found.date).max();
        let least_fields = needed.map_or(1, |most| most + 1);
        if fields.len() < least_fields {
            return Ok(None);
        }
        let decimal = self.map.decimal.unwrap_or(match delimiter {
            Delimiter::Byte(b',') => Decimal::Point,
            _ => Decimal::Either,
        });
        let mut report = Report { delimiter: Some(delimiter), ..Report::default() };
        let cell = |at: usize| bare(record, fields[at]).1;
        let Some((clock, wrap, dated)) =
            clock(&self.map, &mut found, cell, decimal, delimiter, headings, &mut report.assumed)
        else {
            return Ok(None);
        };

        let name = |at: usize| headings.get(at).map_or_else(|| (at + 1).to_string(), |h| h.full.clone());
        let mut cells: Vec<Cell> = Vec::new();
        for place in &found.signals {
            let Some(signal) = self.profile.signals.get(place.signal.at()) else { continue };
            let convert = Convert::new(signal, place.said.as_ref(), place.unit, decimal);
            let calibrates = signal.calibration.gain != 1.0 || signal.calibration.offset != 0.0;
            if calibrates
                && place.unit.is_some()
                && place.said.as_ref().is_none_or(|s| s.unit.is_none() && s.calibrated.is_none())
            {
                let Calibration { gain, offset, .. } = signal.calibration;
                report.assumed.push(format!(
                    "column `{}` states its unit, so the profile's calibration of `{}` (gain {gain}, offset \
                     {offset}) was taken as applied; calibrated = false in a column map applies it",
                    name(place.column),
                    signal.id
                ));
            }
            cells.push(Cell {
                column: place.column,
                signal: place.signal,
                name: name(place.column),
                convert,
            });
        }
        cells.sort_by_key(|cell| (cell.column, cell.signal));

        let used =
            |at: usize| at == found.time || found.date == Some(at) || cells.iter().any(|c| c.column == at);
        let trailing = fields.last().is_some_and(|span| bare(record, *span).1.is_empty());
        let columns = if headings.is_empty() { fields.len() - usize::from(trailing) } else { headings.len() };
        report.extra_columns =
            (0..columns).filter(|at| !used(*at)).map(name).filter(|n| !n.is_empty()).collect();
        let mapped = |ix: SignalIx| cells.iter().any(|cell| cell.signal == ix);
        report.unmapped_signals =
            self.profile.signals().map(|(ix, _)| ix).filter(|ix| !mapped(*ix)).collect();
        if let Some(line) = self.header.as_ref().and_then(|header| header.units) {
            report.assumed.push(format!("line {line} names the units of the columns"));
        }
        report.header_line = self.header.as_ref().map(|header| header.line);
        report.dated = dated;
        if self.map.delimiter.is_none() {
            report.assumed.push(format!("cells are divided by {}", delimiter.name()));
        }
        if self.map.decimal.is_none() && decimal == Decimal::Either {
            report.assumed.push(format!("the mark before a fraction is {}", decimal_name(decimal)));
        }
        let layout = Layout {
            delimiter,
            comment: self.map.comment.unwrap_or(b'#'),
            clock,
            time: found.time,
            date: found.date,
            cells,
            least_fields,
            most_fields: headings.len(),
            header: self.header.as_ref().map(|header| header.record.clone()),
            signals: self.profile.signals.len(),
            wrap,
            dated,
            when_back: self.map.when_back,
            gap_after: self.map.gap_after,
        };
        Ok(Some((layout, report, fields.len() - usize::from(trailing))))
    }

    /// Why there is nothing to read.
    fn nothing(&self) -> ColumnsError {
        if let Some(header) = &self.header {
            let what = match self.skipped.first() {
                None => format!("the header on line {} is all there is", header.line),
                Some((byte, line, text)) => format!(
                    "no line after the header can be read as a row; line {line} (byte {byte}) is `{text}`. Name the \
                     form of the time, the delimiter and the decimal mark in a column map"
                ),
            };
            return ColumnsError::NoRows(what);
        }
        match (&self.best, self.skipped.first()) {
            (Some((_, line, byte, problem)), _) => {
                ColumnsError::Header { line: *line, byte: *byte, problem: problem.clone() }
            }
            (None, Some((byte, line, text))) => ColumnsError::NoRows(format!(
                "line {line} (byte {byte}) is `{text}`. Name the columns, the form of the time and the delimiter in a \
                 column map"
            )),
            (None, None) => ColumnsError::NoRows("only empty lines and comments".to_owned()),
        }
    }
}
