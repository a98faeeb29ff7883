//! The archive: samples by car and day in Parquet files, and Parquet logs from elsewhere.

mod merge;
mod parquet;
mod samples;
mod seal;

pub use parquet::{LogColumn, LogKind, LogValues, ParquetBatches, ParquetLog};
pub use samples::{ArchivedDay, Day, SampleColumn, Samples, Seal, Source};
pub use seal::SampleStream;

pub(crate) use merge::{Merge, united};
pub(crate) use samples::check_columns;
