//! The access file, the first password, and the trail: what stands in the data's folder of who may do what.

use std::fs::{File, OpenOptions};
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use std::time::SystemTime;

use anyhow::{Context, Result, anyhow};
use foldwatch_access::{Accounts, Person, Random, Role, hashed, password};
use foldwatch_web::Deed;

/// Who signs in first.
pub const OWNER: &str = "owner";
/// A trail's file is put aside when it has grown to this.
const TRAIL_BYTES: u64 = 4 << 20;
/// So many that were put aside are kept, some 20,000 deeds each.
const TRAIL_KEPT: u32 = 4;

/// Where it all lies.
#[derive(Debug, Clone)]
pub struct Files(PathBuf);

impl Files {
    /// In the data's folder.
    pub fn new(folder: &Path) -> Self {
        Files(folder.to_owned())
    }

    /// Who may do what.
    pub fn access(&self) -> PathBuf {
        self.0.join("access.toml")
    }

    /// The owner's first password, until it is changed.
    pub fn first_password(&self) -> PathBuf {
        self.0.join("owner-password")
    }

    fn trail(&self, n: u32) -> PathBuf {
        self.0.join(if n == 0 { "trail.jsonl".to_owned() } else { format!("trail-{n}.jsonl") })
    }

    /// Who may do what; `None`: nobody has been entered yet.
    ///
    /// # Errors
    /// A file that can't be read or is wrong. It is not taken for an empty one: that would let nobody in, or the wrong ones.
    pub fn read(&self) -> Result<Option<Accounts>> {
        let path = self.access();
        let text = match std::fs::read_to_string(&path) {
            Ok(text) => text,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
            Err(error) => return Err(anyhow!("{}: can't be read: {error}", path.display())),
        };
        Ok(Some(Accounts::parse(&text).with_context(|| path.display().to_string())?))
    }

    /// Changes who may do what, as one step.
    ///
    /// # Errors
    /// Where it can't be changed so, or can't be written: then all is as it was.
    pub fn change<T>(&self, change: impl FnOnce(&mut Accounts) -> Result<T>) -> Result<T> {
        std::fs::create_dir_all(&self.0).with_context(|| self.0.display().to_string())?;
        let lock = self.0.join("access.lock");
        let lock = File::create(&lock).with_context(|| lock.display().to_string())?;
        self.hand_over(&self.0.join("access.lock"));
        lock.lock().context("the access file can't be locked")?;
        let mut accounts = self.read()?.unwrap_or_default();
        let done = change(&mut accounts)?;
        self.write(&self.access(), accounts.to_text()?.as_bytes())?;
        Ok(done)
    }

    /// People as they are; where nobody has been entered, the owner, and their password.
    ///
    /// # Errors
    /// A file that can't be read, is wrong, or can't be written.
    pub fn begin(&self) -> Result<(Accounts, Option<String>)> {
        if let Some(accounts) = self.read()? {
            return Ok((accounts, None));
        }
        let (chance, salt) = (random()?, random()?);
        let first = password(&chance);
        let hash = hashed(&first, &salt).map_err(|why| anyhow!(why))?;
        // The password first: a file of people without it would be a lock without a key.
        std::fs::create_dir_all(&self.0).with_context(|| self.0.display().to_string())?;
        self.write(&self.first_password(), format!("{first}\n").as_bytes())?;
        self.change(|accounts| {
            let owner = Person { name: OWNER.to_owned(), role: Role::Administer, password: hash };
            Ok(accounts.add_person(owner)?)
        })?;
        Ok((self.read()?.unwrap_or_default(), Some(first)))
    }

    /// When the access file was last written.
    pub fn written(&self) -> Option<SystemTime> {
        std::fs::metadata(self.access()).and_then(|data| data.modified()).ok()
    }

    /// A file that appears whole, and that nobody else may read.
    fn write(&self, path: &Path, bytes: &[u8]) -> Result<()> {
        let write = || -> std::io::Result<()> {
            let mut file = tempfile::NamedTempFile::new_in(&self.0)?;
            file.write_all(bytes)?;
            file.as_file().sync_all()?;
            self.hand_over(file.path());
            file.persist(path)?;
            File::open(&self.0)?.sync_all()
        };
        write().with_context(|| format!("{}: can't be written", path.display()))
    }

    /// What root writes in the folder of a daemon's user must be that user's, or the daemon could not read it.
    fn hand_over(&self, path: &Path) {
        #[cfg(unix)]
        {
            use std::os::unix::fs::MetadataExt;
            let owner = |path: &Path| std::fs::metadata(path).map(|data| (data.uid(), data.gid()));
            if let (Ok(folder), Ok(file)) = (owner(&self.0), owner(path))
                && folder != file
                && let Err(error) = std::os::unix::fs::chown(path, Some(folder.0), Some(folder.1))
            {
                tracing::warn!("{}: can't be given to the folder's owner: {error}", path.display());
            }
        }
    }
}

/// Random bytes of the system.
///
/// # Errors
/// Where it has none.
pub fn random() -> Result<Random> {
    let mut bytes = Random::default();
    getrandom::fill(&mut bytes).map_err(|error| anyhow!("the system gives no random numbers: {error}"))?;
    Ok(bytes)
}

/// The trail: one JSON object a line, only added to, put aside when it is long.
pub struct Trail {
    files: Files,
    writing: Mutex<()>,
}

impl Trail {
    /// In the data's folder.
    pub fn new(files: Files) -> Self {
        Trail { files, writing: Mutex::default() }
    }

    fn write(&self, deed: &Deed) -> std::io::Result<()> {
        let _one = self.writing.lock().unwrap_or_else(PoisonError::into_inner);
        let path = self.files.trail(0);
        if std::fs::metadata(&path).is_ok_and(|data| data.len() >= TRAIL_BYTES) {
            for n in (0..TRAIL_KEPT).rev() {
                let from = self.files.trail(n);
                if from.exists() {
                    std::fs::rename(from, self.files.trail(n + 1))?;
                }
            }
        }
        let new = !path.exists();
        let mut options = OpenOptions::new();
        options.append(true).create(true);
        #[cfg(unix)]
        std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
        let mut file = options.open(&path)?;
        if new {
            self.files.hand_over(&path);
        }
        // One write, so that lines of two programs don't mix.
        let mut line = serde_json::to_vec(deed)?;
        line.push(b'\n');
        file.write_all(&line)?;
        file.sync_data()
    }

    fn read(&self, count: usize) -> std::io::Result<Vec<Deed>> {
        let mut deeds = Vec::new();
        for n in 0..=TRAIL_KEPT {
            let file = match File::open(self.files.trail(n)) {
                Ok(file) => file,
                Err(error) if error.kind() == std::io::ErrorKind::NotFound => break,
                Err(error) => return Err(error),
            };
            let mut of_file = Vec::new();
            for line in BufReader::new(file).split(b'\n') {
                // A line that was cut off by a full disk is left out.
                of_file.extend(serde_json::from_slice::<Deed>(&line?).ok());
            }
            of_file.append(&mut deeds);
            deeds = of_file;
            if deeds.len() >= count {
                break;
            }
        }
        Ok(deeds.split_off(deeds.len().saturating_sub(count)))
    }
}

impl foldwatch_web::Trail for Trail {
    fn note(&self, deed: &Deed) {
        if let Err(error) = self.write(deed) {
            tracing::error!(who = deed.who, what = deed.what, "the trail can't be written: {error}");
        }
    }

    fn newest(&self, count: usize) -> Result<Vec<Deed>, String> {
        self.read(count).map_err(|error| format!("the trail can't be read: {error}"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use foldwatch_web::Trail as _;

    #[test]
    fn the_first_start_makes_the_owner_and_the_second_one_nobody() {
        let dir = tempfile::tempdir().unwrap();
        let files = Files::new(dir.path());
        let (accounts, first) = files.begin().unwrap();
        let first = first.unwrap();
        assert!(accounts.is_set_up() && foldwatch_access::fits(&first, &accounts.person[0].password));
        assert_eq!(std::fs::read_to_string(files.first_password()).unwrap().trim(), first);
        assert!(!std::fs::read_to_string(files.access()).unwrap().contains(&first));
        assert_eq!(files.begin().unwrap(), (accounts, None));
        #[cfg(unix)]
        for path in [files.access(), files.first_password()] {
            use std::os::unix::fs::PermissionsExt;
            assert_eq!(
                std::fs::metadata(&path).unwrap().permissions().mode() & 0o077,
                0,
                "{}",
                path.display()
            );
        }
        // What can't be read is no empty file.
        std::fs::write(files.access(), "[[person]]\n").unwrap();
        assert!(format!("{:#}", files.begin().unwrap_err()).contains("access.toml"));
    }

    #[test]
    fn the_trail_keeps_the_newest_and_does_not_grow_without_end() {
        let dir = tempfile::tempdir().unwrap();
        let trail = Trail::new(Files::new(dir.path()));
        assert!(trail.newest(10).unwrap().is_empty());
        let deed = |n: usize| Deed::new("ann", "::1", &format!("deed {n}"), "201");
        (0..20).for_each(|n| trail.note(&deed(n)));
        // A line that was cut off does not hide the others.
        let mut file = OpenOptions::new().append(true).open(dir.path().join("trail.jsonl")).unwrap();
        file.write_all(b"{\"at\":\"20\n").unwrap();
        // As if it had grown long.
        file.write_all(&vec![b'\n'; TRAIL_BYTES as usize]).unwrap();
        (20..25).for_each(|n| trail.note(&deed(n)));
        let what: Vec<String> = trail.newest(7).unwrap().into_iter().map(|deed| deed.what).collect();
        assert_eq!(what, (18..25).map(|n| format!("deed {n}")).collect::<Vec<_>>());
        for _ in 0..10 {
            file = OpenOptions::new().append(true).open(dir.path().join("trail.jsonl")).unwrap();
            file.write_all(&vec![b'\n'; TRAIL_BYTES as usize]).unwrap();
            trail.note(&deed(99));
        }
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), TRAIL_KEPT as usize + 1);
    }
}
