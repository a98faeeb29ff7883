//! Samples out of a file of the archive.

use std::path::Path;
use std::sync::Arc;

use super::super::samples::{BOOT, LOGGER, SEQUENCE, SampleColumn, Samples, Source, TIME};
use super::log::{LogKind, LogValues, ParquetBatches, ParquetLog};
use super::{UNIT_KEY, broken};
use crate::{Span, StoreError};

/// Reads back a file that [`write`](super::write) wrote: only the rows of a span, batch by batch.
pub(crate) fn read(path: &Path, span: Span) -> Result<ArchiveBatches, StoreError> {
    let log = ParquetLog::open(path)?;
    let columns: Arc<[SampleColumn]> = log
        .columns()
        .iter()
        .filter(|column| ![TIME, LOGGER, BOOT, SEQUENCE].contains(&&*column.name))
        .map(|column| SampleColumn {
            name: column.name.clone(),
            unit: log.note(&format!("{UNIT_KEY}{}", column.name)).unwrap_or_default().to_owned(),
            binary: column.kind == LogKind::States,
        })
        .collect();
    let mut names = vec![TIME, LOGGER, BOOT, SEQUENCE];
    names.extend(columns.iter().map(|column| &*column.name));
    Ok(ArchiveBatches { batches: log.batches(&names)?, columns, span })
}

/// The rows of an archive file that lie in a span.
pub(crate) struct ArchiveBatches {
    batches: ParquetBatches,
    pub(crate) columns: Arc<[SampleColumn]>,
    span: Span,
}

impl Iterator for ArchiveBatches {
    type Item = Result<Samples, StoreError>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            let batch = match self.batches.next()? {
                Ok(batch) => samples(&self.columns, batch)
                    .ok_or_else(|| broken(self.batches.path(), "not as the archive writes it")),
                Err(error) => Err(error),
            };
            match batch.map(|batch| batch.within(self.span)) {
                Ok(batch) if batch.is_empty() => {}
                batch => return Some(batch),
            }
        }
    }
}

/// `None` where the columns are not those of an archive file.
fn samples(columns: &Arc<[SampleColumn]>, batch: Vec<LogValues>) -> Option<Samples> {
    let mut batch = batch.into_iter();
    let (time, logger, boot, sequence) = (batch.next()?, batch.next()?, batch.next()?, batch.next()?);
    let (LogValues::Moments(times), LogValues::Texts(loggers)) = (time, logger) else { return None };
    let (LogValues::Integers(boots), LogValues::Integers(sequences)) = (boot, sequence) else { return None };
    let mut last: Arc<str> = "".into();
    let sources = loggers.into_iter().zip(boots).zip(sequences).map(|((logger, boot), sequence)| {
        let logger = logger?;
        if *last != *logger {
            last = logger.into();
        }
        Some(Source { logger: last.clone(), boot: boot? as u64, sequence: sequence? as u64 })
    });
    let values = batch.map(|values| match values {
        LogValues::Numbers(values) => Some(values.into_iter().map(|value| value as f32).collect()),
        LogValues::States(values) => {
            let number = |state: bool| f32::from(u8::from(state));
            Some(values.into_iter().map(|state| state.map_or(f32::NAN, number)).collect())
        }
        _ => None,
    });
    Some(Samples {
        columns: columns.clone(),
        times: times.into_iter().collect::<Option<_>>()?,
        sources: sources.collect::<Option<_>>()?,
        values: values.collect::<Option<_>>()?,
    })
}
