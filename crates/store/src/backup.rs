//! Copies of the database while it is in use, and whether they are good.

use std::path::{Path, PathBuf};

use rusqlite::Connection;

use crate::StoreError;
use crate::folder::sync_dir;
use crate::sqlite::{Soundness, SqliteReader, verify_copy};

impl SqliteReader {
    /// Copies the database as it is at this moment to a new file, while others go on writing, and reads the copy
    /// through. The file appears under its name only when it is whole, synced and found sound.
    ///
    /// The archive's files need no such care: they never change once they have their name.
    ///
    /// # Errors
    /// [`StoreError::Invalid`] where the file is there already, [`StoreError::Corrupt`] where the copy is not sound.
    pub fn back_up(&self, to: impl AsRef<Path>) -> Result<Soundness, StoreError> {
        let to = to.as_ref();
        if to.exists() {
            return Err(StoreError::invalid(format!(
                "{}: there is a file already; give the backup a new name",
                to.display()
            )));
        }
        copy_into(&self.conn, to)?;
        sync_dir(parent(to))?;
        let soundness = verify_copy(to)?;
        match soundness.faults.first() {
            None => Ok(soundness),
            Some(fault) => Err(StoreError::Corrupt { path: to.to_owned(), what: fault.clone() }),
        }
    }
}

/// A consistent copy under a name that it gets only when it is whole and synced.
pub(crate) fn copy_into(conn: &Connection, to: &Path) -> Result<(), StoreError> {
    let mut part = to.as_os_str().to_owned();
    part.push(".part");
    let part = PathBuf::from(part);
    if part.exists() {
        std::fs::remove_file(&part).map_err(StoreError::io(&part, "remove what an earlier try left"))?;
    }
    let name = part.to_str().ok_or_else(|| {
        StoreError::invalid(format!("{}: the database takes only names in UTF-8", part.display()))
    })?;
    conn.execute("VACUUM INTO ?1", [name]).map_err(StoreError::sql(&part))?;
    std::fs::File::open(&part)
        .and_then(|file| file.sync_all())
        .map_err(StoreError::io(&part, "sync the copy"))?;
    std::fs::rename(&part, to).map_err(StoreError::io(to, "give the copy its name"))
}

fn parent(path: &Path) -> &Path {
    match path.parent() {
        Some(parent) if parent != Path::new("") => parent,
        _ => Path::new("."),
    }
}
