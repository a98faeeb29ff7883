//! Raw samples as CSV, exactly: what is read back gives the engine the same items.
//!
//! One row an item: `recording` (from 1), `log_us` (the log's own time in microseconds), `time_utc` (the same moment
//! mapped to UTC), `record` (`row`, `edge`, `mark`, or `gap-` and its cause), then one column a signal with its unit. A
//! cell is empty where the item says nothing about the signal. Numbers are written with as many digits as bring the same
//! 32-bit number back.

use std::fmt::Write as _;
use std::io::{self, BufRead, Read, Write};

use foldwatch_profile::{Profile, SignalIx};
use foldwatch_report::rfc3339;
use foldwatch_samples::{GapCause, Item, Sink};
use foldwatch_units::Micros;

/// The columns before the signals.
const LEAD: [&str; 4] = ["recording", "log_us", "time_utc", "record"];

const CAUSES: [(GapCause, &str); 4] = [
    (GapCause::Missing, "gap-missing"),
    (GapCause::Dropped, "gap-dropped"),
    (GapCause::Restart, "gap-restart"),
    (GapCause::Damaged, "gap-damaged"),
];

/// How a gap's cause stands in files, without the `gap-`.
pub(crate) fn cause(of: GapCause) -> &'static str {
    CAUSES.iter().find(|(cause, _)| *cause == of).map_or("", |(_, text)| &text[4..])
}

/// The columns.
pub(crate) fn header(profile: &Profile) -> Vec<String> {
    // The first column of the report's own table is the time.
    let signals = foldwatch_report::samples::header(profile).into_iter().skip(1);
    LEAD.iter().map(|name| (*name).to_owned()).chain(signals).collect()
}

/// Writes items of one recording after the other.
pub(crate) struct Writer<W> {
    to: W,
    recording: usize,
    binary: Vec<bool>,
    row: Vec<f32>,
    /// The cells of the signals of the last row: most rows repeat the one before.
    cells: String,
    line: String,
    failed: Option<io::Error>,
    pub rows: u64,
}

impl<W: Write> Writer<W> {
    pub fn new(profile: &Profile, mut to: W) -> io::Result<Self> {
        to.write_all((header(profile).join(",") + "\r\n").as_bytes())?;
        Ok(Writer {
            to,
            recording: 0,
            binary: profile.signals.iter().map(|s| s.kind.is_binary()).collect(),
            row: vec![f32::NAN; profile.signals.len()],
            cells: ",".repeat(profile.signals.len()),
            line: String::new(),
            failed: None,
            rows: 0,
        })
    }

    /// The next recording begins.
    pub fn recording<'a>(&'a mut self, utc: &'a dyn Fn(Micros) -> Micros) -> Recording<'a, W> {
        self.recording += 1;
        self.row.fill(f32::NAN);
        self.cells = ",".repeat(self.row.len());
        Recording { writer: self, utc }
    }

    /// The first error there was.
    pub fn finish(self) -> io::Result<u64> {
        self.failed.map_or(Ok(self.rows), Err)
    }

    fn write(&mut self, at: Micros, utc: Micros, record: &str, own: Option<&str>) {
        if self.failed.is_some() {
            return;
        }
        self.line.clear();
        // Writing into a string can't fail.
        let _ = write!(self.line, "{},{},{},{record}", self.recording, at.0, rfc3339(utc));
        self.line.push_str(own.unwrap_or(&self.cells));
        self.line.push_str("\r\n");
        self.rows += 1;
        if let Err(error) = self.to.write_all(self.line.as_bytes()) {
            self.failed = Some(error);
        }
    }

    fn set(&mut self, values: &[f32]) {
        let same = self.row.iter().zip(values).all(|(a, b)| a.to_bits() == b.to_bits());
        if same && self.row.len() == values.len() {
            return;
        }
        self.row.copy_from_slice(values);
        self.cells.clear();
        for (value, binary) in values.iter().zip(&self.binary) {
            self.cells.push(',');
            cell(*value, *binary, &mut self.cells);
        }
    }
}

fn cell(value: f32, binary: bool, to: &mut String) {
    if value.is_nan() {
    } else if binary {
        to.push(if value >= 0.5 { '1' } else { '0' });
    } else if value.is_infinite() {
        // As tables write it (Table Schema, number).
        to.push_str(if value > 0.0 { "INF" } else { "-INF" });
    } else {
        let _ = write!(to, "{value}");
    }
}

/// Items of one recording.
pub(crate) struct Recording<'a, W> {
    writer: &'a mut Writer<W>,
    utc: &'a dyn Fn(Micros) -> Micros,
}

impl<W: Write> Sink for Recording<'_, W> {
    fn item(&mut self, item: Item<'_>) {
        let signals = self.writer.row.len();
        match item {
            Item::Row { at, values } => {
                self.writer.set(values);
                self.writer.write(at, (self.utc)(at), "row", None);
            }
            Item::Same { at } => self.writer.write(at, (self.utc)(at), "row", None),
            Item::Edge { at, signal, on } => {
                let mut own = ",".repeat(signals);
                let place = signal.at().min(signals.saturating_sub(1)) + 1;
                own.insert(place, if on { '1' } else { '0' });
                self.writer.write(at, (self.utc)(at), "edge", Some(&own));
            }
            Item::Mark { at } => {
                let own = ",".repeat(signals);
                self.writer.write(at, (self.utc)(at), "mark", Some(&own));
            }
            Item::Gap { until, cause: of } => {
                let name =
                    CAUSES.iter().find(|(cause, _)| *cause == of).map_or("gap-missing", |(_, name)| name);
                let own = ",".repeat(signals);
                self.writer.write(until, (self.utc)(until), name, Some(&own));
            }
        }
    }
}

/// One line of the table.
pub(crate) struct Line<'a> {
    pub number: u64,
    pub recording: usize,
    pub time_utc: &'a str,
    pub at: Micros,
    pub item: Item<'a>,
}

/// Reads the table back, line by line.
///
/// # Errors
/// The number of the first line that is not as [`Writer`] writes it, and why.
pub(crate) fn read(
    mut from: impl BufRead,
    profile: &Profile,
    each: &mut dyn FnMut(Line<'_>) -> Result<(), String>,
) -> Result<u64, String> {
    let binary: Vec<bool> = profile.signals.iter().map(|s| s.kind.is_binary()).collect();
    let mut values = vec![f32::NAN; binary.len()];
    let mut text = String::new();
    let mut cells = String::new();
    let mut number = 0;
    loop {
        text.clear();
        number += 1;
        // No line is longer: what goes on without end is not held.
        let n = from
            .by_ref()
            .take(1 << 20)
            .read_line(&mut text)
            .map_err(|error| format!("line {number}: {error}"))?;
        if n == 0 {
            return Ok(number - 1);
        }
        let line = text.trim_end_matches(['\r', '\n']);
        if number == 1 {
            if line != header(profile).join(",") {
                return Err("line 1: the columns are not the signals of the profile in the bag".into());
            }
            continue;
        }
        let wrong = |what: &str| format!("line {number}: {what}");
        let mut parts = line.splitn(5, ',');
        let mut next = || parts.next().ok_or_else(|| wrong("too few cells"));
        let (recording, at, time_utc, record, rest) = (next()?, next()?, next()?, next()?, next()?);
        let recording = recording.parse().map_err(|_| wrong("no number of a recording"))?;
        let at = Micros(at.parse().map_err(|_| wrong("no time in microseconds"))?);
        let item = match record {
            "row" => {
                if rest != cells {
                    fill(&mut values, &binary, rest).map_err(|what| wrong(&what))?;
                    cells.clear();
                    cells.push_str(rest);
                }
                Item::Row { at, values: &values }
            }
            "edge" => {
                let place = rest.find(['0', '1']).ok_or_else(|| wrong("an edge of no signal"))?;
                let on = rest.as_bytes()[place] == b'1';
                let signal = u16::try_from(place).map_err(|_| wrong("an edge of no signal"))?;
                if place >= binary.len() {
                    return Err(wrong("an edge of no signal"));
                }
                Item::Edge { at, signal: SignalIx(signal), on }
            }
            "mark" => Item::Mark { at },
            gap => {
                let of = CAUSES.iter().find(|(_, name)| *name == gap);
                let (cause, _) = of.ok_or_else(|| wrong("a record of no known kind"))?;
                Item::Gap { until: at, cause: *cause }
            }
        };
        each(Line { number, recording, time_utc, at, item })?;
    }
}

fn fill(values: &mut [f32], binary: &[bool], cells: &str) -> Result<(), String> {
    let mut parts = cells.split(',');
    for (value, binary) in values.iter_mut().zip(binary) {
        let cell = parts.next().ok_or("too few cells")?;
        *value = match (cell, *binary) {
            ("", _) => f32::NAN,
            ("1", true) => 1.0,
            ("0", true) => 0.0,
            (_, true) => return Err(format!("`{}` is no state", cell.escape_debug())),
            (number, false) => {
                number.parse().map_err(|_| format!("`{}` is no number", number.escape_debug()))?
            }
        };
    }
    if parts.next().is_some() { Err("too many cells".into()) } else { Ok(()) }
}
