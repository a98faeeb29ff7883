//! The only place that knows polars: tables to Parquet files and back.

mod guard;
mod log;
mod table;
mod write;

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use polars::prelude::{PolarsError, PolarsResult};

use crate::StoreError;

pub use log::{LogColumn, LogKind, LogValues, ParquetBatches, ParquetLog};
pub(crate) use table::{ArchiveBatches, read};
pub(crate) use write::write;

/// The unit of a column stands in the file's key-value metadata under this and the column's name.
const UNIT_KEY: &str = "unit:";

fn broken(path: &Path, what: impl std::fmt::Display) -> StoreError {
    StoreError::Parquet { path: path.to_owned(), what: format!("not a sound Parquet file ({what})") }
}

/// Runs a call into the library; a damaged file can make it panic, and must not take the daemon along.
fn guarded<T>(path: &Path, call: impl FnOnce() -> PolarsResult<T>) -> Result<T, StoreError> {
    match catch_unwind(AssertUnwindSafe(call)) {
        Ok(done) => done.map_err(|error| match error {
            PolarsError::IO { error, .. } => {
                let error = std::io::Error::new(error.kind(), error.to_string());
                StoreError::io(path, "read or write the Parquet file")(error)
            }
            error => broken(path, error),
        }),
        Err(_) => Err(broken(path, "it can't be decoded")),
    }
}
