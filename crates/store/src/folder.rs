//! The one folder that holds it all, its lock, and the room that is left.
//!
//! ```text
//! <folder>/
//!   foldwatch.lock           held by the daemon that works on the folder
//!   catalogue.sqlite         journal and catalogue (with -wal and -shm while it is open)
//!   catalogue-v<N>.sqlite    copy made before an upgrade from schema N
//!   archive/<car>/<yyyy-mm-dd>.<n>.parquet
//! ```

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

use crate::StoreError;

/// Where things lie in a store's folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Folder(PathBuf);

impl Folder {
    /// The layout under this path; nothing is touched.
    pub fn new(path: impl Into<PathBuf>) -> Self {
        Folder(path.into())
    }

    /// The folder itself.
    pub fn path(&self) -> &Path {
        &self.0
    }

    /// Journal and catalogue.
    pub fn database(&self) -> PathBuf {
        self.0.join("catalogue.sqlite")
    }

    /// The copy that is made before an upgrade from this schema version.
    pub fn before_upgrade(&self, version: u32) -> PathBuf {
        self.0.join(format!("catalogue-v{version}.sqlite"))
    }

    /// The archive of all cars.
    pub fn archive(&self) -> PathBuf {
        self.0.join("archive")
    }

    /// Room on the folder's file system.
    ///
    /// # Errors
    /// Where the system can't tell.
    pub fn space(&self) -> Result<Space, StoreError> {
        let stats = fs4::statvfs(&self.0).map_err(StoreError::io(&self.0, "ask for the free space"))?;
        Ok(Space { free_bytes: stats.available_space(), total_bytes: stats.total_space() })
    }

    /// Makes the folder where it is missing and takes its lock, which lasts until the file is dropped or the
    /// process ends, however it ends.
    pub(crate) fn lock(&self) -> Result<File, StoreError> {
        std::fs::create_dir_all(&self.0).map_err(StoreError::io(&self.0, "create the folder"))?;
        let path = self.0.join("foldwatch.lock");
        let mut file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&path)
            .map_err(StoreError::io(&path, "open the lock file"))?;
        match try_for_a_moment(&file) {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                let mut holder = String::new();
                // Only for the message: who holds it may be unreadable, that somebody does is certain.
                let _ = file.take(64).read_to_string(&mut holder);
                let holder = match holder.trim() {
                    "" => "it left no name".to_owned(),
                    name => name.to_owned(),
                };
                return Err(StoreError::Locked { folder: self.0.clone(), holder });
            }
            Err(TryLockError::Error(source)) => {
                return Err(StoreError::io(&path, "lock the folder")(source));
            }
        }
        // The name in the file is a courtesy to the second one; a full disk must not keep the first from starting.
        let _ = file.set_len(0).and_then(|()| writeln!(file, "process {}", std::process::id()));
        sync_dir(&self.0)?;
        Ok(file)
    }
}

/// A process that is being started by this one shares its open files until it runs its own program, so that a lock
/// may outlive its owner by some milliseconds.
fn try_for_a_moment(file: &File) -> Result<(), TryLockError> {
    for _ in 0..50 {
        match file.try_lock() {
            Err(TryLockError::WouldBlock) => std::thread::sleep(Duration::from_millis(10)),
            done => return done,
        }
    }
    file.try_lock()
}

/// Room on a file system.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Space {
    /// What this user may still write.
    pub free_bytes: u64,
    /// The whole.
    pub total_bytes: u64,
}

/// Makes the names in a folder durable: a file that was synced but whose name was not is lost with the power.
pub(crate) fn sync_dir(path: &Path) -> Result<(), StoreError> {
    if cfg!(unix) {
        let io = |source| StoreError::io(path, "sync the folder")(source);
        File::open(path).map_err(io)?.sync_all().map_err(io)?;
    }
    Ok(())
}
