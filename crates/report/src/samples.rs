//! Raw samples as CSV: one row a moment, one column a signal, units in the header.

use std::io::Write;

use foldwatch_profile::Profile;
use foldwatch_samples::{Item, Sink};
use foldwatch_units::Micros;

use crate::time::{Utc, rfc3339};

/// Writes items as they come. A signal that a moment says nothing of has an empty cell.
///
/// Rows that repeat the row before are written out: the file is the recording, not a digest of it.
pub struct Writer<'a, W: Write> {
    csv: csv::Writer<W>,
    utc: Utc<'a>,
    row: Vec<f32>,
    binary: Vec<bool>,
    failed: Option<csv::Error>,
}

impl<'a, W: Write> Writer<'a, W> {
    /// Writes the header, where one is wanted: `time_utc`, then every signal of the profile as `id_unit`.
    ///
    /// # Errors
    /// What the writer beneath says.
    pub fn new(profile: &Profile, utc: Utc<'a>, to: W, with_header: bool) -> csv::Result<Self> {
        let mut csv = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(to);
        if with_header {
            csv.write_record(header(profile))?;
        }
        Ok(Writer {
            csv,
            utc,
            row: vec![f32::NAN; profile.signals.len()],
            binary: profile.signals.iter().map(|s| s.kind.is_binary()).collect(),
            failed: None,
        })
    }

    /// Flushes.
    ///
    /// # Errors
    /// The first error there was.
    pub fn finish(mut self) -> csv::Result<W> {
        if let Some(error) = self.failed.take() {
            return Err(error);
        }
        self.csv.flush()?;
        self.csv.into_inner().map_err(|e| csv::Error::from(e.into_error()))
    }

    /// Writes one row that is there already: one number a signal of the profile, NaN where it says nothing.
    pub fn row(&mut self, at: Micros, values: &[f32]) {
        self.write(at, |n| values.get(n).copied().unwrap_or(f32::NAN));
    }

    fn write(&mut self, at: Micros, value: impl Fn(usize) -> f32) {
        if self.failed.is_some() {
            return;
        }
        let cell = |n: usize| {
            let value = value(n);
            match (value.is_nan(), self.binary[n]) {
                (true, _) => String::new(),
                (false, true) => (if value >= 0.5 { "1" } else { "0" }).to_owned(),
                (false, false) => value.to_string(),
            }
        };
        let cells = std::iter::once(rfc3339((self.utc)(at))).chain((0..self.binary.len()).map(cell));
        if let Err(error) = self.csv.write_record(cells) {
            self.failed = Some(error);
        }
    }
}

/// The columns, with units.
pub fn header(profile: &Profile) -> Vec<String> {
    let column = |s: &foldwatch_profile::Signal| match s.unit.symbol {
        "" => s.id.clone(),
        "°C" => format!("{}_degC", s.id),
        unit => format!("{}_{unit}", s.id),
    };
    std::iter::once("time_utc".to_owned()).chain(profile.signals.iter().map(column)).collect()
}

impl<W: Write> Sink for Writer<'_, W> {
    fn item(&mut self, item: Item<'_>) {
        match item {
            Item::Row { at, values } => {
                self.row.copy_from_slice(values);
                self.write(at, |n| values[n]);
            }
            Item::Same { at } => {
                let row = std::mem::take(&mut self.row);
                self.write(at, |n| row[n]);
                self.row = row;
            }
            Item::Edge { at, signal, on } => {
                let place = signal.at();
                self.write(at, |n| if n == place { f32::from(u8::from(on)) } else { f32::NAN });
            }
            Item::Mark { .. } | Item::Gap { .. } => {}
        }
    }
}
