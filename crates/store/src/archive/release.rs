//! Days that leave the archive to make room. What was shown by them stays: verdicts, entries, and the seals, by which a copy
//! of the file that somebody kept can still be proven to be the one.

use rusqlite::params;

use super::samples::{ArchivedDay, Day};
use super::seal::{DAY_COLUMNS, archived_day, as_sealed};
use crate::records::Entry;
use crate::sqlite::{SqliteReader, SqliteStore, write};
use crate::{Catalogue, Span, StoreError};

impl SqliteStore {
    /// Lets files of a car's archive go, and adds the entry that says so, all or nothing; gives the entry's number. A day
    /// goes only where nothing is lost but its samples: it is sealed, its file is the one that was sealed, the car's chain
    /// is whole, and it is not of the last days that were sealed, which the next start may look at.
    ///
    /// # Errors
    /// Where one of these is not so: then all are kept.
    pub fn release(&mut self, car: &str, days: &[Day], entry: &Entry) -> Result<u64, StoreError> {
        let archived = self.db.archived_days(car)?;
        let newest = archived.iter().map(|day| day.through).max();
        let refused = |day: &Day, why: &str| {
            StoreError::invalid(format!("{car}, {day}: the samples can't leave the archive: {why}"))
        };
        for day in days {
            let there = archived.iter().find(|there| there.day == *day);
            let there = there.ok_or_else(|| refused(day, "they are not in it"))?;
            if Some(there.through) == newest {
                return Err(refused(day, "they were the last to be put there"));
            }
            as_sealed(&self.folder.archive(), there, Span::ALL)?;
        }
        if let Some((position, why)) = self.db.verify_chain(car)?.broken {
            let place = position.0;
            return Err(StoreError::invalid(format!(
                "{car}: no samples can leave the archive while the car's chain is broken (position {place}: {why})"
            )));
        }
        let at = entry.written;
        let entered = self.write(|tx| {
            let entered = write::entry(tx, entry)?;
            let mut put = tx.prepare_cached(
                "INSERT INTO released (seal, entry, released_us)
                 SELECT max(number), ?3, ?4 FROM seals WHERE car = ?1 AND day = ?2",
            )?;
            for day in days {
                put.execute(params![car, day.to_string(), entered as i64, at.0])?;
            }
            Ok(entered)
        })?;
        // A file that stays for a power cut goes with the next start.
        self.drop_superseded()?;
        Ok(entered)
    }
}

impl SqliteReader {
    /// Days whose samples left a car's archive, and the entries that say so.
    ///
    /// # Errors
    /// When the catalogue can't be asked.
    pub fn released(&self, car: &str) -> Result<Vec<(ArchivedDay, u64)>, StoreError> {
        self.ask(|conn| {
            let mut days = conn.prepare_cached(&format!(
                "SELECT {DAY_COLUMNS}, entry FROM seals JOIN released ON seal = number WHERE car = ?1
                 ORDER BY number"
            ))?;
            let days = days.query_map([car], |row| Ok((archived_day(row)?, row.get::<_, i64>(8)? as u64)))?;
            Ok(days.collect::<rusqlite::Result<_>>()?)
        })
    }
}
