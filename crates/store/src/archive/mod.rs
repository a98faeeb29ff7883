//! The archive: samples by car and day in Parquet files, and Parquet logs from elsewhere.

mod merge;
mod parquet;
mod release;
mod samples;
mod seal;

pub use parquet::{LogColumn, LogKind, LogValues, ParquetBatches, ParquetLog};
pub use samples::{ArchivedDay, Day, SampleColumn, Samples, Seal, Source};
pub use seal::SampleStream;

pub(crate) use merge::{Merge, united};
pub(crate) use samples::check_columns;

/// The rows of an archive file within a span, wherever the file lies. Whether it is the one that was sealed is for
/// whoever has its seal to say.
///
/// # Errors
/// Where it can't be read as an archive file.
pub fn archive_file(path: &std::path::Path, span: crate::Span) -> Result<SampleStream, crate::StoreError> {
    Ok(Box::new(parquet::read(path, span)?))
}
