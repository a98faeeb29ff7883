//! What is written whole or not at all.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::Path;

use anyhow::{Context, Result};

/// Writes a file beside its place first and renames it: nobody ever sees half of one, and a failure leaves nothing. It
/// outlasts a power cut, its name as well.
pub fn write(to: &Path, put: impl FnOnce(&mut File) -> Result<()>) -> Result<()> {
    let name = to.file_name().with_context(|| format!("{} names no file", to.display()))?.to_string_lossy();
    let half = to.with_file_name(format!(".{name}.part"));
    let mut file = File::create(&half).with_context(|| format!("{} can't be written", half.display()))?;
    let done = put(&mut file).and_then(|()| {
        file.sync_all()?;
        fs::rename(&half, to).with_context(|| format!("{} can't be written", to.display()))?;
        sync_names(to)
    });
    if done.is_err() {
        // What can't be removed still does not bear the file's name.
        let _ = fs::remove_file(&half);
    }
    done
}

/// Syncs the folder that a file lies in.
fn sync_names(of: &Path) -> Result<()> {
    let folder = of.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    if cfg!(unix) {
        let done = File::open(folder).and_then(|folder| folder.sync_all());
        done.with_context(|| format!("{} can't be synced", folder.display()))?;
    }
    Ok(())
}

/// One JSON value for a person or a program to read, and a line's end.
pub fn json(out: &mut impl Write, value: &impl serde::Serialize) -> io::Result<()> {
    serde_json::to_writer_pretty(&mut *out, value)?;
    writeln!(out)
}
