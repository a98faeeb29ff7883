//! Samples to a file.

use std::cell::Cell;
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;
use std::rc::Rc;

use polars::prelude::{
    ArrowDataType, ArrowSchema, Column, CompatLevel, DataFrame, DataType, IntoColumn, NamedFrom, PolarsError,
    PolarsResult, SchemaExt, Series, TimeUnit,
};
use polars_parquet::write::{
    CompressionOptions, Compressor, DynIter, DynStreamingIterator, Encoding, FallibleStreamingIterator,
    FileWriter, KeyValue, StatisticsOptions, Version, WriteOptions, ZstdLevel, array_to_columns,
    schema_to_metadata_key,
};

use super::super::samples::{BOOT, LOGGER, SEQUENCE, SampleColumn, Samples, Source, TIME};
use super::{UNIT_KEY, guarded};
use crate::StoreError;

/// zstd level: from 3 to 9 costs tenths of a second a day of samples and saves a tenth of the room.
const LEVEL: i32 = 9;

/// Writes a file of samples, a row group for each batch, and syncs it.
pub(crate) fn write(
    path: &Path,
    columns: &[SampleColumn],
    batches: impl Iterator<Item = Result<Samples, StoreError>>,
) -> Result<u64, StoreError> {
    let file = File::create(path).map_err(StoreError::io(path, "create the archive file"))?;
    let mut rows = 0;
    let empty = guarded(path, || frame(&Samples::new(columns.into())))?;
    let schema: ArrowSchema = empty.schema().to_arrow(CompatLevel::newest());
    let options = WriteOptions {
        statistics: StatisticsOptions::default(),
        version: Version::V1,
        compression: CompressionOptions::Zstd(ZstdLevel::try_new(LEVEL).ok()),
        data_page_size: None,
    };
    let refused = Refused::default();
    // The library passes a full disk on as a sentence; the caller has to know it as what it is.
    let why = |error| match refused.take() {
        Some(system) => StoreError::io(path, "write the archive file")(system),
        None => error,
    };
    let sink = Sink { file: BufWriter::new(file), refused: refused.clone() };
    let mut writer = guarded(path, || FileWriter::try_new(sink, schema.clone(), options)).map_err(why)?;
    for batch in batches {
        let batch = batch?;
        rows += batch.len() as u64;
        guarded(path, || row_group(&mut writer, &batch, options)).map_err(why)?;
    }
    let mut notes = vec![schema_to_metadata_key(&schema)];
    notes.extend(columns.iter().map(|column| KeyValue {
        key: format!("{UNIT_KEY}{}", column.name),
        value: Some(column.unit.clone()),
    }));
    guarded(path, || writer.end(Some(notes))).map_err(why)?;
    let mut sink = writer.into_inner();
    let synced = sink.flush().and_then(|()| sink.file.get_ref().sync_all());
    synced.map_err(StoreError::io(path, "sync the archive file"))?;
    Ok(rows)
}

/// What the system said when it refused to write.
type Refused = Rc<Cell<Option<std::io::Error>>>;

/// The file, with an ear for the system's refusals.
struct Sink {
    file: BufWriter<File>,
    refused: Refused,
}

impl Sink {
    fn heard<T>(&self, done: std::io::Result<T>) -> std::io::Result<T> {
        done.map_err(|error| {
            let copy = std::io::Error::new(error.kind(), error.to_string());
            self.refused.set(Some(error));
            copy
        })
    }
}

impl Write for Sink {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        let done = self.file.write(bytes);
        self.heard(done)
    }

    fn flush(&mut self) -> std::io::Result<()> {
        let done = self.file.flush();
        self.heard(done)
    }
}

fn row_group(writer: &mut FileWriter<Sink>, batch: &Samples, options: WriteOptions) -> PolarsResult<()> {
    let frame = frame(batch)?;
    let fields = writer.parquet_schema().fields().to_vec();
    let mut columns = Vec::new();
    for chunk in frame.iter_chunks(CompatLevel::newest(), false) {
        for (array, field) in chunk.arrays().iter().zip(&fields) {
            let pages = array_to_columns(array, field.clone(), options, &[encoding(array.dtype())])?;
            columns.extend(pages.into_iter().map(|pages| {
                let pages = pages.map(|page| page.map_err(Into::into));
                Ok(DynStreamingIterator::new(
                    Compressor::new_from_vec(pages, options.compression, Vec::new())
                        .map_err(PolarsError::from),
                ))
            }));
        }
    }
    writer.write(batch.len() as u64, DynIter::new(columns.into_iter()))
}

/// Times and counts go up by steady steps, states stay for long, numbers take few values or none twice.
fn encoding(dtype: &ArrowDataType) -> Encoding {
    match dtype {
        ArrowDataType::Int64 | ArrowDataType::Timestamp(..) => Encoding::DeltaBinaryPacked,
        ArrowDataType::Boolean => Encoding::Rle,
        _ => Encoding::RleDictionary,
    }
}

/// As a table, with nulls for NaN.
fn frame(samples: &Samples) -> PolarsResult<DataFrame> {
    let sources = &samples.sources;
    let times: Vec<i64> = samples.times.iter().map(|at| at.0).collect();
    let of_sources =
        |number: fn(&Source) -> u64| sources.iter().map(|s| number(s) as i64).collect::<Vec<_>>();
    let mut columns: Vec<Column> = vec![
        Series::new(TIME.into(), times)
            .cast(&DataType::Datetime(TimeUnit::Microseconds, None))?
            .into_column(),
        Series::new(LOGGER.into(), sources.iter().map(|s| &*s.logger).collect::<Vec<&str>>()).into_column(),
        Series::new(BOOT.into(), of_sources(|s| s.boot)).into_column(),
        Series::new(SEQUENCE.into(), of_sources(|s| s.sequence)).into_column(),
    ];
    for (column, values) in samples.columns.iter().zip(&samples.values) {
        let name = column.name.as_str().into();
        let said = values.iter().map(|value| Some(*value).filter(|value| !value.is_nan()));
        columns.push(if column.binary {
            Series::new(name, said.map(|value| value.map(|v| v != 0.0)).collect::<Vec<_>>()).into_column()
        } else {
            Series::new(name, said.collect::<Vec<_>>()).into_column()
        });
    }
    DataFrame::new(samples.len(), columns)
}

#[cfg(all(test, target_os = "linux"))]
mod tests {
    use super::*;

    /// The system's own full device stands for a full disk.
    #[test]
    fn a_full_disk_is_told_from_a_fault_in_the_file() {
        let columns = [SampleColumn { name: "p".into(), unit: "bar".into(), binary: false }];
        let mut samples = Samples::new(columns.to_vec().into());
        for row in 0..100_000i64 {
            samples.times.push(foldwatch_units::Micros(row));
            samples.sources.push(Source { logger: "L".into(), boot: 1, sequence: row as u64 });
            samples.values[0].push((row * 7919 % 104_729) as f32);
        }
        let error = write(Path::new("/dev/full"), &columns, std::iter::once(Ok(samples))).unwrap_err();
        assert!(matches!(error, StoreError::DiskFull { .. }), "{error:?}");
    }
}
