//! Delimited columns as some other logger prints them, in several dialects, with the column map that reads them.

use std::fmt::Write as _;

use foldwatch_profile::{Level, Profile, SignalIx, SignalKind};
use foldwatch_units::{Micros, Unit};
use rand::SeedableRng;
use rand::seq::SliceRandom;
use rand_pcg::Pcg64Mcg;

use crate::channel::Channel;
use crate::scenario::Scenario;
use crate::sim::{Recorder, RigEvent};
use crate::truth::{LogTruth, TruthLine};

/// How a logger writes columns.
#[derive(Debug, Clone, PartialEq)]
pub struct Dialect {
    /// Between cells.
    pub delimiter: char,
    /// A comma before the fraction.
    pub decimal_comma: bool,
    /// How times are written.
    pub time: TimeStyle,
    /// How columns are named.
    pub names: Names,
    /// Order of the columns by chance of this seed; `None`: time first, then the profile's order.
    pub shuffle: Option<u64>,
    /// Pressures in pounds per square inch, already calibrated.
    pub psi: bool,
    /// Switch cells say the contrary: 0 for closed. `None`: raw levels, as the profile's wiring has them.
    pub closed_is: Option<bool>,
    /// Columns that belong to no signal.
    pub extra: bool,
    /// Lines end with CR and LF.
    pub crlf: bool,
}

/// How times are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TimeStyle {
    /// Seconds since the first row.
    Seconds,
    /// Milliseconds since the first row.
    Millis,
    /// Microseconds since 1970.
    UnixMicros,
    /// RFC 3339 in UTC.
    Rfc3339,
}

/// How columns are named.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Names {
    /// By the profile's ids.
    Ids,
    /// By the profile's labels.
    Labels,
    /// `CH1`, `CH2` ...
    Numbers,
}

impl Dialect {
    /// Commas, points, seconds, ids, raw levels.
    pub fn plain() -> Dialect {
        Dialect {
            delimiter: ',',
            decimal_comma: false,
            time: TimeStyle::Seconds,
            names: Names::Ids,
            shuffle: None,
            psi: false,
            closed_is: None,
            extra: false,
            crlf: false,
        }
    }

    /// A handful of dialects that differ in everything a column map can say.
    pub fn several() -> Vec<(&'static str, Dialect)> {
        let plain = Dialect::plain();
        vec![
            ("plain", plain.clone()),
            (
                "semicolon",
                Dialect {
                    delimiter: ';',
                    decimal_comma: true,
                    time: TimeStyle::Millis,
                    names: Names::Labels,
                    shuffle: Some(7),
                    closed_is: Some(true),
                    crlf: true,
                    ..plain.clone()
                },
            ),
            (
                "tab",
                Dialect {
                    delimiter: '\t',
                    time: TimeStyle::Rfc3339,
                    names: Names::Numbers,
                    shuffle: Some(11),
                    psi: true,
                    closed_is: Some(false),
                    extra: true,
                    ..plain.clone()
                },
            ),
            ("bar", Dialect { delimiter: '|', time: TimeStyle::UnixMicros, extra: true, ..plain }),
        ]
    }
}

/// One column.
#[derive(Debug, Clone)]
enum Cell {
    Time,
    Number {
        nth: usize,
        channel: Channel,
        psi: bool,
    },
    State {
        signal: SignalIx,
        on: String,
        off: String,
    },
    /// A row counter, which means nothing.
    Counter,
}

/// Writes what the rig's logger sees: rows only, so an edge shows in the row after it.
#[derive(Debug)]
pub struct ColumnsLog {
    dialect: Dialect,
    cells: Vec<(String, Cell)>,
    states: Vec<bool>,
    start: Option<Micros>,
    line: String,
    bytes: Vec<u8>,
    truth: Vec<TruthLine>,
    log: LogTruth,
    map: String,
}

impl ColumnsLog {
    /// A log of a scenario. The scenario's faults of the logger that happen to frames have no effect here.
    pub fn new(scenario: &Scenario, dialect: Dialect) -> ColumnsLog {
        let profile = &scenario.profile;
        let mut cells: Vec<(String, Cell)> = vec![(time_name(&dialect).to_owned(), Cell::Time)];
        let mut nth = 0;
        for (ix, signal) in profile.signals() {
            let name = match dialect.names {
                Names::Ids => signal.id.clone(),
                Names::Labels => format!("{} {}", signal.label.replace([',', ';', '"'], " "), ix.0 + 1),
                Names::Numbers => format!("CH{}", ix.0 + 1),
            };
            let cell = if signal.kind.is_binary() {
                let high = signal.on_when == Level::High;
                let closed_high = dialect.closed_is.unwrap_or(high);
                let (on, off) = if closed_high { ("1", "0") } else { ("0", "1") };
                Cell::State { signal: ix, on: on.to_owned(), off: off.to_owned() }
            } else {
                let psi = dialect.psi && signal.kind == SignalKind::Pressure;
                let cell = Cell::Number { nth, channel: Channel::of(signal, profile), psi };
                nth += 1;
                cell
            };
            cells.push((name, cell));
        }
        if dialect.extra {
            cells.push(("row".to_owned(), Cell::Counter));
        }
        if let Some(seed) = dialect.shuffle {
            cells.shuffle(&mut Pcg64Mcg::seed_from_u64(seed));
        }
        let mut log = ColumnsLog {
            map: String::new(),
            cells,
            states: vec![false; profile.signals.len()],
            start: None,
            line: String::new(),
            bytes: Vec::new(),
            truth: Vec::new(),
            log: LogTruth::default(),
            dialect,
        };
        let header: Vec<&str> = log.cells.iter().map(|(name, _)| name.as_str()).collect();
        let header = header.join(&log.dialect.delimiter.to_string());
        log.map = log.column_map(profile, scenario.start);
        log.end_line(&header);
        log
    }

    /// The column map (TOML) that reads this log.
    pub fn map(&self) -> &str {
        &self.map
    }

    /// The bytes written so far, and forgets them.
    pub fn drain(&mut self) -> Vec<u8> {
        std::mem::take(&mut self.bytes)
    }

    /// The truth so far, and forgets it.
    pub fn drain_truth(&mut self) -> Vec<TruthLine> {
        std::mem::take(&mut self.truth)
    }

    /// Closes the log: the truth about the log itself.
    pub fn finish(&mut self) {
        self.truth.push(TruthLine::Log(Box::new(self.log.clone())));
    }

    fn end_line(&mut self, line: &str) {
        self.bytes.extend_from_slice(line.as_bytes());
        self.bytes.extend_from_slice(if self.dialect.crlf { b"\r\n" } else { b"\n" });
    }

    fn column_map(&self, profile: &Profile, start: Micros) -> String {
        let d = &self.dialect;
        let mut map = String::from("# Written with the log that it reads.\n");
        // Writing into a string cannot fail.
        let _ = writeln!(map, "delimiter = {:?}", d.delimiter.to_string());
        let _ = writeln!(map, "decimal = {:?}", if d.decimal_comma { "," } else { "." });
        let _ = writeln!(map, "\n[time]\ncolumn = {:?}", time_name(d));
        // The log sleeps between uses with rows far apart; that is no gap.
        let _ = writeln!(map, "gap_after_s = 130");
        match d.time {
            TimeStyle::Seconds => {
                let _ = writeln!(map, "unit = \"s\"\norigin = {:?}", rfc3339(start));
            }
            TimeStyle::Millis => {
                let _ = writeln!(map, "unit = \"ms\"\norigin = {:?}", rfc3339(start));
            }
            TimeStyle::UnixMicros => {
                let _ = writeln!(map, "unit = \"us\"\norigin = \"1970-01-01T00:00:00Z\"");
            }
            TimeStyle::Rfc3339 => map.push_str("format = \"rfc3339\"\n"),
        }
        let mut numbers = profile.signals().filter(|(_, s)| !s.kind.is_binary());
        let order: Vec<SignalIx> = numbers.by_ref().map(|(ix, _)| ix).collect();
        for (name, cell) in &self.cells {
            let signal = match cell {
                Cell::Number { nth, .. } => order[*nth],
                Cell::State { signal, .. } => *signal,
                Cell::Time | Cell::Counter => continue,
            };
            let signal = profile.signal(signal);
            let _ = writeln!(map, "\n[[signal]]\nid = {:?}\ncolumn = {name:?}", signal.id);
            match cell {
                Cell::Number { psi: true, .. } => map.push_str("unit = \"psi\"\n"),
                Cell::Number { channel, .. } if !channel.raw => {
                    let _ = writeln!(map, "unit = {:?}", signal.unit.symbol);
                }
                Cell::State { on, off, .. } => {
                    let _ = writeln!(map, "closed = {on}\nopen = {off}");
                }
                _ => {}
            }
        }
        map
    }

    fn row(&mut self, at: Micros, analog: &[f32]) {
        let start = *self.start.get_or_insert(at);
        let mut line = std::mem::take(&mut self.line);
        line.clear();
        for (n, (_, cell)) in self.cells.iter().enumerate() {
            if n > 0 {
                line.push(self.dialect.delimiter);
            }
            let from = line.len();
            // Writing into a string cannot fail.
            let _ = match cell {
                Cell::Time => match self.dialect.time {
                    TimeStyle::Seconds => write!(line, "{:.6}", (at - start).0),
                    TimeStyle::Millis => write!(line, "{:.3}", (at - start).0 * 1e3),
                    TimeStyle::UnixMicros => write!(line, "{}", at.0),
                    TimeStyle::Rfc3339 => write!(line, "{}", rfc3339(at)),
                },
                Cell::Counter => write!(line, "{}", self.log.frames),
                Cell::State { signal, on, off } => {
                    write!(line, "{}", if self.states[signal.at()] { on } else { off })
                }
                Cell::Number { nth, channel, psi } => {
                    let counts = channel.counts(analog.get(*nth).map_or(0.0, |v| f64::from(*v)));
                    match (psi, "psi".parse::<Unit>()) {
                        (true, Ok(psi)) => write!(line, "{:.2}", psi.from_working(channel.value(counts))),
                        _ => write!(line, "{:.*}", channel.decimals(), channel.number(counts)),
                    }
                }
            };
            let fraction = matches!(cell, Cell::Number { .. })
                || (matches!(cell, Cell::Time) && self.dialect.time != TimeStyle::Rfc3339);
            if self.dialect.decimal_comma && fraction {
                let cell = line[from..].replace('.', ",");
                line.replace_range(from.., &cell);
            }
        }
        self.log.frames += 1;
        self.end_line(&line);
        self.line = line;
    }
}

impl Recorder for ColumnsLog {
    fn event(&mut self, event: RigEvent<'_>) {
        match event {
            RigEvent::Row { at, analog } => self.row(at, analog),
            RigEvent::Edge { signal, on, .. } => {
                if let Some(state) = self.states.get_mut(signal.at()) {
                    *state = on;
                }
            }
            RigEvent::Mark { .. } => {}
            RigEvent::Gap { from, until, restart } => {
                self.log.restarts += u32::from(restart);
                self.log.gaps_us.push((from, until));
            }
        }
    }

    fn truth(&mut self, line: TruthLine) {
        self.truth.push(line);
    }
}

fn time_name(dialect: &Dialect) -> &'static str {
    match dialect.time {
        TimeStyle::Seconds => "time_s",
        TimeStyle::Millis => "t_ms",
        TimeStyle::UnixMicros => "unix_us",
        TimeStyle::Rfc3339 => "timestamp",
    }
}

/// A moment in UTC by RFC 3339, to the microsecond; empty beyond the calendar.
fn rfc3339(at: Micros) -> String {
    jiff::Timestamp::from_microsecond(at.0)
        .map(|t| t.strftime("%Y-%m-%dT%H:%M:%S%.6fZ").to_string())
        .unwrap_or_default()
}
