//! From the journal to the archive, so that at every moment each sample is in one of them, whatever happens.
//!
//! 1. Write the day to a file under a name that nobody reads, sync it, read it back and compare.
//! 2. Give it its name and sync the folder. Nobody knows it yet.
//! 3. In one transaction: enter it in the catalogue, and take the rows out of the journal.
//! 4. Files that an earlier seal of the day left behind go when the next seal or the next start comes by.
//!
//! Stopped before 3, nothing has changed but for a file that nobody knows; done again, all happens again.

use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

use foldwatch_units::Micros;
use rusqlite::{Connection, OptionalExtension, params};
use sha2::{Digest, Sha256};

use super::samples::{ArchivedDay, Day, Samples, Seal};
use super::{Merge, check_columns, parquet, united};
use crate::chain::{self, SealRow};
use crate::folder::sync_dir;
use crate::journal::Position;
use crate::sqlite::{Fail, SqliteReader, SqliteStore};
use crate::{Catalogue, Folder, Span, StoreError};

/// Batches of samples, in order of time.
pub type SampleStream = Box<dyn Iterator<Item = Result<Samples, StoreError>> + Send>;

/// A file that is whole and proven, but not yet entered.
struct Proven {
    path: PathBuf,
    /// Below the archive's folder.
    file: String,
    rows: u64,
    bytes: u64,
    sha256: [u8; 32],
}

impl SqliteStore {
    pub(crate) fn seal_day(
        &mut self,
        seal: &Seal,
        rows: &mut dyn Iterator<Item = Result<Samples, StoreError>>,
    ) -> Result<ArchivedDay, StoreError> {
        self.keep_reserve()?;
        self.drop_superseded()?;
        let proven = self.write_proven(seal, rows)?;
        self.give_name(&proven)?;
        self.enter(seal, &proven)
    }

    /// Step 1.
    fn write_proven(
        &self,
        seal: &Seal,
        rows: &mut dyn Iterator<Item = Result<Samples, StoreError>>,
    ) -> Result<Proven, StoreError> {
        check_columns(&seal.columns)?;
        if self.db.car(&seal.car)?.is_none() {
            return Err(StoreError::UnknownCar { car: seal.car.clone() });
        }
        let archive = self.folder.archive();
        let dir = archive.join(&seal.car);
        std::fs::create_dir_all(&dir).map_err(StoreError::io(&dir, "create the archive's folder"))?;
        sync_dir(self.folder.path())?;
        sync_dir(&archive)?;
        let file = format!(
            "{}/{}.{}.parquet",
            seal.car,
            seal.day,
            free_number(&dir, seal.day, &self.db.ask(|conn| files(conn, &seal.car, seal.day))?)?
        );
        let path = archive.join(&file);
        let part = part_of(&path);
        let proven = self.write_part(seal, rows, &part).map(|(rows, bytes, sha256)| Proven {
            path,
            file,
            rows,
            bytes,
            sha256,
        });
        if proven.is_err() {
            // What can't be removed now is written over by the next try.
            let _ = std::fs::remove_file(&part);
        }
        proven
    }

    fn write_part(
        &self,
        seal: &Seal,
        rows: &mut dyn Iterator<Item = Result<Samples, StoreError>>,
        part: &Path,
    ) -> Result<(u64, u64, [u8; 32]), StoreError> {
        let there = self.db.ask(|conn| day(conn, &seal.car, seal.day))?;
        let mut columns = seal.columns.clone();
        let mut old: SampleStream = Box::new(std::iter::empty());
        if let Some(there) = there {
            let batches = as_sealed(&self.folder.archive(), &there, Span::ALL)?;
            columns = united(&batches.columns, &seal.columns);
            old = Box::new(batches);
        }
        let mut last = None;
        let checked = rows.map(|batch| {
            let batch = batch?;
            batch.check(&seal.columns, seal.day, last)?;
            last = batch.times.last().copied().or(last);
            Ok(batch)
        });
        let mut written = RowDigest::new();
        let merge = Merge::new(columns.clone(), old, Box::new(checked)).inspect(|batch| {
            if let Ok(batch) = batch {
                written.add(batch);
            }
        });
        let rows = parquet::write(part, &columns, merge)?;
        let mut read_back = RowDigest::new();
        for batch in parquet::read(part, Span::ALL)? {
            read_back.add(&batch?);
        }
        if written.finish() != read_back.finish() {
            return Err(StoreError::Parquet {
                path: part.to_owned(),
                what: "what was read back is not what was written: the disk or the memory is failing; the journal \
                       still has it all"
                    .into(),
            });
        }
        let (bytes, sha256) = file_digest(part)?;
        Ok((rows, bytes, sha256))
    }

    /// Step 2.
    fn give_name(&self, proven: &Proven) -> Result<(), StoreError> {
        let io = StoreError::io(&proven.path, "give the archive file its name");
        std::fs::rename(part_of(&proven.path), &proven.path).map_err(io)?;
        proven.path.parent().map_or(Ok(()), sync_dir)
    }

    /// Step 3.
    fn enter(&mut self, seal: &Seal, proven: &Proven) -> Result<ArchivedDay, StoreError> {
        self.write(|tx| {
            let before = last_seal(tx, &seal.car)?;
            let (through, journal_link) = leaving(tx, seal, &before)?;
            let through_column = crate::check::counted("position", through.0)?;
            let day = seal.day.to_string();
            let row = SealRow {
                day,
                file: proven.file.clone(),
                rows: proven.rows,
                bytes: proven.bytes,
                sha256: proven.sha256,
                sealed: seal.at,
                through,
                journal_link,
            };
            let link = chain::seal_link(&before.link, &row);
            tx.prepare_cached(
                "INSERT INTO seals (car, day, file, rows, bytes, sha256, sealed_us, through, journal_link, link)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
            )?
            .execute(params![
                seal.car,
                row.day,
                proven.file,
                proven.rows as i64,
                proven.bytes as i64,
                proven.sha256,
                seal.at.0,
                through_column,
                journal_link,
                link,
            ])?;
            tx.prepare_cached("DELETE FROM journal WHERE car = ?1 AND position <= ?2")?
                .execute(params![seal.car, through_column])?;
            Ok(ArchivedDay {
                car: seal.car.clone(),
                day: seal.day,
                file: proven.file.clone(),
                rows: proven.rows,
                bytes: proven.bytes,
                sha256: proven.sha256,
                sealed: seal.at,
                through,
            })
        })
    }

    /// Step 4. Only files that the catalogue names and has replaced or let go: a file that it does not know may be the only one
    /// of its day, if the database was restored from an older copy.
    pub(crate) fn drop_superseded(&self) -> Result<(), StoreError> {
        let superseded = self.db.ask(|conn| {
            let mut files = conn.prepare_cached(
                "SELECT file FROM seals AS s
                 WHERE EXISTS (SELECT 1 FROM seals WHERE car = s.car AND day = s.day AND number > s.number)
                    OR EXISTS (SELECT 1 FROM released WHERE seal = s.number)",
            )?;
            Ok(files.query_map([], |row| row.get(0))?.collect::<rusqlite::Result<Vec<String>>>()?)
        })?;
        for file in superseded {
            let path = self.folder.archive().join(file);
            match std::fs::remove_file(&path) {
                Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
                    return Err(StoreError::io(&path, "remove a file that was replaced or let go")(error));
                }
                _ => {}
            }
        }
        Ok(())
    }
}

impl SqliteReader {
    pub(crate) fn archived_days(&self, car: &str) -> Result<Vec<ArchivedDay>, StoreError> {
        self.ask(|conn| {
            let mut days = conn.prepare_cached(&format!(
                "SELECT {DAY_COLUMNS} FROM seals AS s WHERE car = ?1
                 AND number = (SELECT max(number) FROM seals WHERE car = s.car AND day = s.day)
                 AND NOT EXISTS (SELECT 1 FROM released WHERE seal = s.number) ORDER BY day"
            ))?;
            let mut days = days.query_map([car], archived_day)?.collect::<rusqlite::Result<Vec<_>>>()?;
            days.sort_by_key(|day| day.day); // as dates: a year before 0 has a sign
            Ok(days)
        })
    }

    pub(crate) fn archived_samples(&self, car: &str, span: Span) -> Result<SampleStream, StoreError> {
        let archive = self.archive();
        let days = self.archived_days(car)?;
        let files = days.into_iter().filter(move |day| {
            let of_day = day.day.span();
            of_day.from < span.until && span.from < of_day.until
        });
        Ok(Box::new(files.flat_map(move |day| -> SampleStream {
            match as_sealed(&archive, &day, span) {
                Ok(batches) => Box::new(batches),
                Err(error) => Box::new(std::iter::once(Err(error))),
            }
        })))
    }

    /// Reads every file of the archive through and compares it with what the catalogue says of it. Gives what is
    /// wrong, in words.
    ///
    /// # Errors
    /// Where the catalogue can't be asked.
    pub fn verify_archive(&self) -> Result<Vec<String>, StoreError> {
        let mut faults = Vec::new();
        for car in self.cars()? {
            for day in self.archived_days(&car.id)? {
                if let Err(error) = as_sealed(&self.archive(), &day, Span::ALL) {
                    faults.push(error.to_string());
                }
            }
        }
        Ok(faults)
    }

    fn archive(&self) -> PathBuf {
        Folder::new(self.path.parent().unwrap_or(Path::new("."))).archive()
    }
}

/// How far the journal can leave, and the link of the last row that leaves. Never beyond what is journalled, nor beyond
/// what the pipeline has taken in: it could not go on after a restart.
fn leaving(tx: &Connection, seal: &Seal, before: &LastSeal) -> Result<(Position, [u8; 32]), Fail> {
    let one = |sql: &str| -> Result<Option<i64>, Fail> {
        Ok(tx.prepare_cached(sql)?.query_row([&seal.car], |row| row.get(0)).optional()?)
    };
    let head = one("SELECT position FROM chain_heads WHERE car = ?1")?.unwrap_or(0);
    let judged = one("SELECT position FROM checkpoints WHERE car = ?1")?.unwrap_or(i64::MAX);
    let asked = i64::try_from(seal.through.0).unwrap_or(i64::MAX);
    let through = Position(asked.min(head).min(judged) as u64).max(before.through);
    let link = tx
        .prepare_cached(
            "SELECT link FROM journal WHERE car = ?1 AND position <= ?2 ORDER BY position DESC LIMIT 1",
        )?
        .query_row(params![seal.car, through.0 as i64], |row| row.get(0))
        .optional()?;
    Ok((through, link.unwrap_or(before.journal_link)))
}

/// Where the car's chains stand after its last seal.
pub(crate) struct LastSeal {
    pub(crate) through: Position,
    pub(crate) journal_link: [u8; 32],
    pub(crate) link: [u8; 32],
}

fn last_seal(conn: &Connection, car: &str) -> Result<LastSeal, Fail> {
    let found = conn
        .prepare_cached(
            "SELECT through, journal_link, link FROM seals WHERE car = ?1 ORDER BY number DESC LIMIT 1",
        )?
        .query_row([car], |row| {
            Ok(LastSeal {
                through: Position(row.get::<_, i64>(0)? as u64),
                journal_link: row.get(1)?,
                link: row.get(2)?,
            })
        })
        .optional()?;
    Ok(found.unwrap_or(LastSeal { through: Position(0), journal_link: chain::GENESIS, link: chain::GENESIS }))
}

pub(super) const DAY_COLUMNS: &str = "car, day, file, rows, bytes, sha256, sealed_us, through";

pub(super) fn archived_day(row: &rusqlite::Row) -> rusqlite::Result<ArchivedDay> {
    let day: String = row.get(1)?;
    Ok(ArchivedDay {
        car: row.get(0)?,
        day: day.parse().map_err(|error: StoreError| {
            rusqlite::Error::FromSqlConversionFailure(1, rusqlite::types::Type::Text, error.into())
        })?,
        file: row.get(2)?,
        rows: row.get::<_, i64>(3)? as u64,
        bytes: row.get::<_, i64>(4)? as u64,
        sha256: row.get(5)?,
        sealed: Micros(row.get(6)?),
        through: Position(row.get::<_, i64>(7)? as u64),
    })
}

fn day(conn: &Connection, car: &str, day: Day) -> Result<Option<ArchivedDay>, Fail> {
    Ok(conn
        .prepare_cached(&format!(
            "SELECT {DAY_COLUMNS} FROM seals AS s WHERE car = ?1 AND day = ?2
             AND number = (SELECT max(number) FROM seals WHERE car = s.car AND day = s.day)
             AND NOT EXISTS (SELECT 1 FROM released WHERE seal = s.number)"
        ))?
        .query_row(params![car, day.to_string()], archived_day)
        .optional()?)
}

fn part_of(path: &Path) -> PathBuf {
    path.with_extension("parquet.part")
}

/// Every file that a day ever had, below the archive's folder.
fn files(conn: &Connection, car: &str, day: Day) -> Result<Vec<String>, Fail> {
    let mut files = conn.prepare_cached("SELECT file FROM seals WHERE car = ?1 AND day = ?2")?;
    Ok(files.query_map(params![car, day.to_string()], |row| row.get(0))?.collect::<rusqlite::Result<_>>()?)
}

/// One more than the highest number of the day's files, there or gone, known to the catalogue or not: none is ever written
/// over, and no two ever had one name.
fn free_number(dir: &Path, day: Day, known: &[String]) -> Result<u64, StoreError> {
    let io = |error| StoreError::io(dir, "list the archive's folder")(error);
    let number =
        |name: &str| name.strip_prefix(&format!("{day}."))?.strip_suffix(".parquet")?.parse::<u64>().ok();
    let known = known.iter().filter_map(|file| number(file.rsplit('/').next()?));
    let mut highest = known.max().unwrap_or(0);
    for entry in std::fs::read_dir(dir).map_err(io)? {
        let name = entry.map_err(io)?.file_name();
        highest = highest.max(name.to_str().and_then(number).unwrap_or(0));
    }
    Ok(highest + 1)
}

/// The rows of a day, once the file has proven to be the one that was sealed.
pub(super) fn as_sealed(
    archive: &Path,
    day: &ArchivedDay,
    span: Span,
) -> Result<parquet::ArchiveBatches, StoreError> {
    let path = archive.join(&day.file);
    if file_digest(&path)?.1 != day.sha256 {
        let what = "the file is not as it was sealed: its SHA-256 differs".into();
        return Err(StoreError::Corrupt { path, what });
    }
    parquet::read(&path, span)
}

/// Size and SHA-256 of a file.
fn file_digest(path: &Path) -> Result<(u64, [u8; 32]), StoreError> {
    let io = |error| StoreError::io(path, "read the archive file")(error);
    let mut file = File::open(path).map_err(io)?;
    let (mut hash, mut bytes, mut buffer) = (Sha256::new(), 0, vec![0; 1 << 16]);
    loop {
        match file.read(&mut buffer).map_err(io)? {
            0 => return Ok((bytes, hash.finalize().into())),
            n => {
                hash.update(&buffer[..n]);
                bytes += n as u64;
            }
        }
    }
}

/// A digest of rows that does not depend on how they are cut into batches.
struct RowDigest(Sha256);

impl RowDigest {
    fn new() -> Self {
        RowDigest(Sha256::new())
    }

    fn add(&mut self, batch: &Samples) {
        for (row, (at, source)) in batch.times.iter().zip(&batch.sources).enumerate() {
            self.0.update(at.0.to_le_bytes());
            self.0.update((source.logger.len() as u64).to_le_bytes());
            self.0.update(source.logger.as_bytes());
            self.0.update(source.boot.to_le_bytes());
            self.0.update(source.sequence.to_le_bytes());
            for values in &batch.values {
                self.0.update(values[row].to_bits().to_le_bytes());
            }
        }
    }

    fn finish(self) -> [u8; 32] {
        self.0.finalize().into()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Car, Frame, SampleColumn, Source, Storage};

    fn filled(folder: &Path) -> SqliteStore {
        let mut store = SqliteStore::open(folder).unwrap();
        let car = Car { id: "oak".into(), name: "Oak".into(), profile: "p".into(), recorded: Micros(1) };
        store.put_car(&car).unwrap();
        store.attach("L", "oak", Micros(2)).unwrap();
        let frame = |sequence| Frame {
            logger: "L".into(),
            boot: 1,
            sequence,
            received: Micros(5),
            logged: None,
            bytes: vec![sequence as u8],
        };
        store.append(&(0..10).map(frame).collect::<Vec<_>>()).unwrap();
        store
    }

    /// One row a frame.
    fn rows(sequences: std::ops::Range<u64>) -> Samples {
        let columns = [SampleColumn { name: "p".into(), unit: "bar".into(), binary: false }];
        let mut all = Samples::new(columns.to_vec().into());
        for sequence in sequences {
            all.times.push(Micros(sequence as i64));
            all.sources.push(Source { logger: "L".into(), boot: 1, sequence });
            all.values[0].push(sequence as f32);
        }
        all
    }

    fn seal(through: u64) -> Seal {
        Seal {
            car: "oak".into(),
            day: Day::of(Micros(0)).unwrap(),
            columns: rows(0..0).columns,
            through: Position(through),
            at: Micros(7),
        }
    }

    /// Each frame must be in the journal or its row in the archive, and no row there twice.
    fn assert_nothing_lost_or_doubled(store: &SqliteStore) {
        let archived: Vec<u64> = store
            .catalogue()
            .samples("oak", Span::ALL)
            .unwrap()
            .flat_map(|batch| batch.unwrap().sources)
            .map(|source| source.sequence)
            .collect();
        assert!(archived.is_sorted_by(|a, b| a < b), "{archived:?}");
        let journal = store.catalogue().journal(None, Position(0), 100).unwrap();
        let mut all: Vec<u64> = journal.iter().map(|row| row.frame.sequence).chain(archived).collect();
        all.sort_unstable();
        all.dedup();
        assert_eq!(all, (0..10).collect::<Vec<_>>());
        assert_eq!(store.catalogue().verify_chain("oak").unwrap().broken, None);
        assert_eq!(store.db.verify_archive().unwrap(), Vec::<String>::new());
    }

    /// The power goes after each step of a first and of a second seal; the next start finds all, and the same seal
    /// done again goes through.
    #[test]
    fn a_seal_that_was_cut_off_after_any_step_loses_nothing_and_can_be_done_again() {
        for steps in 0..=3 {
            for already_sealed in [false, true] {
                let dir = tempfile::tempdir().unwrap();
                let mut store = filled(dir.path());
                if already_sealed {
                    store.seal(&seal(4), &mut [rows(0..4)].into_iter().map(Ok)).unwrap();
                }
                let (what, late) = (seal(8), [rows(if already_sealed { 2 } else { 0 }..8)]);
                if steps == 0 {
                    // Cut off within the file.
                    let path = store.folder.archive().join("oak/1970-01-01.9.parquet.part");
                    std::fs::create_dir_all(path.parent().unwrap()).unwrap();
                    std::fs::write(path, "PAR1 and then the power went").unwrap();
                } else {
                    let proven = store.write_proven(&what, &mut late.clone().into_iter().map(Ok)).unwrap();
                    if steps > 1 {
                        store.give_name(&proven).unwrap();
                    }
                    if steps > 2 {
                        store.enter(&what, &proven).unwrap();
                    }
                }
                drop(store);
                let mut store = SqliteStore::open(dir.path()).unwrap();
                assert_nothing_lost_or_doubled(&store);
                store.seal(&what, &mut late.into_iter().map(Ok)).unwrap();
                assert_nothing_lost_or_doubled(&store);
                assert_eq!(store.catalogue().journal(None, Position(0), 100).unwrap().len(), 2);
            }
        }
    }
}
