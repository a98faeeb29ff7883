//! The schema's versions and the way from one to the next.

use std::path::Path;

use rusqlite::Connection;

use crate::StoreError;
use crate::folder::{Folder, sync_dir};

/// `MIGRATIONS[n]` leads from schema n to n + 1. A published one is never changed: add the next.
const MIGRATIONS: &[&str] =
    &[include_str!("schema/v1.sql"), include_str!("schema/v2.sql"), include_str!("schema/v3.sql")];

/// The schema that this program writes.
pub const SCHEMA: u32 = MIGRATIONS.len() as u32;

/// Marks the database as foldwatch's: "Fold" in ASCII.
const APPLICATION: i32 = 0x466F_6C64;

/// Brings the database up to [`SCHEMA`], each step a transaction, after a copy for the way back.
pub(crate) fn run(conn: &mut Connection, folder: &Folder) -> Result<(), StoreError> {
    let path = folder.database();
    let sql = StoreError::sql(&path);
    let found = version(conn, &path)?;
    let mode: String =
        conn.pragma_update_and_check(None, "journal_mode", "wal", |row| row.get(0)).map_err(&sql)?;
    if !mode.eq_ignore_ascii_case("wal") {
        return Err(StoreError::invalid(format!(
            "{}: this file system has no shared memory for a write-ahead log (mode `{mode}`); use a local disk",
            path.display()
        )));
    }
    conn.pragma_update(None, "synchronous", "full").map_err(&sql)?;
    // A long reader can let the log grow; this gives the room back afterwards.
    conn.pragma_update(None, "journal_size_limit", 64 << 20).map_err(&sql)?;
    if found == SCHEMA {
        return Ok(());
    }
    if found > 0 {
        keep_copy(conn, folder, found)?;
    }
    for (step, text) in MIGRATIONS.iter().enumerate().skip(found as usize) {
        let mut apply = || {
            let tx = conn.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)?;
            tx.execute_batch(text)?;
            tx.pragma_update(None, "application_id", APPLICATION)?;
            tx.pragma_update(None, "user_version", step as u32 + 1)?;
            tx.commit()
        };
        apply().map_err(&sql)?;
    }
    Ok(())
}

/// A copy from before the upgrade, whole or not there at all.
fn keep_copy(conn: &Connection, folder: &Folder, version: u32) -> Result<(), StoreError> {
    let copy = folder.before_upgrade(version);
    if copy.exists() {
        return Ok(()); // the upgrade was begun before and did not get further
    }
    super::super::backup::copy_into(conn, &copy)?;
    sync_dir(folder.path())
}

/// For asking only: no upgrade can be done, so the schema must be this program's.
pub(crate) fn expect_current(conn: &Connection, path: &Path) -> Result<(), StoreError> {
    match version(conn, path)? {
        SCHEMA => Ok(()),
        older => Err(StoreError::invalid(format!(
            "{}: schema {older} is older than this program's ({SCHEMA}); start the daemon on it once to upgrade it",
            path.display()
        ))),
    }
}

/// The schema of the database, 0 for an empty one; refuses what is newer or not ours.
fn version(conn: &Connection, path: &Path) -> Result<u32, StoreError> {
    let ask = || {
        let found: u32 = conn.pragma_query_value(None, "user_version", |row| row.get(0))?;
        let application: i32 = conn.pragma_query_value(None, "application_id", |row| row.get(0))?;
        let tables: u32 = conn.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))?;
        Ok((found, application, tables))
    };
    let (found, application, tables) = ask().map_err(StoreError::sql(path))?;
    if application != APPLICATION && (application != 0 || found != 0 || tables != 0) {
        return Err(StoreError::Foreign { path: path.to_owned() });
    }
    if found > SCHEMA {
        return Err(StoreError::NewerSchema { path: path.to_owned(), found, known: SCHEMA });
    }
    Ok(found)
}
