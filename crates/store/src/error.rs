//! What can go wrong, and what the person can do about it.

use std::path::{Path, PathBuf};

/// Why something could not be stored or read. Every one names the path and what to do.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum StoreError {
    /// Another process has the folder.
    #[error(
        "{}: another foldwatch ({holder}) works on this folder; stop it, or give this one a folder of its own",
        folder.display()
    )]
    Locked {
        /// The folder.
        folder: PathBuf,
        /// Who holds it, as far as its lock file tells.
        holder: String,
    },
    /// The database was written by a newer foldwatch.
    #[error(
        "{}: written by a newer foldwatch (schema {found}, this one knows up to {known}); install that version \
         again, or open the copy that was made before its upgrade",
        path.display()
    )]
    NewerSchema {
        /// The database.
        path: PathBuf,
        /// Its schema version.
        found: u32,
        /// The newest that this program knows.
        known: u32,
    },
    /// The file is an SQLite database of something else.
    #[error("{}: a database of another program; give foldwatch an empty folder", path.display())]
    Foreign {
        /// The database.
        path: PathBuf,
    },
    /// No room left.
    #[error(
        "{}: the disk is full; nothing of this write was kept and nothing was acknowledged: make room, the \
         logger still has the samples",
        path.display()
    )]
    DiskFull {
        /// What was being written.
        path: PathBuf,
    },
    /// Too little room left to go on safely.
    #[error(
        "{}: only {free_bytes} bytes are free, and {floor_bytes} are kept in reserve; recording waits until there \
         is room, the logger still has the samples",
        folder.display()
    )]
    DiskLow {
        /// The folder.
        folder: PathBuf,
        /// Free to this user.
        free_bytes: u64,
        /// Configured reserve.
        floor_bytes: u64,
    },
    /// The file is damaged.
    #[error("{}: damaged ({what}); restore the last backup beside it and keep this file for salvage", path.display())]
    Corrupt {
        /// The file.
        path: PathBuf,
        /// What was seen.
        what: String,
    },
    /// The database is being written by someone else for too long.
    #[error("{}: another program has held this database for too long; close it and try again", path.display())]
    Busy {
        /// The database.
        path: PathBuf,
    },
    /// The file system refused.
    #[error("{}: could not {doing}; check that it exists and who may write there", path.display())]
    Io {
        /// The file or folder.
        path: PathBuf,
        /// What was tried, in words.
        doing: &'static str,
        /// What the system said.
        #[source]
        source: std::io::Error,
    },
    /// The database refused for a reason that is not the disk's.
    #[error("{}: the database refused; this is a fault of foldwatch, please report it", path.display())]
    Database {
        /// The database.
        path: PathBuf,
        /// What the database said.
        #[source]
        source: rusqlite::Error,
    },
    /// A Parquet file can't be written or read.
    #[error("{}: {what}", path.display())]
    Parquet {
        /// The file.
        path: PathBuf,
        /// What is wrong with it and what would be right.
        what: String,
    },
    /// Something refers to a car that was never entered.
    #[error("car `{car}` is not known; enter it first")]
    UnknownCar {
        /// Its id.
        car: String,
    },
    /// Frames came from a logger of which nobody knows the car.
    #[error("logger `{logger}` is attached to no car; attach it first, nothing was taken from it until then")]
    UnknownLogger {
        /// Its id.
        logger: String,
    },
    /// Something refers to an entry that does not exist.
    #[error("there is no entry {id} of car `{car}`; look up the entry that is to be corrected")]
    UnknownEntry {
        /// The car.
        car: String,
        /// The entry.
        id: u64,
    },
    /// A value can't be stored as it is.
    #[error("{what}")]
    Invalid {
        /// Which value, and what would be right.
        what: String,
    },
}

impl StoreError {
    /// Whether the same call may succeed later without anybody changing the call: worth trying again.
    pub fn is_passing(&self) -> bool {
        matches!(self, Self::DiskFull { .. } | Self::DiskLow { .. } | Self::Busy { .. } | Self::Io { .. })
    }

    pub(crate) fn io(path: &Path, doing: &'static str) -> impl FnOnce(std::io::Error) -> Self {
        let path = path.to_owned();
        move |source| match source.kind() {
            std::io::ErrorKind::StorageFull | std::io::ErrorKind::QuotaExceeded => Self::DiskFull { path },
            _ => Self::Io { path, doing, source },
        }
    }

    pub(crate) fn sql(path: &Path) -> impl Fn(rusqlite::Error) -> Self {
        use rusqlite::ffi::ErrorCode;
        let path = path.to_owned();
        move |source| {
            let path = path.clone();
            match source.sqlite_error_code() {
                Some(ErrorCode::DiskFull) => Self::DiskFull { path },
                Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => Self::Busy { path },
                Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase) => {
                    Self::Corrupt { path, what: source.to_string() }
                }
                Some(ErrorCode::SystemIoFailure | ErrorCode::CannotOpen | ErrorCode::ReadOnly) => Self::Io {
                    path,
                    doing: "read or write the database",
                    source: std::io::Error::other(source),
                },
                _ => Self::Database { path, source },
            }
        }
    }

    /// For an answer that can't be given as asked, where the reason is known to the caller.
    pub fn invalid(what: impl Into<String>) -> Self {
        Self::Invalid { what: what.into() }
    }
}
