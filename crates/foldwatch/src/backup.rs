//! `foldwatch backup`: a copy of a daemon's folder while it runs, and whether a copy is whole. A copy is a folder like the
//! one it was made of: to go back to it, serve from it.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, bail};
use clap::{Args, Subcommand};
use foldwatch_store::{SqliteReader, verify_copy};

use crate::out::say;

/// The database, which is copied as of one moment.
const CATALOGUE: &str = "catalogue.sqlite";
/// What is of this machine and moment only: locks, copies from before an upgrade, and a password in the clear.
const LEFT: [&str; 3] = ["foldwatch.lock", "access.lock", "owner-password"];
/// A day that is sealed anew between the copy of the database and that of its file makes another try needed. It takes
/// a day's end to happen at all.
const TRIES: usize = 3;

/// Copies of a daemon's folder.
#[derive(Debug, Args)]
pub struct Backup {
    /// What to do.
    #[command(subcommand)]
    what: What,
}

/// What to do.
#[derive(Debug, Subcommand)]
enum What {
    /// Copy a folder, also while its daemon runs, and read the copy through.
    Make {
        /// The daemon's folder.
        #[arg(long, value_name = "FOLDER", env = "FOLDWATCH_DATA")]
        data: PathBuf,
        /// The folder to make.
        to: PathBuf,
    },
    /// Read a copy through: every table, every link of the chain, every day of the archive.
    Check {
        /// The copy.
        folder: PathBuf,
    },
}

/// Does it.
pub fn run(args: &Backup) -> Result<()> {
    match &args.what {
        What::Make { data, to } => make(data, to),
        What::Check { folder } => say(format!("{}: {}", folder.display(), whole(folder)?)),
    }
}

fn make(data: &Path, to: &Path) -> Result<()> {
    if to.exists() {
        bail!("{}: there is something already; give the copy a new name", to.display());
    }
    let name = to.file_name().with_context(|| format!("{}: that is no name for a folder", to.display()))?;
    let beside = to.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut last = None;
    for _ in 0..TRIES {
        // Under its name it appears only when it is whole. On any failure nothing is left of it.
        let room = tempfile::Builder::new().prefix(".foldwatch-").tempdir_in(beside);
        let room = room.with_context(|| format!("{}: can't be written", beside.display()))?;
        let copy = room.path().join(name);
        fs::create_dir(&copy).with_context(|| copy.display().to_string())?;
        private(&copy)?;
        SqliteReader::open(data)?.back_up(copy.join(CATALOGUE))?;
        rest(data, &copy).with_context(|| format!("{} can't be copied", data.display()))?;
        match whole(&copy) {
            Ok(said) => {
                fs::rename(&copy, to).with_context(|| to.display().to_string())?;
                fs::File::open(beside)?.sync_all()?;
                say(format!("{}: {said}", to.display()))?;
                eprintln!(
                    "To go back to it: `foldwatch serve --data {}`, with the settings as they are.",
                    to.display()
                );
                return Ok(());
            }
            Err(error) => last = Some(error),
        }
    }
    Err(last.unwrap_or_else(|| anyhow::anyhow!("no try was made")))
}

/// Nobody else reads it: it says who may come in.
fn private(folder: &Path) -> Result<()> {
    #[cfg(unix)]
    fs::set_permissions(folder, std::os::unix::fs::PermissionsExt::from_mode(0o700))
        .with_context(|| folder.display().to_string())?;
    Ok(())
}

/// Everything beside the database: archive, people, trail, bags, messages.
fn rest(from: &Path, to: &Path) -> io::Result<()> {
    for entry in fs::read_dir(from)? {
        let entry = entry?;
        let name = entry.file_name();
        let text = name.to_string_lossy();
        let left = LEFT.contains(&text.as_ref())
            || text.starts_with('.')
            || text.starts_with("catalogue")
            || text.ends_with(".part");
        if left {
            continue;
        }
        let (kind, target) = (entry.file_type()?, to.join(&name));
        if kind.is_dir() {
            fs::create_dir(&target)?;
            rest(&entry.path(), &target)?;
        } else if kind.is_file() {
            match fs::copy(entry.path(), &target) {
                Ok(_) => fs::File::open(&target)?.sync_all()?,
                // The daemon has put it elsewhere meanwhile; whether it is needed is seen when the copy is read through.
                Err(error) if error.kind() == io::ErrorKind::NotFound => {}
                Err(error) => return Err(error),
            }
        }
    }
    fs::File::open(to)?.sync_all()
}

/// What a copy holds; an error where it is not whole.
fn whole(folder: &Path) -> Result<String> {
    let catalogue = folder.join(CATALOGUE);
    if !catalogue.exists() {
        bail!("{}: there is no {CATALOGUE}; this is no folder of a daemon", folder.display());
    }
    let sound = verify_copy(&catalogue)?;
    let mut faults = sound.faults;
    faults.extend(SqliteReader::open(folder)?.verify_archive()?);
    if !faults.is_empty() {
        bail!("{} is not whole:\n{}", folder.display(), faults.join("\n"));
    }
    Ok(format!(
        "whole; cars: {}, cycles: {}, frames in the journal: {}, every day of the archive as it was sealed",
        sound.cars, sound.cycles, sound.frames
    ))
}
