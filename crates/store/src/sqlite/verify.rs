//! Is what lies there still what was written?

use std::path::Path;

use rusqlite::Connection;

use super::{Fail, SqliteReader, journal, read};
use crate::chain;
use crate::journal::{ChainReport, Position};
use crate::{Catalogue, StoreError};

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

pub(super) fn chain(conn: &Connection, car: &str) -> Result<ChainReport, Fail> {
    let columns = journal::FRAME_COLUMNS;
    let mut rows = conn
        .prepare_cached(&format!("SELECT {columns}, link FROM journal WHERE car = ?1 ORDER BY position"))?;
    let mut rows = rows.query([car])?;
    let mut report = ChainReport { walked: 0, broken: None };
    let mut last = (Position(0), chain::GENESIS);
    while let Some(row) = rows.next()? {
        let there = journal::frame(row)?;
        let link: [u8; 32] = row.get(8)?;
        report.walked += 1;
        if link != chain::link(&last.1, &there.frame) {
            report.broken = Some((
                there.position,
                "does not follow from the row before: altered, or one before it is gone",
            ));
            return Ok(report);
        }
        last = (there.position, link);
    }
    let head =
        journal::head(conn, car)?.map_or((Position(0), chain::GENESIS), |head| (head.position, head.link));
    if head != last {
        report.broken = Some((last.0, "the rows after this one are gone, or the chain's end was altered"));
    }
    Ok(report)
}
