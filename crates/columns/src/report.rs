//! What was read, and what was not.

use crate::number::Decimal;
use crate::record::Delimiter;
use foldwatch_profile::SignalIx;
use foldwatch_units::{Micros, Seconds};
use std::fmt;

/// What a log gave. Lines count from 1, bytes from 0.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Report {
    /// Rows handed on.
    pub rows: u64,
    /// Lines of the log.
    pub lines: u64,
    /// Bytes of the log.
    pub bytes: u64,
    /// What was left out or could not be read, by kind (and column), in order of the first instance.
    pub skipped: Vec<Skip>,
    /// Columns that hold no signal of the profile.
    pub extra_columns: Vec<String>,
    /// Signals of the profile that the log does not carry.
    pub unmapped_signals: Vec<SignalIx>,
    /// First and last row.
    pub time_range: Option<(Micros, Micros)>,
    /// Median distance of the first 256 rows.
    pub period: Option<Seconds>,
    /// The times are dates, not only a count from the log's own zero.
    pub dated: bool,
    /// What was recognised without being told, one sentence each.
    pub assumed: Vec<String>,
    /// What stands between cells.
    pub delimiter: Option<Delimiter>,
    /// The line that names the columns.
    pub header_line: Option<u64>,
}

impl Report {
    /// Rows that were there and could not be handed on.
    pub fn lost_rows(&self) -> u64 {
        self.lost().map(|skip| skip.count).sum()
    }

    /// Why most of the lost rows were lost.
    pub fn worst_loss(&self) -> Option<&Skip> {
        self.lost().max_by_key(|skip| skip.count)
    }

    fn lost(&self) -> impl Iterator<Item = &Skip> {
        self.skipped.iter().filter(|skip| skip.kind.is_loss() && skip.column.is_none())
    }

    /// How often something of this kind was met.
    pub fn count(&self, kind: SkipKind) -> u64 {
        self.skipped.iter().filter(|skip| skip.kind == kind).map(|skip| skip.count).sum()
    }
}

/// Things of one kind that were left out or could not be read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Skip {
    /// What.
    pub kind: SkipKind,
    /// In which column, for cells.
    pub column: Option<String>,
    /// How many.
    pub count: u64,
    /// Line of the first one.
    pub first_line: u64,
    /// Byte at which that line begins.
    pub first_byte: u64,
    /// The beginning of the first one, as it stands there.
    pub example: String,
}

impl fmt::Display for Skip {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Skip { kind, column, count, first_line, first_byte, example } = self;
        write!(f, "{count} ")?;
        if let Some(column) = column {
            write!(f, "{} of column `{column}` ", if *count == 1 { "cell" } else { "cells" })?;
        }
        write!(f, "{}: first on line {first_line} (byte {first_byte})", kind.text(*count != 1))?;
        if !example.is_empty() {
            write!(f, ": `{example}`")?;
        }
        match kind.remedy() {
            "" => Ok(()),
            remedy => write!(f, ". {remedy}"),
        }
    }
}

/// Why something was left out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
#[repr(u8)]
pub enum SkipKind {
    /// A line before the header, or before the first row.
    Preamble,
    /// A comment.
    Comment,
    /// A line without anything on it.
    Blank,
    /// The header once more.
    Header,
    /// A row whose time can't be read.
    BadTime,
    /// A row that ends before a column that is needed.
    ShortRow,
    /// A row with more cells than the others: two lines that ran together.
    LongRow,
    /// A line longer than 64 KiB.
    LongLine,
    /// A quoted cell that is never closed.
    OpenQuote,
    /// A row earlier than one before it.
    TimeBack,
    /// A row with the time of the row before.
    SameTime,
    /// The logger's clock began anew.
    Restart,
    /// The logger's counter ran over.
    Wrap,
    /// A cell without anything in it, or that says that there is no number.
    Empty,
    /// A cell that can't be read.
    BadCell,
    /// A cell that says infinite.
    Infinite,
}

impl SkipKind {
    pub(crate) const LINES: usize = SkipKind::Empty as usize;
    pub(crate) const CELLS: usize = 3;

    /// Whether something of the recording was lost.
    pub fn is_loss(self) -> bool {
        use SkipKind::{BadCell, BadTime, Infinite, LongLine, LongRow, OpenQuote, ShortRow, TimeBack};
        matches!(
            self,
            BadTime
                | ShortRow
                | LongRow
                | LongLine
                | OpenQuote
                | TimeBack
                | SkipKind::SameTime
                | BadCell
                | Infinite
        )
    }

    /// Short name for files.
    pub fn as_str(self) -> &'static str {
        match self {
            SkipKind::Preamble => "preamble",
            SkipKind::Comment => "comment",
            SkipKind::Blank => "blank",
            SkipKind::Header => "header-again",
            SkipKind::BadTime => "bad-time",
            SkipKind::ShortRow => "short-row",
            SkipKind::LongRow => "long-row",
            SkipKind::LongLine => "long-line",
            SkipKind::OpenQuote => "open-quote",
            SkipKind::TimeBack => "time-back",
            SkipKind::SameTime => "same-time",
            SkipKind::Restart => "clock-restart",
            SkipKind::Wrap => "counter-wrap",
            SkipKind::Empty => "empty-cell",
            SkipKind::BadCell => "bad-cell",
            SkipKind::Infinite => "infinite-cell",
        }
    }

    fn text(self, many: bool) -> &'static str {
        match (self, many) {
            (SkipKind::Preamble, false) => "line before the table skipped",
            (SkipKind::Preamble, true) => "lines before the table skipped",
            (SkipKind::Comment, false) => "comment skipped",
            (SkipKind::Comment, true) => "comments skipped",
            (SkipKind::Blank, false) => "empty line skipped",
            (SkipKind::Blank, true) => "empty lines skipped",
            (SkipKind::Header, false) => "repetition of the header skipped",
            (SkipKind::Header, true) => "repetitions of the header skipped",
            (SkipKind::BadTime, false) => "row without a readable time skipped",
            (SkipKind::BadTime, true) => "rows without a readable time skipped",
            (SkipKind::ShortRow, false) => "row with too few cells skipped",
            (SkipKind::ShortRow, true) => "rows with too few cells skipped",
            (SkipKind::LongRow, false) => "row with too many cells skipped",
            (SkipKind::LongRow, true) => "rows with too many cells skipped",
            (SkipKind::LongLine, false) => "line longer than 64 KiB skipped",
            (SkipKind::LongLine, true) => "lines longer than 64 KiB skipped",
            (SkipKind::OpenQuote, false) => "line with a quote that is never closed skipped",
            (SkipKind::OpenQuote, true) => "lines with a quote that is never closed skipped",
            (SkipKind::TimeBack, false) => "row earlier than a row before it skipped",
            (SkipKind::TimeBack, true) => "rows earlier than a row before them skipped",
            (SkipKind::SameTime, false) => "row with the time of the row before skipped",
            (SkipKind::SameTime, true) => "rows with the time of the row before skipped",
            (SkipKind::Restart, false) => "restart of the logger's clock",
            (SkipKind::Restart, true) => "restarts of the logger's clock",
            (SkipKind::Wrap, false) => "overrun of the logger's counter unwrapped",
            (SkipKind::Wrap, true) => "overruns of the logger's counter unwrapped",
            (SkipKind::Empty, false) => "says nothing",
            (SkipKind::Empty, true) => "say nothing",
            (SkipKind::BadCell, _) => "can't be read",
            (SkipKind::Infinite, false) => "is infinite",
            (SkipKind::Infinite, true) => "are infinite",
        }
    }

    fn remedy(self) -> &'static str {
        match self {
            SkipKind::BadTime => {
                "If all rows look so, name the form of the time under [time] in the column map."
            }
            SkipKind::ShortRow | SkipKind::LongRow => {
                "If all rows look so, name the delimiter and the decimal mark in the column map."
            }
            SkipKind::TimeBack => {
                "If the logger's clock began anew there, say when_back = \"restart\" under [time] in the column map."
            }
            SkipKind::SameTime => "The logger's stamps may be coarser than its rows.",
            SkipKind::BadCell => {
                "For a switch, say under [[signal]] in the column map which value is closed."
            }
            SkipKind::Restart => "How long the logger stood still is not known.",
            _ => "",
        }
    }
}

/// Why a log could not be read.
#[derive(Debug, thiserror::Error)]
pub enum ColumnsError {
    /// The source of the bytes failed.
    #[error(
        "the log breaks off at byte {byte} (after line {line}): it is damaged or cut off, and was not judged"
    )]
    Read {
        /// How far it went.
        byte: u64,
        /// Lines before that.
        line: u64,
        /// What the source said.
        #[source]
        source: std::io::Error,
    },
    /// No byte at all.
    #[error("the log is empty")]
    Empty,
    /// Not plain text.
    #[error("the log is {0}, not plain text; save it as UTF-8 text")]
    NotText(&'static str),
    /// The header does not fit to the map or the profile.
    #[error("line {line} (byte {byte}): {problem}")]
    Header {
        /// Line of what comes nearest to a header.
        line: u64,
        /// Where that line begins.
        byte: u64,
        /// What is wrong and what to do.
        problem: String,
    },
    /// Not one row.
    #[error("the log holds no row: {0}")]
    NoRows(String),
}

/// For messages: the mark by name.
pub(crate) fn decimal_name(decimal: Decimal) -> &'static str {
    match decimal {
        Decimal::Point => "point",
        Decimal::Comma => "comma",
        Decimal::Either => "point or comma",
    }
}
