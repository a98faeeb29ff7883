//! Logs from anywhere.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use foldwatch_units::Micros;
use polars::io::parquet::read::FileMetadata;
use polars::prelude::{
    ArrowDataType, ArrowTimeUnit, Column, DataType, ParallelStrategy, ParquetReader, PolarsResult, SerReader,
    TimeUnit,
};
use polars_parquet::read::{infer_schema, read_metadata};

use super::{broken, guard, guarded};
use crate::StoreError;

/// Rows that are decoded at once.
const SLICE: usize = 65_536;
/// What kind of values a column of a Parquet log has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LogKind {
    /// Floating point numbers.
    Numbers,
    /// Whole numbers.
    Integers,
    /// On or off.
    States,
    /// Time stamps.
    Moments,
    /// Text.
    Texts,
    /// Something that a log has no use for; it can't be read.
    Other,
}

/// A column of a Parquet log.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LogColumn {
    /// Its name.
    pub name: String,
    /// What it has.
    pub kind: LogKind,
}

/// Values of one column, one a row; `None` (NaN for a number): nothing there.
#[derive(Debug, Clone, PartialEq)]
pub enum LogValues {
    /// Of [`LogKind::Numbers`].
    Numbers(Vec<f64>),
    /// Of [`LogKind::Integers`]; beyond 64 bits with sign: `None`.
    Integers(Vec<Option<i64>>),
    /// Of [`LogKind::States`].
    States(Vec<Option<bool>>),
    /// Of [`LogKind::Moments`], whatever the file's own resolution.
    Moments(Vec<Option<Micros>>),
    /// Of [`LogKind::Texts`].
    Texts(Vec<Option<String>>),
}

/// Any Parquet file with a column of times and columns of numbers or states; it need not be foldwatch's.
#[derive(Debug, Clone)]
pub struct ParquetLog {
    path: PathBuf,
    /// Kept open: the file may lose its name while it is read.
    file: Arc<File>,
    metadata: Arc<FileMetadata>,
    columns: Vec<LogColumn>,
}

impl ParquetLog {
    /// Reads what is in the file, but none of its rows.
    ///
    /// # Errors
    /// [`StoreError::Io`], or [`StoreError::Parquet`] where it is none, or damaged.
    pub fn open(path: impl AsRef<Path>) -> Result<Self, StoreError> {
        let path = path.as_ref().to_owned();
        let mut file = File::open(&path).map_err(StoreError::io(&path, "open the Parquet file"))?;
        let (metadata, schema) = guarded(&path, || {
            let metadata = read_metadata(&mut file)?;
            let schema = infer_schema(&plain(&metadata))?;
            Ok((metadata, schema))
        })?;
        guard::counts(&path, &metadata, file.metadata().map_or(u64::MAX, |of_file| of_file.len()))?;
        let columns = schema
            .iter()
            .map(|(name, field)| LogColumn { name: name.to_string(), kind: kind(&field.dtype) })
            .collect();
        Ok(ParquetLog { path, file: Arc::new(file), metadata: Arc::new(metadata), columns })
    }

    /// Its columns, in the file's order.
    pub fn columns(&self) -> &[LogColumn] {
        &self.columns
    }

    /// How many rows it has.
    pub fn rows(&self) -> u64 {
        self.metadata.num_rows as u64
    }

    /// A note in the file's key-value metadata.
    pub fn note(&self, key: &str) -> Option<&str> {
        let notes = self.metadata.key_value_metadata().as_ref()?;
        notes.iter().find(|note| note.key == key)?.value.as_deref()
    }

    /// Reads some columns from the first row to the last, at the most 65,536 rows at a time; a batch has the columns
    /// in the order asked for.
    ///
    /// # Errors
    /// [`StoreError::Parquet`] where a column is not there or is of [`LogKind::Other`].
    pub fn batches(&self, names: &[&str]) -> Result<ParquetBatches, StoreError> {
        let mut wanted = Vec::with_capacity(names.len());
        for name in names {
            let at = self.columns.iter().position(|column| column.name == *name);
            match at.filter(|at| self.columns[*at].kind != LogKind::Other) {
                Some(at) => wanted.push(at),
                None => {
                    let there: Vec<_> =
                        self.columns.iter().filter(|c| c.kind != LogKind::Other).map(|c| &*c.name).collect();
                    return Err(StoreError::Parquet {
                        path: self.path.clone(),
                        what: format!("no column `{name}` that can be read; there are: {}", there.join(", ")),
                    });
                }
            }
        }
        Ok(ParquetBatches { log: self.clone(), wanted, group: 0, offset: 0, one: None, failed: false })
    }
}

/// Without the notes of the program that wrote it, so that the schema is Parquet's own: no dictionaries, no
/// extensions.
fn plain(metadata: &FileMetadata) -> FileMetadata {
    FileMetadata { key_value_metadata: None, ..metadata.clone() }
}

fn kind(dtype: &ArrowDataType) -> LogKind {
    use ArrowDataType as D;
    match dtype {
        D::Float32 | D::Float64 => LogKind::Numbers,
        D::Int8 | D::Int16 | D::Int32 | D::Int64 => LogKind::Integers,
        D::UInt8 | D::UInt16 | D::UInt32 | D::UInt64 => LogKind::Integers,
        D::Boolean => LogKind::States,
        D::Timestamp(ArrowTimeUnit::Second, _) => LogKind::Other,
        D::Timestamp(..) => LogKind::Moments,
        D::Utf8 | D::LargeUtf8 | D::Utf8View => LogKind::Texts,
        _ => LogKind::Other,
    }
}

/// The rows of a Parquet log, batch by batch, of which only one is in memory. While a batch is decoded, the pages that
/// are looked at are mapped besides: at the most the packed columns of one row group.
#[derive(Debug)]
pub struct ParquetBatches {
    log: ParquetLog,
    /// Places of the columns asked for.
    wanted: Vec<usize>,
    group: usize,
    offset: usize,
    /// The metadata of the row group that is being read alone: the library looks into every one it is shown.
    one: Option<Arc<FileMetadata>>,
    failed: bool,
}

impl ParquetBatches {
    pub(super) fn path(&self) -> &Path {
        &self.log.path
    }

    fn batch(&mut self) -> Result<Option<Vec<LogValues>>, StoreError> {
        loop {
            let Some(group) = self.log.metadata.row_groups.get(self.group) else { return Ok(None) };
            let rows = group.num_rows();
            if self.offset >= rows {
                (self.group, self.offset, self.one) = (self.group + 1, 0, None);
                continue;
            }
            if self.offset == 0 {
                let names = self.wanted.iter().map(|at| &*self.log.columns[*at].name);
                guard::pages(&self.log.path, &self.log.file, group, names)?;
            }
            let take = SLICE.min(rows - self.offset);
            let one = self.one.get_or_insert_with(|| {
                Arc::new(FileMetadata {
                    row_groups: vec![group.clone()],
                    num_rows: rows,
                    ..plain(&self.log.metadata)
                })
            });
            let path = &self.log.path;
            let file = self.log.file.try_clone().map_err(StoreError::io(path, "read the Parquet file"))?;
            // The file is mapped for the time of this call only, so that its pages do not pile up in memory.
            let values = guarded(path, || {
                let mut reader = ParquetReader::new(file)
                    .read_parallel(ParallelStrategy::None)
                    .with_slice(Some((self.offset, take)))
                    .with_projection(Some(self.wanted.clone()));
                reader.set_metadata(one.clone());
                let frame = reader.finish()?;
                frame.columns().iter().map(values).collect::<PolarsResult<Vec<_>>>()
            })?;
            if values.len() != self.wanted.len() || values.iter().any(|column| column.len() != take) {
                return Err(broken(path, "a column is shorter than the file says"));
            }
            self.offset += take;
            return Ok(Some(values));
        }
    }
}

impl Iterator for ParquetBatches {
    type Item = Result<Vec<LogValues>, StoreError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.failed {
            return None;
        }
        let batch = self.batch().transpose();
        self.failed = matches!(batch, Some(Err(_)));
        batch
    }
}

impl LogValues {
    /// How many rows.
    pub fn len(&self) -> usize {
        match self {
            LogValues::Numbers(values) => values.len(),
            LogValues::Integers(values) => values.len(),
            LogValues::States(values) => values.len(),
            LogValues::Moments(values) => values.len(),
            LogValues::Texts(values) => values.len(),
        }
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}

fn values(column: &Column) -> PolarsResult<LogValues> {
    Ok(match column.dtype() {
        DataType::Float32 => {
            LogValues::Numbers(column.f32()?.iter().map(|value| value.map_or(f64::NAN, f64::from)).collect())
        }
        DataType::Float64 => {
            LogValues::Numbers(column.f64()?.iter().map(|value| value.unwrap_or(f64::NAN)).collect())
        }
        DataType::Boolean => LogValues::States(column.bool()?.iter().collect()),
        DataType::String => {
            LogValues::Texts(column.str()?.iter().map(|value| value.map(str::to_owned)).collect())
        }
        DataType::Datetime(unit, _) => {
            let unit = *unit;
            let micros = |raw: i64| match unit {
                TimeUnit::Nanoseconds => Some(raw.div_euclid(1000)),
                TimeUnit::Microseconds => Some(raw),
                TimeUnit::Milliseconds => raw.checked_mul(1000),
            };
            let raw = column.to_physical_repr();
            LogValues::Moments(raw.i64()?.iter().map(|raw| raw.and_then(micros).map(Micros)).collect())
        }
        _ => LogValues::Integers(column.cast(&DataType::Int64)?.i64()?.iter().collect()),
    })
}
