//! What lies in a bag of a data folder, read again as it was read there.

use std::path::PathBuf;
use std::sync::Arc;

use anyhow::{Context, Result};
use foldwatch_evidence::{AnyError, Chain, Material, Recording};
use foldwatch_profile::Profile;
use foldwatch_samples::{Item, Sink};
use foldwatch_store::{Position, Samples, Span, StoreError};
use foldwatch_units::Micros;
use serde::{Deserialize, Serialize};

use crate::watch::replay::{self, Frames, Mark, Rows};

/// How files of an archive and rows of a journal are read again: goes with them into the bag.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Reading {
    pub(super) from: Micros,
    pub(super) until: Micros,
    /// Behind the archive the journal is read on, from the mark.
    pub(super) journal: bool,
    pub(super) mark: Mark,
}

/// Samples as items: states and numbers that a batch has of the profile's signals.
pub(super) fn hand_over(profile: &Profile, batch: &Samples, sink: &mut dyn Sink) {
    // A signal that is no longer in the profile is left out; one that was not yet recorded is not known.
    let places: Vec<_> = batch.columns.iter().map(|column| profile.find(&column.name)).collect();
    let mut row = vec![f32::NAN; profile.signals.len()];
    for (n, at) in batch.times.iter().enumerate() {
        for (place, values) in places.iter().zip(&batch.values) {
            if let Some(place) = place {
                row[place.at()] = values[n];
            }
        }
        sink.item(Item::Row { at: *at, values: &row });
    }
}

/// What lies in a bag of a data folder, read again.
pub struct Again {
    files: Vec<PathBuf>,
    profile: Arc<Profile>,
    reading: Reading,
    journal: PathBuf,
}

impl Again {
    /// From what lies in the bag.
    ///
    /// # Errors
    /// Where it is not said how it is to be read.
    pub fn new(files: Vec<PathBuf>, profile: Arc<Profile>, reading: &str, journal: PathBuf) -> Result<Self> {
        let reading = serde_json::from_str(reading).context("how it is to be read is not understood")?;
        Ok(Again { files, profile, reading, journal })
    }

    fn frames(&self) -> Result<Frames<'static>> {
        let rows = foldwatch_evidence::journal_rows(&self.journal)?;
        Ok(Box::new(rows.filter_map(|row| match row {
            Ok((position, frame)) => {
                replay::decode(&frame.bytes).map(|(id, frame)| Ok((Position(position), id, frame)))
            }
            Err(error) => Some(Err(StoreError::invalid(error.to_string()))),
        })))
    }
}

impl Material for Again {
    fn count(&self) -> usize {
        1
    }

    fn read(&mut self, _: usize, sink: &mut dyn Sink) -> Result<Recording, AnyError> {
        let (profile, span) = (&self.profile, Span { from: self.reading.from, until: self.reading.until });
        for file in &self.files {
            for batch in foldwatch_store::archive_file(file, span)? {
                hand_over(profile, &batch?, sink);
            }
        }
        if self.reading.journal {
            let timeline = replay::timeline_of(self.frames()?, profile, &self.reading.mark)?;
            for batch in Rows::of(self.frames()?, profile, &self.reading.mark, timeline, span) {
                hand_over(profile, &batch?, sink);
            }
        }
        Ok(Recording { timeline: None, ..Recording::default() })
    }

    fn chain(&mut self) -> Chain<'_> {
        // Nothing is made of what was read from a bag.
        Chain::Logs(Vec::new())
    }
}
