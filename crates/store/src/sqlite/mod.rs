//! Journal and catalogue in an embedded SQL database.
//!
//! Write-ahead log with full sync: a call that has returned survives a pulled plug, as far as the disk itself does
//! what it says.

mod journal;
mod migrate;
mod read;
mod verify;
pub(crate) mod write;

use std::fs::File;
use std::path::{Path, PathBuf};
use std::time::Duration;

use foldwatch_units::{Direction, Micros};
use rusqlite::{Connection, OpenFlags, TransactionBehavior};

#[cfg(feature = "archive")]
use crate::archive::{ArchivedDay, SampleStream, Samples, Seal};
use crate::folder::{Folder, Space, sync_dir};
use crate::journal::*;
use crate::records::*;
use crate::{Catalogue, Storage, StoreError};

pub use migrate::SCHEMA;
pub use verify::{Soundness, verify_copy};

/// How a store is opened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Options {
    /// With less room than this, frames are refused, so that the database can still be kept in order.
    pub floor_bytes: u64,
}

impl Default for Options {
    /// A reserve of 64 MiB: the write-ahead log with one archive file beside it.
    fn default() -> Self {
        Options { floor_bytes: 64 << 20 }
    }
}

/// The store on disk. There is one a folder, and one a process for that folder.
///
/// ```
/// use foldwatch_store::{Car, Frame, SqliteStore, Storage};
/// use foldwatch_units::Micros;
/// # let folder = tempfile::tempdir()?;
/// # let folder = folder.path();
/// let mut store = SqliteStore::open(folder)?;
/// let now = Micros(1_764_000_000_000_000);
/// store.put_car(&Car { id: "oak".into(), name: "Oak".into(), profile: "two-valve".into(), recorded: now })?;
/// store.attach("logger-1", "oak", now)?;
/// let frame = |sequence| Frame {
///     logger: "logger-1".into(), boot: 1, sequence, received: now, logged: None, bytes: vec![1, 2, 3],
/// };
/// let durable = store.append(&[frame(0), frame(1), frame(3)])?;
/// assert_eq!((durable[0].up_to, durable[0].highest), (1, 3)); // frame 2 is to be asked for again
/// assert_eq!(durable[0].missing, vec![2..=2]);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Debug)]
pub struct SqliteStore {
    pub(crate) folder: Folder,
    pub(crate) db: SqliteReader,
    options: Options,
    // Released when dropped, after the connection (fields are dropped in order).
    _lock: File,
}

impl SqliteStore {
    /// Opens the store in a folder, or makes one there.
    ///
    /// # Errors
    /// [`StoreError::Locked`] where another process has it, [`StoreError::NewerSchema`] where a newer foldwatch wrote
    /// it, [`StoreError::Corrupt`], [`StoreError::Foreign`], [`StoreError::Io`].
    pub fn open(folder: impl AsRef<Path>) -> Result<Self, StoreError> {
        Self::open_with(folder, Options::default())
    }

    /// Opens the store in a folder, or makes one there.
    ///
    /// # Errors
    /// As [`SqliteStore::open`].
    pub fn open_with(folder: impl AsRef<Path>, options: Options) -> Result<Self, StoreError> {
        let folder = Folder::new(folder.as_ref());
        let lock = folder.lock()?;
        let path = folder.database();
        let mut conn = connect(&path, OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE)?;
        migrate::run(&mut conn, &folder)?;
        sync_dir(folder.path())?;
        let store = SqliteStore { folder, db: SqliteReader { conn, path }, options, _lock: lock };
        #[cfg(feature = "archive")]
        store.drop_superseded()?;
        Ok(store)
    }

    /// Where it lies.
    pub fn folder(&self) -> &Folder {
        &self.folder
    }

    /// Room on the store's file system.
    ///
    /// # Errors
    /// Where the system can't tell.
    pub fn space(&self) -> Result<Space, StoreError> {
        self.folder.space()
    }

    /// Refuses to write more while there is too little room.
    pub(crate) fn keep_reserve(&self) -> Result<(), StoreError> {
        let free_bytes = self.space()?.free_bytes;
        if free_bytes < self.options.floor_bytes {
            return Err(StoreError::DiskLow {
                folder: self.folder.path().to_owned(),
                free_bytes,
                floor_bytes: self.options.floor_bytes,
            });
        }
        Ok(())
    }

    /// Runs one write as one transaction.
    pub(crate) fn write<T>(
        &mut self,
        what: impl FnOnce(&Connection) -> Result<T, Fail>,
    ) -> Result<T, StoreError> {
        let path = self.db.path.clone();
        let inner = || {
            let tx = self.db.conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
            let done = what(&tx)?; // an error drops `tx`, which rolls back
            tx.commit()?;
            Ok(done)
        };
        inner().map_err(|fail: Fail| fail.at(&path))
    }
}

/// A connection that only asks. It may be opened beside the store, in any process, any number of times.
#[derive(Debug)]
pub struct SqliteReader {
    pub(crate) conn: Connection,
    pub(crate) path: PathBuf,
}

impl SqliteReader {
    /// Opens the database of a folder for asking only.
    ///
    /// # Errors
    /// As [`SqliteStore::open`], but never [`StoreError::Locked`]; [`StoreError::Io`] where there is none yet.
    pub fn open(folder: impl AsRef<Path>) -> Result<Self, StoreError> {
        Self::open_file(&Folder::new(folder.as_ref()).database())
    }

    pub(crate) fn open_file(path: &Path) -> Result<Self, StoreError> {
        let conn = connect(path, OpenFlags::SQLITE_OPEN_READ_ONLY)?;
        migrate::expect_current(&conn, path)?;
        Ok(SqliteReader { conn, path: path.to_owned() })
    }

    pub(crate) fn ask<T>(&self, what: impl FnOnce(&Connection) -> Result<T, Fail>) -> Result<T, StoreError> {
        what(&self.conn).map_err(|fail| fail.at(&self.path))
    }
}

fn connect(path: &Path, flags: OpenFlags) -> Result<Connection, StoreError> {
    let open = || {
        let conn = Connection::open_with_flags(path, flags | OpenFlags::SQLITE_OPEN_NO_MUTEX)?;
        conn.busy_timeout(Duration::from_secs(10))?;
        conn.pragma_update(None, "foreign_keys", true)?;
        conn.pragma_update(None, "trusted_schema", false)?;
        conn.pragma_update(None, "cell_size_check", true)?;
        conn.set_prepared_statement_cache_capacity(64);
        Ok(conn)
    };
    open().map_err(StoreError::sql(path))
}

/// An error inside, before it knows its path.
#[derive(Debug)]
pub(crate) enum Fail {
    Sql(rusqlite::Error),
    Store(StoreError),
}

impl From<rusqlite::Error> for Fail {
    fn from(error: rusqlite::Error) -> Self {
        Fail::Sql(error)
    }
}

impl From<StoreError> for Fail {
    fn from(error: StoreError) -> Self {
        Fail::Store(error)
    }
}

impl Fail {
    pub(crate) fn at(self, path: &Path) -> StoreError {
        match self {
            Fail::Sql(error) => StoreError::sql(path)(error),
            Fail::Store(error) => error,
        }
    }
}

impl Storage for SqliteStore {
    fn catalogue(&self) -> &dyn Catalogue {
        &self.db
    }

    fn reader(&self) -> Result<Box<dyn Catalogue + Send>, StoreError> {
        Ok(Box::new(SqliteReader::open(self.folder.path())?))
    }

    fn append(&mut self, batch: &[Frame]) -> Result<Vec<Durable>, StoreError> {
        if batch.is_empty() {
            return Ok(Vec::new());
        }
        self.keep_reserve()?;
        self.write(|tx| journal::append(tx, batch))
    }

    fn give_up(
        &mut self,
        logger: &str,
        boot: u64,
        sequences: std::ops::RangeInclusive<u64>,
    ) -> Result<Durable, StoreError> {
        self.write(|tx| journal::give_up(tx, logger, boot, sequences))
    }

    fn add_exchanges(&mut self, exchanges: &[TimeExchange]) -> Result<(), StoreError> {
        self.write(|tx| journal::add_exchanges(tx, exchanges))
    }

    fn put_clock_fit(&mut self, fit: &ClockFit) -> Result<(), StoreError> {
        self.write(|tx| journal::put_clock_fit(tx, fit))
    }

    fn put_car(&mut self, car: &Car) -> Result<(), StoreError> {
        self.write(|tx| write::car(tx, car))
    }

    fn put_profile(&mut self, profile: &str, text: &str, at: Micros) -> Result<u32, StoreError> {
        self.write(|tx| write::profile(tx, profile, text, at))
    }

    fn attach(&mut self, logger: &str, car: &str, at: Micros) -> Result<(), StoreError> {
        self.write(|tx| write::attach(tx, logger, car, at))
    }

    fn put_judged(&mut self, judged: &Judged) -> Result<(), StoreError> {
        self.write(|tx| write::judged(tx, judged))
    }

    fn add_entry(&mut self, entry: &Entry) -> Result<u64, StoreError> {
        self.write(|tx| write::entry(tx, entry))
    }

    #[cfg(feature = "archive")]
    fn seal(
        &mut self,
        seal: &Seal,
        rows: &mut dyn Iterator<Item = Result<Samples, StoreError>>,
    ) -> Result<ArchivedDay, StoreError> {
        self.seal_day(seal, rows)
    }
}

impl Catalogue for SqliteReader {
    fn cars(&self) -> Result<Vec<Car>, StoreError> {
        self.ask(read::cars)
    }

    fn car(&self, id: &str) -> Result<Option<Car>, StoreError> {
        self.ask(|conn| Ok(read::car_history(conn, id)?.pop()))
    }

    fn car_history(&self, id: &str) -> Result<Vec<Car>, StoreError> {
        self.ask(|conn| read::car_history(conn, id))
    }

    fn profile(&self, id: &str) -> Result<Option<ProfileText>, StoreError> {
        self.ask(|conn| read::profile(conn, id))
    }

    fn profile_history(&self, id: &str) -> Result<Vec<ProfileText>, StoreError> {
        self.ask(|conn| read::profile_history(conn, id))
    }

    fn loggers(&self) -> Result<Vec<Logger>, StoreError> {
        self.ask(read::loggers)
    }

    fn journal(&self, car: Option<&str>, after: Position, limit: u32) -> Result<Vec<Journalled>, StoreError> {
        self.ask(|conn| journal::rows(conn, car, after, limit))
    }

    fn held(&self, logger: &str, boot: u64) -> Result<Held, StoreError> {
        self.ask(|conn| journal::held(conn, logger, boot))
    }

    fn chain_head(&self, car: &str) -> Result<Option<ChainHead>, StoreError> {
        self.ask(|conn| journal::head(conn, car))
    }

    fn verify_chain(&self, car: &str) -> Result<ChainReport, StoreError> {
        self.ask(|conn| verify::chain(conn, car))
    }

    fn exchanges(&self, logger: &str, boot: u64) -> Result<Vec<TimeExchange>, StoreError> {
        self.ask(|conn| journal::exchanges(conn, logger, boot))
    }

    fn clock_fit(&self, logger: &str, boot: u64) -> Result<Option<ClockFit>, StoreError> {
        self.ask(|conn| journal::clock_fit(conn, logger, boot))
    }

    fn checkpoint(&self, car: &str) -> Result<Option<Checkpoint>, StoreError> {
        self.ask(|conn| read::checkpoint(conn, car))
    }

    fn cycles(&self, query: &CycleQuery) -> Result<Vec<CycleSummary>, StoreError> {
        self.ask(|conn| read::cycles(conn, query))
    }

    fn cycle(&self, car: &str, start: Micros) -> Result<Option<CycleRecord>, StoreError> {
        self.ask(|conn| read::cycle(conn, car, start))
    }

    fn findings(&self, query: &FindingQuery) -> Result<Vec<FindingRow>, StoreError> {
        self.ask(|conn| read::findings(conn, query))
    }

    fn phase_runs(
        &self,
        car: &str,
        direction: Direction,
        index: u32,
        span: Span,
        limit: u32,
    ) -> Result<Vec<PhaseRow>, StoreError> {
        self.ask(|conn| read::phase_runs(conn, car, direction, index, span, limit))
    }

    fn measure_runs(
        &self,
        car: &str,
        name: &str,
        span: Span,
        limit: u32,
    ) -> Result<Vec<MeasureRow>, StoreError> {
        self.ask(|conn| read::measure_runs(conn, car, name, span, limit))
    }

    fn figures(
        &self,
        car: &str,
        measures: &[&str],
        span: Span,
        limit: u32,
    ) -> Result<Vec<CycleRecord>, StoreError> {
        self.ask(|conn| read::figures(conn, car, measures, span, limit))
    }

    fn entries(&self, car: &str, span: Span, limit: u32) -> Result<Vec<(u64, Entry)>, StoreError> {
        self.ask(|conn| read::entries(conn, car, span, limit))
    }

    #[cfg(feature = "archive")]
    fn archived(&self, car: &str) -> Result<Vec<ArchivedDay>, StoreError> {
        self.archived_days(car)
    }

    #[cfg(feature = "archive")]
    fn samples(&self, car: &str, span: Span) -> Result<SampleStream, StoreError> {
        self.archived_samples(car, span)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frame(sequence: u64) -> Frame {
        let bytes = vec![7; 50_000];
        Frame { logger: "L".into(), boot: 1, sequence, received: Micros(5), logged: None, bytes }
    }

    /// Without these two nothing else here holds through a power cut.
    #[test]
    fn every_commit_is_synced_also_after_a_restart() {
        let dir = tempfile::tempdir().unwrap();
        for _ in 0..2 {
            let store = SqliteStore::open(dir.path()).unwrap();
            let ask = |name: &str| {
                store.db.conn.pragma_query_value(None, name, |row| row.get::<_, i64>(0)).unwrap()
            };
            assert_eq!((ask("synchronous"), ask("foreign_keys")), (2, 1)); // 2 is FULL
            let mode: String =
                store.db.conn.pragma_query_value(None, "journal_mode", |row| row.get(0)).unwrap();
            assert_eq!(mode, "wal");
        }
    }

    /// SQLite's own limit on a database's size stands for a full disk: the same error from the same place.
    #[test]
    fn a_full_disk_loses_nothing_that_was_acknowledged() {
        let dir = tempfile::tempdir().unwrap();
        let mut store = SqliteStore::open(dir.path()).unwrap();
        let car = Car { id: "oak".into(), name: "Oak".into(), profile: "p".into(), recorded: Micros(1) };
        store.put_car(&car).unwrap();
        store.attach("L", "oak", Micros(2)).unwrap();
        store.db.conn.pragma_update(None, "max_page_count", 200).unwrap();
        let mut acknowledged = 0;
        let error = (0..).find_map(|sequence| match store.append(&[frame(sequence)]) {
            Ok(durable) => {
                acknowledged = durable[0].up_to;
                None
            }
            Err(error) => Some(error),
        });
        assert!(matches!(error, Some(StoreError::DiskFull { .. })), "{error:?}");
        store.db.conn.pragma_update(None, "max_page_count", 1_000_000).unwrap();
        // The very same call works again once there is room.
        let next = acknowledged + 1;
        assert_eq!(store.append(&[frame(next)]).unwrap()[0].up_to, next);
        drop(store);
        let store = SqliteStore::open(dir.path()).unwrap();
        let rows = store.catalogue().journal(None, Position(0), 1000).unwrap();
        assert_eq!(
            rows.into_iter().map(|row| row.frame).collect::<Vec<_>>(),
            (0..=next).map(frame).collect::<Vec<_>>()
        );
    }
}
