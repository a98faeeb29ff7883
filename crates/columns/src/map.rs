//! The column map: where in another logger's lines the time and the signals stand.

use crate::number::Decimal;
use crate::record::Delimiter;
use crate::time::TimeUnit;
use foldwatch_profile::SignalIx;
use foldwatch_units::{Micros, Seconds, Unit};

/// Where in a logger's lines the time and the signals of one profile stand.
///
/// What is left open is recognised from the log itself; what was recognised is told in the
/// [`Report`](crate::Report). The default leaves everything open: a plain table whose header has the profile's
/// signal ids or labels, and a time column, needs no map.
#[derive(Debug, Clone, Default)]
pub struct ColumnMap {
    /// Between the cells.
    pub delimiter: Option<Delimiter>,
    /// Before a fraction.
    pub decimal: Option<Decimal>,
    /// Whether a line names the columns.
    pub header: Option<bool>,
    /// Lines before anything of interest.
    pub skip_lines: u64,
    /// Lines that begin with this byte are comments; `#` where nothing is said.
    pub comment: Option<u8>,
    /// The time column; recognised by its name where none is given.
    pub time: Option<TimeColumn>,
    /// What to do with a row that is earlier than the row before.
    pub when_back: WhenBack,
    /// Rows farther apart than this are a gap in the recording.
    pub gap_after: GapAfter,
    /// The signals; recognised by their names where there is none.
    pub signals: Vec<SignalColumn>,
}

/// A column, as the map names it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Column {
    /// By the name in the header.
    Name(String),
    /// By its place, from 1.
    Number(usize),
}

impl std::fmt::Display for Column {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Column::Name(name) => write!(f, "`{name}`"),
            Column::Number(number) => write!(f, "{number}"),
        }
    }
}

/// The time column.
#[derive(Debug, Clone, Default)]
pub struct TimeColumn {
    /// Where it is; recognised by its name where nothing is said.
    pub column: Option<Column>,
    /// How its cells are written; recognised from the first row where nothing is said.
    pub form: Option<TimeForm>,
    /// A column that holds the date alone.
    pub date: Option<(Column, Option<TimeForm>)>,
    /// Where times without a date count from.
    pub origin: Option<Micros>,
    /// The zone of stamps that name none; UTC where nothing is said.
    pub zone: Option<jiff::tz::TimeZone>,
}

/// How time cells are written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum TimeForm {
    /// Plain numbers in this unit.
    Unit(TimeUnit),
    /// As in RFC 3339.
    Rfc3339,
    /// By a pattern of `%` directives.
    Pattern(String),
}

/// Where one signal comes from.
#[derive(Debug, Clone)]
pub struct SignalColumn {
    /// Its place in the profile.
    pub signal: SignalIx,
    /// Where it is.
    pub column: Column,
    /// The cell times this, plus [`offset`](Self::offset), is the number in [`unit`](Self::unit).
    pub scale: f64,
    /// See [`scale`](Self::scale), in the same unit.
    pub offset: f64,
    /// The unit of the scaled number. `None`: the one that the header states, or else the raw number that the
    /// profile's calibration is for.
    pub unit: Option<Unit>,
    /// `Some(true)`: the scaled number is in the working unit. `Some(false)`: it is raw whatever the header states.
    pub calibrated: Option<bool>,
    /// For a switch: when it is on.
    pub on: Option<OnRule>,
}

/// When a cell says that a switch is closed, a valve energised, a pump running, a demand given.
#[derive(Debug, Clone, PartialEq)]
pub enum OnRule {
    /// When it is one of these; off otherwise, or only if it is one of the second.
    Values(Vec<String>, Option<Vec<String>>),
    /// When the number is larger.
    Above(f64),
    /// When the number is smaller.
    Below(f64),
}

/// What to do with a row that is earlier than the row before.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum WhenBack {
    /// Leave it out: a block of rows was written twice.
    #[default]
    Drop,
    /// The logger's clock began anew: go on from the row before, with a gap of unknown length between them.
    Restart,
}

/// When a silence is a gap.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum GapAfter {
    /// Ten times the usual distance of two rows, at least half a second; never where rows come only on a change.
    #[default]
    Auto,
    /// This long.
    Span(Seconds),
    /// The logger writes rows only when something changes.
    Never,
}
