//! Is what lies there still what was written?

use std::path::Path;

use rusqlite::{Connection, OptionalExtension};

use super::{Fail, SqliteReader, journal, read};
use crate::chain::{self, GENESIS, SealRow};
use crate::journal::{ChainReport, Journalled, Position};
use crate::{Catalogue, StoreError};
use foldwatch_units::Micros;

/// What a thorough look at a database has shown.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Soundness {
    /// How many cars.
    pub cars: usize,
    /// Cycles of all cars.
    pub cycles: u64,
    /// Journal rows of all cars.
    pub frames: u64,
    /// What is wrong, in words; empty: nothing.
    pub faults: Vec<String>,
}

/// Reads the whole of a database file (a backup, or a store's own): the database's own checks, what refers to what,
/// and every car's hash chain.
///
/// # Errors
/// Where it can't even be opened as a database of foldwatch.
pub fn verify_copy(path: impl AsRef<Path>) -> Result<Soundness, StoreError> {
    let reader = SqliteReader::open_file(path.as_ref())?;
    let mut faults = reader.ask(own_checks)?;
    let mut frames = 0;
    let cars = reader.cars()?;
    for car in &cars {
        let chain = reader.verify_chain(&car.id)?;
        frames += chain.walked;
        if let Some((position, why)) = chain.broken {
            faults.push(format!("car `{}`, journal position {}: {why}", car.id, position.0));
        }
    }
    let cycles: i64 =
        reader.ask(|conn| Ok(conn.query_row("SELECT count(*) FROM cycles", [], |row| row.get(0))?))?;
    Ok(Soundness { cars: cars.len(), cycles: cycles as u64, frames, faults })
}

fn own_checks(conn: &Connection) -> Result<Vec<String>, Fail> {
    let mut faults = read::all(conn, "PRAGMA integrity_check(20)", [], |row| row.get::<_, String>(0))?;
    faults.retain(|line| line != "ok");
    faults.extend(read::all(conn, "PRAGMA foreign_key_check", [], |row| {
        let (table, parent): (String, String) = (row.get(0)?, row.get(2)?);
        Ok(format!("a row of `{table}` refers to a row of `{parent}` that is not there"))
    })?);
    Ok(faults)
}

/// First the seals, each linked to the one before, then what is left in the journal, linked to the last seal, up to
/// the end that is on record.
pub(super) fn chain(conn: &Connection, car: &str) -> Result<ChainReport, Fail> {
    let mut report = ChainReport { walked: 0, broken: None };
    let mut broken = |walked, at, why| {
        report.walked = walked;
        report.broken = Some((at, why));
        Ok(report.clone())
    };
    let mut last = (Position(0), GENESIS);
    let mut seal_before = GENESIS;
    for (seal, link) in seals(conn, car)? {
        if chain::seal_link(&seal_before, &seal) != link {
            return broken(0, seal.through, "a seal of the archive was altered, or one before it is gone");
        }
        seal_before = link;
        last = (seal.through, seal.journal_link);
    }
    let columns = journal::FRAME_COLUMNS;
    let mut rows = conn
        .prepare_cached(&format!("SELECT {columns}, link FROM journal WHERE car = ?1 ORDER BY position"))?;
    let mut rows = rows.query([car])?;
    let mut walked = 0;
    while let Some(row) = rows.next()? {
        let there = journal::frame(row)?;
        let link: [u8; 32] = row.get(8)?;
        walked += 1;
        if link != chain::link(&last.1, &there.frame) {
            let why = "does not follow from the row before: altered, or one before it is gone";
            return broken(walked, there.position, why);
        }
        last = (there.position, link);
    }
    let end = journal::head(conn, car)?.map_or(GENESIS, |head| head.link);
    if end != last.1 {
        return broken(walked, last.0, "the rows after this one are gone, or the chain's end was altered");
    }
    report.walked = walked;
    Ok(report)
}

/// Every seal of a car with its link, oldest first.
fn seals(conn: &Connection, car: &str) -> Result<Vec<(SealRow, [u8; 32])>, Fail> {
    let mut seals = conn.prepare_cached(
        "SELECT day, file, rows, bytes, sha256, sealed_us, through, journal_link, link FROM seals
         WHERE car = ?1 ORDER BY number",
    )?;
    let seals = seals.query_map([car], |row| {
        let seal = SealRow {
            day: row.get(0)?,
            file: row.get(1)?,
            rows: row.get::<_, i64>(2)? as u64,
            bytes: row.get::<_, i64>(3)? as u64,
            sha256: row.get(4)?,
            sealed: Micros(row.get(5)?),
            through: Position(row.get::<_, i64>(6)? as u64),
            journal_link: row.get(7)?,
        };
        Ok((seal, row.get(8)?))
    })?;
    Ok(seals.collect::<rusqlite::Result<_>>()?)
}

impl SqliteReader {
    /// Every day that was put into a car's archive, each with its link, oldest first. Links are made as
    /// [`crate::seal_link`] makes them.
    ///
    /// # Errors
    /// When the catalogue can't be asked.
    pub fn linked_seals(&self, car: &str) -> Result<Vec<(SealRow, [u8; 32])>, StoreError> {
        self.ask(|conn| seals(conn, car))
    }

    /// The rows of a car that are still in its journal up to a position, each with its link, oldest first; the answer is the link that
    /// the first of them follows on: that of the last archived row, or 32 zero bytes. Links are SHA-256 as
    /// [`crate::frame_link`] makes them, so that whoever is handed the rows can walk them without the store.
    ///
    /// # Errors
    /// When the journal can't be read; also what `each` says, which ends it.
    pub fn linked_rows(
        &self,
        car: &str,
        until: Position,
        each: &mut dyn FnMut(Journalled, [u8; 32]) -> Result<(), StoreError>,
    ) -> Result<[u8; 32], StoreError> {
        let mut failed = Ok(());
        let before = self.ask(|conn| {
            let sealed = conn
                .prepare_cached("SELECT journal_link FROM seals WHERE car = ?1 ORDER BY number DESC LIMIT 1")?
                .query_row([car], |row| row.get::<_, [u8; 32]>(0))
                .optional()?;
            let columns = journal::FRAME_COLUMNS;
            let mut rows = conn.prepare_cached(&format!(
                "SELECT {columns}, link FROM journal WHERE car = ?1 AND position <= ?2 ORDER BY position"
            ))?;
            let until = i64::try_from(until.0).unwrap_or(i64::MAX);
            let mut rows = rows.query(rusqlite::params![car, until])?;
            while let Some(row) = rows.next()? {
                failed = each(journal::frame(row)?, row.get(8)?);
                if failed.is_err() {
                    break;
                }
            }
            Ok(sealed.unwrap_or(GENESIS))
        })?;
        failed.map(|()| before)
    }
}
