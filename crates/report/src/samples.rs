//! Raw samples as CSV: one row a moment, one column a signal, units in the header.

use std::io::Write;

use foldwatch_profile::Profile;
use foldwatch_samples::{Item, Sink};
use foldwatch_units::Micros;

use crate::time::{Utc, rfc3339};

/// Writes items as they come. A signal that a moment says nothing of has an empty cell. States are words: 0 and 1 would be
/// taken for levels of the line when the table is read again, and a switch may be made while its line is low.
///
/// Rows that repeat the row before are written out: the file is the recording, not a digest of it.
pub struct Writer<'a, W: Write> {
    csv: csv::Writer<W>,
    utc: Utc<'a>,
    row: Vec<f32>,
    /// The newest row, which edges of the same moment go into: a moment that is written twice is skipped by readers.
    held: Option<Held>,
    binary: Vec<bool>,
    failed: Option<csv::Error>,
}

/// A row that may still get more.
struct Held {
    at: Micros,
    values: Vec<f32>,
    /// It holds nothing but edges so far.
    edges: bool,
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
            held: None,
            binary: profile.signals.iter().map(|s| s.kind.is_binary()).collect(),
            failed: None,
        })
    }

    /// Flushes.
    ///
    /// # Errors
    /// The first error there was.
    pub fn finish(mut self) -> csv::Result<W> {
        self.write_held();
        if let Some(error) = self.failed.take() {
            return Err(error);
        }
        self.csv.flush()?;
        self.csv.into_inner().map_err(|e| csv::Error::from(e.into_error()))
    }

    /// Writes one row that is there already: one number a signal of the profile, NaN where it says nothing.
    pub fn row(&mut self, at: Micros, values: &[f32]) {
        self.take(at, |n| values.get(n).copied().unwrap_or(f32::NAN));
    }

    fn take(&mut self, at: Micros, value: impl Fn(usize) -> f32) {
        // An archive hands an edge back as a row that tells of nothing but switches.
        let is_edge = self.binary.iter().enumerate().all(|(n, binary)| *binary || value(n).is_nan());
        match &mut self.held {
            Some(held) if held.at == at && (is_edge || held.edges) => {
                for (n, kept) in held.values.iter_mut().enumerate() {
                    let value = value(n);
                    if !value.is_nan() {
                        *kept = value;
                    }
                }
                held.edges &= is_edge;
            }
            _ => {
                let mut values = self.write_held().unwrap_or_default();
                values.clear();
                values.extend((0..self.binary.len()).map(value));
                self.held = Some(Held { at, values, edges: is_edge });
            }
        }
    }

    /// Writes the row that is held, and gives back its room.
    fn write_held(&mut self) -> Option<Vec<f32>> {
        let Held { at, values, .. } = self.held.take()?;
        if self.failed.is_none() {
            let cell = |(value, binary): (&f32, &bool)| match (value.is_nan(), binary) {
                (true, _) => String::new(),
                (false, true) => (if *value >= 0.5 { "on" } else { "off" }).to_owned(),
                (false, false) => value.to_string(),
            };
            let cells =
                std::iter::once(rfc3339((self.utc)(at))).chain(values.iter().zip(&self.binary).map(cell));
            if let Err(error) = self.csv.write_record(cells) {
                self.failed = Some(error);
            }
        }
        Some(values)
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
                self.take(at, |n| values[n]);
            }
            Item::Same { at } => {
                let row = std::mem::take(&mut self.row);
                self.take(at, |n| row[n]);
                self.row = row;
            }
            Item::Edge { at, signal, on } => {
                let place = signal.at();
                self.take(at, |n| if n == place { f32::from(u8::from(on)) } else { f32::NAN });
            }
            Item::Mark { .. } | Item::Gap { .. } => {}
        }
    }
}
