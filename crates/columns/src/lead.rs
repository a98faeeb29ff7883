//! The beginning of a log: finds the header and the first row, and with them what the map left open.
//!
//! Goes record by record and decides at the first one that allows it, so that a stream in pieces of any size is
//! decided as a whole file is.

use crate::layout::{Cell, Convert, Layout, Wrap};
use crate::map::{Column, ColumnMap, SignalColumn, TimeForm};
use crate::names::{Heading, nearest};
use crate::number::{Decimal, number};
use crate::parse::{Flaw, example};
use crate::record::{Delimiter, End, Span, bare, record_end, split, strip_line_end, text};
use crate::report::{ColumnsError, Report, SkipKind, decimal_name};
use crate::time::{self, Clock, Form, Number, TimeUnit, Zone};
use foldwatch_profile::{Calibration, Profile, SignalIx};
use foldwatch_units::Unit;

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

/// Looks at the beginning of a log. `None`: more of it is needed.
///
/// # Errors
/// [`ColumnsError`] where no header or no row fits to the map and the profile.
pub(crate) fn look(
    map: &ColumnMap,
    profile: &Profile,
    bytes: &[u8],
    last: bool,
) -> Result<Option<Lead>, ColumnsError> {
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
    Search { map, profile, header: None, best: None, flaws: Vec::new(), rows_seen: None, skipped: Vec::new() }
        .run(bytes, last)
}

struct Search<'a> {
    map: &'a ColumnMap,
    profile: &'a Profile,
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

/// Columns found, by their places from 0.
#[derive(Debug, Clone)]
struct Found {
    time: usize,
    date: Option<usize>,
    time_unit: Option<TimeUnit>,
    signals: Vec<Place>,
}

/// Where a signal stands.
#[derive(Debug, Clone)]
struct Place {
    column: usize,
    signal: SignalIx,
    unit: Option<Unit>,
    said: Option<SignalColumn>,
}

/// A record in the beginning.
struct Record<'b> {
    start: usize,
    end: usize,
    line: u64,
    bytes: &'b [u8],
}

impl Search<'_> {
    fn run(mut self, bytes: &[u8], last: bool) -> Result<Option<Lead>, ColumnsError> {
        let mut at = if bytes.starts_with(b"\xef\xbb\xbf") { 3 } else { 0 };
        let mut lines = 0u64;
        let mut records = 0u64;
        while at < bytes.len() {
            let delimiter =
                self.header.as_ref().map_or_else(|| self.usual_delimiter(&bytes[at..]), |h| h.delimiter);
            let length = match record_end(&bytes[at..], delimiter, last) {
                End::At(length) | End::OpenQuote(length) => length,
                End::TooLong => {
                    return Err(ColumnsError::NotText(
                        "without line ends in its first 64 KiB, so it is no table",
                    ));
                }
                End::More => return Ok(None),
            };
            let record = Record {
                start: at,
                end: at + length,
                line: lines + 1,
                bytes: strip_line_end(&bytes[at..at + length]),
            };
            lines += memchr::memchr_iter(b'\n', &bytes[at..at + length]).count().max(1) as u64;
            at += length;
            if record.line <= self.map.skip_lines {
                continue;
            }
            records += 1;
            if let Some(lead) = self.record(&record, lines)? {
                return Ok(Some(lead));
            }
            if records >= MOST_RECORDS {
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
        let map = self.map;
        let by_name = |column: &Column| matches!(column, Column::Name(_));
        map.signals.is_empty()
            || map.signals.iter().any(|signal| by_name(&signal.column))
            || map.time.as_ref().is_none_or(|time| {
                by_name(&time.column) || time.date.as_ref().is_some_and(|(column, _)| by_name(column))
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
        let Ok(found) = self.places(&header.headings) else { return Ok(false) };
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
        let problem = self.header.as_ref().and_then(|header| self.places(&header.headings).err());
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
            let (matches, problem) = match self.places(&headings) {
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

    /// Finds every column that is asked for, or says how many were found and what is wrong.
    fn places(&self, headings: &[Heading]) -> Result<Found, (usize, String)> {
        let mut tally = Tally::default();
        let mut time_unit = None;
        let mut date = None;
        let time = match &self.map.time {
            Some(said) => {
                date = said.date.as_ref().and_then(|(column, _)| tally.place(column, "the date", headings));
                let found = tally.place(&said.column, "the time", headings);
                time_unit = found
                    .and_then(|at| headings.get(at))
                    .and_then(|h| h.is_time().and_then(|(_, unit)| unit).or_else(|| bracket_unit(h)));
                found
            }
            None => {
                let best = headings.iter().enumerate().filter_map(|(at, h)| Some((h.is_time()?, at)));
                let best = best.min_by_key(|((rank, _), at)| (*rank, *at));
                match best {
                    Some(((_, unit), at)) => {
                        tally.matches += 1;
                        time_unit = unit;
                        date = headings.iter().position(Heading::is_date);
                        Some(at)
                    }
                    None => {
                        tally.problems.push(
                            "no column is called time: name it under [time] in a column map".to_owned(),
                        );
                        None
                    }
                }
            }
        };

        let mut signals = Vec::new();
        if self.map.signals.is_empty() {
            for (ix, signal) in self.profile.signals() {
                let mut named = headings
                    .iter()
                    .enumerate()
                    .filter_map(|(at, h)| Some((at, h.is_signal(&signal.id, &signal.label)?)));
                let Some((column, unit)) = named.next() else { continue };
                tally.matches += 1;
                if let Some((other, _)) = named.next() {
                    tally.problems.push(format!(
                        "columns {} and {} are both called `{}`: say in a column map which one it is",
                        column + 1,
                        other + 1,
                        signal.id
                    ));
                }
                signals.push(Place { column, signal: ix, unit, said: None });
            }
            if signals.is_empty() {
                tally.problems.push(format!(
                    "no column is called as a signal of the profile ({}): name them in a column map",
                    list(self.profile.signals.iter().map(|s| s.id.as_str()))
                ));
            }
        } else {
            for said in &self.map.signals {
                let signal = self.profile.signals.get(said.signal.at());
                let id = signal.map_or("?", |s| s.id.as_str());
                let Some(column) = tally.place(&said.column, &format!("signal `{id}`"), headings) else {
                    continue;
                };
                let stated = headings
                    .get(column)
                    .and_then(|h| h.bracket.as_deref())
                    .and_then(|unit| unit.parse::<Unit>().ok());
                signals.push(Place {
                    column,
                    signal: said.signal,
                    unit: said.unit.or(if said.calibrated == Some(false) { None } else { stated }),
                    said: Some(said.clone()),
                });
            }
        }
        for place in &mut signals {
            let Some(signal) = self.profile.signals.get(place.signal.at()) else { continue };
            let Some(unit) = place.unit.filter(|_| !signal.kind.is_binary()) else { continue };
            if unit.quantity != signal.unit.quantity {
                let name = headings.get(place.column).map_or("?", |h| h.full.as_str());
                // A sensor's volts under a pressure are what the calibration is for.
                if signal.calibration.gain != 1.0 || signal.calibration.offset != 0.0 || !scale_is_one(place)
                {
                    place.unit = None;
                } else {
                    tally.problems.push(format!(
                        "column `{name}` is in {unit}, and signal `{}` in {}: give a scale in a column map, or a \
                         calibration in the profile",
                        signal.id, signal.unit
                    ));
                }
            }
        }
        match (time, tally.problems.is_empty()) {
            (Some(time), true) => Ok(Found { time, date, time_unit, signals }),
            _ => Err((tally.matches, tally.problems.join("; "))),
        }
    }

    /// Whether a record is a row, and how all rows are then read.
    fn row_of(
        &self,
        record: &[u8],
        delimiter: Delimiter,
    ) -> Result<Option<(Layout, Report, usize)>, ColumnsError> {
        let no_headings = Vec::new();
        let headings = self.header.as_ref().map_or(&no_headings, |header| &header.headings);
        let Ok(mut found) = self.places(headings) else { return Ok(None) };
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
            self.clock(&mut found, cell, decimal, delimiter, headings, &mut report.assumed)
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

    /// How times are read, from the map, the header and the first row. `None`: this is no row.
    fn clock<'r>(
        &self,
        found: &mut Found,
        cell: impl Fn(usize) -> &'r [u8],
        decimal: Decimal,
        delimiter: Delimiter,
        headings: &[Heading],
        assumed: &mut Vec<String>,
    ) -> Option<(Clock, Option<Wrap>, bool)> {
        let said = self.map.time.as_ref();
        let first = cell(found.time);
        let form = match said.and_then(|said| said.form.as_ref()) {
            Some(form) => form_of(form, decimal),
            None => {
                let name = headings.get(found.time).map_or("of time", |h| h.full.as_str());
                recognise(first, found.time_unit, decimal, name, assumed)?
            }
        };
        let says_date = |form: &Form| match form {
            Form::Number(_) => false,
            Form::Stamp => time::stamp(first, Decimal::Either).is_some_and(|said| said.days.is_some()),
            Form::Fields(fields) => {
                time::by_fields(fields, first, Decimal::Either).is_some_and(|said| said.days.is_some())
            }
            // Anything else is written out for the sake of a date.
            Form::Pattern(pattern) => {
                ["%d", "%e", "%j", "%F", "%D", "%s"].iter().any(|d| pattern.contains(d))
            }
        };
        let dated_stamps = says_date(&form);
        if said.is_none() && dated_stamps {
            found.date = None;
        }
        let date_form = match (found.date, said.and_then(|said| said.date.as_ref())) {
            (None, _) => None,
            (Some(_), Some((_, Some(form)))) => Some(form_of(form, decimal)),
            (Some(_), _) => Some(Form::Stamp),
        };
        let origin = said.and_then(|said| said.origin);
        let zone = said.and_then(|said| said.zone.clone());
        let with_zone = time::stamp(first, Decimal::Either).is_some_and(|said| said.offset.is_some());
        if (dated_stamps || date_form.is_some()) && zone.is_none() && !with_zone {
            assumed.push("the time stamps name no zone: taken as UTC".to_owned());
        }
        let mark = if delimiter == Delimiter::Byte(b',') { Decimal::Point } else { Decimal::Either };
        let wrap = match &form {
            _ if date_form.is_some() || dated_stamps => None,
            // A counter of 32 bits runs over after 49.7 days in milliseconds and after 71.6 minutes in microseconds.
            Form::Number(number) => {
                let tick = match number.unit() {
                    TimeUnit::Milliseconds => Some(1000),
                    TimeUnit::Microseconds => Some(1),
                    _ => None,
                };
                tick.map(|tick| Wrap { period: tick << 32, least_drop: (tick << 32) - (tick << 28) })
            }
            // A time of day that goes back by more than an hour means the next day.
            _ => Some(Wrap { period: 86_400_000_000, least_drop: 3_600_000_000 }),
        };
        let mut clock =
            Clock::new(form, date_form.clone(), origin.map_or(0, |origin| origin.0), Zone::new(zone), mark);
        if let Some(date) = found.date {
            clock.set_date(cell(date))?;
        }
        let time = clock.read(first)?;
        // A plain count that is past 1980 (10 years) counts from the epoch.
        let dated = dated_stamps || date_form.is_some() || origin.is_some() || time > 315_360_000_000_000;
        Some((clock, wrap, dated))
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

/// Columns found, and what was wrong with others.
#[derive(Default)]
struct Tally {
    matches: usize,
    problems: Vec<String>,
}

impl Tally {
    fn place(&mut self, column: &Column, what: &str, headings: &[Heading]) -> Option<usize> {
        match find_column(column, headings) {
            Ok(place) => {
                self.matches += 1;
                Some(place)
            }
            Err(clash) => {
                let known = clash.is_some();
                let mut problem = clash.unwrap_or_else(|| format!("there is no column {column} for {what}"));
                if let Column::Name(name) = column
                    && !known
                    && let Some(near) = nearest(name, headings.iter().map(|h| h.full.as_str()))
                {
                    problem.push_str(&format!(" (nearest: `{near}`)"));
                }
                self.problems.push(problem);
                None
            }
        }
    }
}

fn scale_is_one(place: &Place) -> bool {
    place.said.as_ref().is_none_or(|said| said.scale == 1.0 && said.offset == 0.0)
}

fn headings(record: &[u8], delimiter: Delimiter) -> Vec<Heading> {
    let mut fields = Vec::new();
    split(record, delimiter, true, &mut fields);
    let mut headings: Vec<Heading> = fields.iter().map(|span| Heading::new(&text(record, *span))).collect();
    if headings.len() > 1 && headings.last().is_some_and(|h| h.full.is_empty()) {
        headings.pop();
    }
    // `# time a b`: the mark stands alone where blanks divide.
    if delimiter == Delimiter::Blanks && headings.first().is_some_and(|h| h.full.is_empty()) {
        headings.remove(0);
    }
    headings
}

fn bracket_unit(heading: &Heading) -> Option<TimeUnit> {
    heading.bracket.as_deref().and_then(TimeUnit::find)
}

/// The place of a column from 0; `Err(Some)`: two answer to the name.
fn find_column(column: &Column, headings: &[Heading]) -> Result<usize, Option<String>> {
    match column {
        Column::Number(number) => {
            let at = number.checked_sub(1).ok_or(None)?;
            if headings.is_empty() || at < headings.len() {
                return Ok(at);
            }
            Err(Some(format!("there is no column {number}: the header names {}", headings.len())))
        }
        Column::Name(name) => {
            let answers: Vec<(usize, usize)> =
                headings.iter().enumerate().filter_map(|(at, h)| Some((h.answers_to(name)?, at))).collect();
            let best = answers.iter().map(|(rank, _)| *rank).min().ok_or(None)?;
            let mut equal = answers.iter().filter(|(rank, _)| *rank == best).map(|(_, at)| *at);
            match (equal.next(), equal.next()) {
                (Some(one), None) => Ok(one),
                (Some(one), Some(other)) => Err(Some(format!(
                    "columns {} and {} are both called `{name}`: name it by its number",
                    one + 1,
                    other + 1
                ))),
                (None, _) => Err(None),
            }
        }
    }
}

fn form_of(form: &TimeForm, decimal: Decimal) -> Form {
    match form {
        TimeForm::Unit(unit) => Form::Number(Number::new(*unit, decimal)),
        TimeForm::Rfc3339 => Form::Stamp,
        TimeForm::Pattern(pattern) => {
            time::fields(pattern).map_or_else(|| Form::Pattern(pattern.clone()), Form::Fields)
        }
    }
}

/// The form of a time cell that nobody described.
fn recognise(
    cell: &[u8],
    stated: Option<TimeUnit>,
    decimal: Decimal,
    name: &str,
    assumed: &mut Vec<String>,
) -> Option<Form> {
    if let Some(value) = number(cell, decimal) {
        // Counts from the epoch: seconds have 10 digits in our time, milliseconds 13.
        let unit = stated.unwrap_or(match value.abs() {
            v if v < 1e11 => TimeUnit::Seconds,
            v if v < 1e14 => TimeUnit::Milliseconds,
            v if v < 1e17 => TimeUnit::Microseconds,
            _ => TimeUnit::Nanoseconds,
        });
        if stated.is_none() {
            assumed.push(format!("column `{name}` names no unit: taken as {}", unit.symbol()));
        }
        return value.is_finite().then(|| Form::Number(Number::new(unit, decimal)));
    }
    time::stamp(cell, Decimal::Either).map(|_| Form::Stamp)
}

fn list<'a>(names: impl Iterator<Item = &'a str>) -> String {
    let mut names: Vec<&str> = names.collect();
    let more = names.len().saturating_sub(8);
    names.truncate(8);
    let mut out = names.join(", ");
    if more > 0 {
        out.push_str(&format!(", and {more} more"));
    }
    out
}
