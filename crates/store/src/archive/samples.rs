//! Samples as columns: what goes into the archive and comes out of it.

use std::fmt;
use std::str::FromStr;
use std::sync::Arc;

use foldwatch_units::Micros;
use jiff::civil::Date;

use crate::{Span, StoreError};

const MICROS_A_DAY: i64 = 86_400_000_000;

/// A day in UTC. A log that knows no date counts its days from 1970-01-01.
///
/// ```
/// use foldwatch_store::Day;
/// use foldwatch_units::Micros;
/// let day = Day::of(Micros(1_764_079_200_000_000)).unwrap();
/// assert_eq!(day.to_string(), "2025-11-25");
/// assert!(day.span().contains(Micros(1_764_079_200_000_000)));
/// assert_eq!("2025-11-25".parse::<Day>().unwrap(), day);
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Day(Date);

impl Day {
    /// The day of a moment; `None` beyond the years that a calendar date can name (-9999 to 9999).
    pub fn of(at: Micros) -> Option<Self> {
        let days = i32::try_from(at.0.div_euclid(MICROS_A_DAY)).ok()?;
        Date::new(1970, 1, 1).ok()?.checked_add(jiff::Span::new().try_days(days).ok()?).ok().map(Day)
    }

    /// From its first moment to the first of the next day.
    pub fn span(self) -> Span {
        let epoch = Date::constant(1970, 1, 1);
        let days = epoch.duration_until(self.0).as_hours() / 24;
        Span { from: Micros(days * MICROS_A_DAY), until: Micros((days + 1) * MICROS_A_DAY) }
    }
}

impl fmt::Display for Day {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl FromStr for Day {
    type Err = StoreError;
    fn from_str(text: &str) -> Result<Self, StoreError> {
        let date = text.parse().map_err(|_| {
            StoreError::invalid(format!("`{}` is no day; write it as 2025-11-25", text.escape_debug()))
        });
        date.map(Day)
    }
}

/// A signal's column.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SampleColumn {
    /// The signal's id.
    pub name: String,
    /// The unit of its numbers; empty for a state.
    pub unit: String,
    /// On or off, instead of a number.
    pub binary: bool,
}

/// The frame that a row came in.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Source {
    /// Which logger.
    pub logger: Arc<str>,
    /// Which start of it.
    pub boot: u64,
    /// Which frame.
    pub sequence: u64,
}

/// Rows in order of time.
#[derive(Debug, Clone, PartialEq)]
pub struct Samples {
    /// What stands in `values`.
    pub columns: Arc<[SampleColumn]>,
    /// When, one a row.
    pub times: Vec<Micros>,
    /// From where, one a row.
    pub sources: Vec<Source>,
    /// One list a column, one number a row: in the column's unit, or 1 for on and 0 for off. NaN: the row says
    /// nothing about the signal.
    pub values: Vec<Vec<f32>>,
}

impl Samples {
    /// No rows yet.
    pub fn new(columns: Arc<[SampleColumn]>) -> Self {
        let values = vec![Vec::new(); columns.len()];
        Samples { columns, times: Vec::new(), sources: Vec::new(), values }
    }

    /// How many rows.
    pub fn len(&self) -> usize {
        self.times.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.times.is_empty()
    }

    /// Only the rows within a span.
    pub(crate) fn within(&self, span: Span) -> Samples {
        let first = self.times.partition_point(|at| *at < span.from);
        let last = self.times.partition_point(|at| *at < span.until).max(first);
        Samples {
            columns: self.columns.clone(),
            times: self.times[first..last].to_vec(),
            sources: self.sources[first..last].to_vec(),
            values: self.values.iter().map(|column| column[first..last].to_vec()).collect(),
        }
    }

    /// Whether this batch can follow one that ended at `last` in the archive file of `day`.
    pub(crate) fn check(
        &self,
        columns: &[SampleColumn],
        day: Day,
        last: Option<Micros>,
    ) -> Result<(), StoreError> {
        let rows = self.times.len();
        if *self.columns != *columns
            || self.values.len() != columns.len()
            || self.sources.len() != rows
            || self.values.iter().any(|column| column.len() != rows)
        {
            return Err(StoreError::invalid(
                "samples for the archive: columns differ in length, or are not the ones announced",
            ));
        }
        let mut last = last.unwrap_or(Micros::MIN);
        let span = day.span();
        for (at, source) in self.times.iter().zip(&self.sources) {
            if *at < last {
                return Err(StoreError::invalid(format!(
                    "samples for the archive: {} us stands after {} us; seal each stretch that is in order of time \
                     by itself",
                    at.0, last.0
                )));
            }
            if !span.contains(*at) {
                return Err(StoreError::invalid(format!(
                    "samples for the archive: {} us is not within {day}; seal each day by itself",
                    at.0
                )));
            }
            crate::check::counted("boot", source.boot)?;
            crate::check::counted("sequence", source.sequence)?;
            last = *at;
        }
        Ok(())
    }
}

/// A value as it comes back: a state is 0 or 1, and -0 is 0.
pub(crate) fn kept(column: &SampleColumn, value: f32) -> f32 {
    if value.is_nan() {
        f32::NAN
    } else if column.binary {
        f32::from(u8::from(value != 0.0))
    } else {
        value + 0.0
    }
}

/// Names that stand beside the signals in an archive file.
pub(crate) const TIME: &str = "time";
pub(crate) const LOGGER: &str = "source.logger";
pub(crate) const BOOT: &str = "source.boot";
pub(crate) const SEQUENCE: &str = "source.sequence";

pub(crate) fn check_columns(columns: &[SampleColumn]) -> Result<(), StoreError> {
    let mut seen = std::collections::BTreeSet::from([TIME, LOGGER, BOOT, SEQUENCE]);
    match columns.iter().find(|column| column.name.is_empty() || !seen.insert(&column.name)) {
        None => Ok(()),
        Some(column) => Err(StoreError::invalid(format!(
            "samples for the archive: a signal can't be called `{}`: the name is taken, or empty; rename it in the \
             profile",
            column.name.escape_debug()
        ))),
    }
}

/// What the archive holds of one day of a car.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ArchivedDay {
    /// Which car.
    pub car: String,
    /// Which day.
    pub day: Day,
    /// The file, below the archive's folder.
    pub file: String,
    /// Rows in it.
    pub rows: u64,
    /// Size of the file.
    pub bytes: u64,
    /// SHA-256 of the file.
    pub sha256: [u8; 32],
    /// When it was sealed.
    pub sealed: Micros,
    /// The journal rows of the car up to here had left by then.
    pub through: crate::Position,
}

/// What is to be sealed.
#[derive(Debug, Clone, PartialEq)]
pub struct Seal {
    /// Which car.
    pub car: String,
    /// Which day.
    pub day: Day,
    /// The signals. A day that is sealed again may bring others.
    pub columns: Arc<[SampleColumn]>,
    /// Every frame of the car up to this journal position has all its samples in the archive, once this day is
    /// sealed; their rows leave the journal. Where the car has a checkpoint, none beyond it leaves.
    pub through: crate::Position,
    /// Now.
    pub at: Micros,
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn days_beyond_the_calendar_are_none() {
        assert_eq!(Day::of(Micros(i64::MAX)), None);
        assert_eq!(Day::of(Micros(i64::MIN)), None);
        assert_eq!(Day::of(Micros(-1)).unwrap().to_string(), "1969-12-31");
    }

    proptest! {
        #[test]
        fn a_moment_is_within_its_day(at in -3_000_000_000_000_000i64..9_000_000_000_000_000) {
            let day = Day::of(Micros(at)).unwrap();
            prop_assert!(day.span().contains(Micros(at)));
            prop_assert_eq!(day.to_string().parse::<Day>().unwrap(), day);
        }
    }
}
