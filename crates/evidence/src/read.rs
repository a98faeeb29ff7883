//! A bag as it lies there, a folder or a zip: which files, and their bytes. Nothing is unpacked before it has proven
//! whole and signed.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::{BufReader, Read};
use std::path::{Path, PathBuf};

use zip::ZipArchive;

use crate::{EvidenceError, names};

/// More files than these are in no bag of ours.
const MOST_FILES: usize = 10_000;
/// Tag files and descriptions are read whole; none is longer.
const MOST_TEXT: u64 = 64 << 20;

enum Kind {
    Folder(PathBuf),
    Zip { archive: Box<ZipArchive<BufReader<File>>>, places: BTreeMap<String, usize> },
}

/// An opened bag.
pub(crate) struct Bag {
    kind: Kind,
    /// Every file with its size as the folder or the zip states it.
    pub files: BTreeMap<String, u64>,
}

fn refused<T>(what: impl Into<String>) -> Result<T, EvidenceError> {
    Err(EvidenceError::Refused(what.into()))
}

impl Bag {
    /// Looks at what is there.
    ///
    /// # Errors
    /// Where it can't be opened, or holds what no honest bag holds: links, names that lead elsewhere, two names that
    /// are one file on other systems.
    pub fn open(path: &Path) -> Result<Self, EvidenceError> {
        let about = fs::metadata(path).map_err(EvidenceError::io(path, "opened"))?;
        let bag = if about.is_dir() { Self::folder(path)? } else { Self::zip(path)? };
        if let Some((a, b)) = names::case_clash(bag.files.keys().map(String::as_str)) {
            return refused(format!(
                "`{a}` and `{b}` differ only in case: on many systems one file would hide the other"
            ));
        }
        Ok(bag)
    }

    fn folder(root: &Path) -> Result<Self, EvidenceError> {
        let mut files = BTreeMap::new();
        let mut folders = vec![(root.to_owned(), String::new())];
        while let Some((folder, prefix)) = folders.pop() {
            let entries = fs::read_dir(&folder).map_err(EvidenceError::io(&folder, "read"))?;
            for entry in entries {
                let entry = entry.map_err(EvidenceError::io(&folder, "read"))?;
                let Some(own) = entry.file_name().to_str().map(str::to_owned) else {
                    return refused(format!("{} is no name in UTF-8", entry.path().display()));
                };
                let name = format!("{prefix}{own}");
                check_name(&name)?;
                // Not followed: a link could show one thing today and another tomorrow.
                let kind = entry.file_type().map_err(EvidenceError::io(&entry.path(), "read"))?;
                if kind.is_dir() {
                    folders.push((entry.path(), format!("{name}/")));
                } else if kind.is_file() {
                    let size = entry.metadata().map_err(EvidenceError::io(&entry.path(), "read"))?.len();
                    files.insert(name, size);
                } else {
                    return refused(format!("`{name}` is a link or no plain file; a bag holds files only"));
                }
                if files.len() + folders.len() > MOST_FILES {
                    return refused(format!(
                        "more than {MOST_FILES} files and folders: this is no bag of foldwatch"
                    ));
                }
            }
        }
        Ok(Bag { kind: Kind::Folder(root.to_owned()), files })
    }

    fn zip(path: &Path) -> Result<Self, EvidenceError> {
        let file = File::open(path).map_err(EvidenceError::io(path, "opened"))?;
        let mut archive = ZipArchive::new(BufReader::with_capacity(1 << 18, file)).map_err(|error| {
            EvidenceError::Refused(format!(
                "{} is neither a folder nor a whole zip ({error}); a zip that was cut off on its way has lost its list \
                 of files, which stands at its end: get it again",
                path.display()
            ))
        })?;
        if archive.len() > MOST_FILES {
            return refused(format!("more than {MOST_FILES} files: this is no bag of foldwatch"));
        }
        if archive.has_duplicate_names() {
            return refused("a name is in the zip twice: which file counts depends on who unpacks it");
        }
        let mut found = Vec::new();
        for n in 0..archive.len() {
            let entry = archive.by_index_raw(n).map_err(|error| broken(path, &error))?;
            let name = entry.name().map_err(|error| broken(path, &error))?.into_owned();
            check_name(name.trim_end_matches('/'))?;
            if entry.encrypted() {
                return refused(format!("`{name}` is encrypted; unpack the zip and verify the folder"));
            }
            let mode = entry.unix_mode().unwrap_or(0o100_644) & 0o170_000;
            if !matches!(mode, 0 | 0o100_000 | 0o040_000) {
                return refused(format!("`{name}` is a link or no plain file; a bag holds files only"));
            }
            if !entry.is_dir() {
                found.push((name, n, entry.size()));
            }
        }
        // All in one folder, as is usual, or all at the top.
        let top =
            found.iter().find_map(|(name, ..)| name.strip_suffix("bagit.txt")).unwrap_or_default().to_owned();
        if top.matches('/').count() > 1 {
            return refused(format!(
                "the bag lies in `{top}`, too deep in the zip: unpack it and verify the folder"
            ));
        }
        let (mut files, mut places) = (BTreeMap::new(), BTreeMap::new());
        for (name, n, size) in found {
            let Some(own) = name.strip_prefix(&top) else {
                return refused(format!(
                    "`{name}` lies beside the bag in `{top}`: a zip holds one bag and nothing else"
                ));
            };
            files.insert(own.to_owned(), size);
            places.insert(own.to_owned(), n);
        }
        Ok(Bag { kind: Kind::Zip { archive: Box::new(archive), places }, files })
    }

    /// The bytes of one file.
    pub fn read(&mut self, name: &str) -> Result<Box<dyn Read + '_>, EvidenceError> {
        match &mut self.kind {
            Kind::Folder(root) => {
                let path = root.join(name);
                Ok(Box::new(File::open(&path).map_err(EvidenceError::io(&path, "read"))?))
            }
            Kind::Zip { archive, places } => {
                let place =
                    *places.get(name).ok_or_else(|| EvidenceError::refused(format!("no `{name}` in it")))?;
                Ok(Box::new(archive.by_index(place).map_err(|error| broken(Path::new(name), &error))?))
            }
        }
    }

    /// A path that has the bytes of one file: its own, or that of a copy in `room` where it lies in a zip.
    pub fn path(&mut self, name: &str, room: &Path) -> Result<PathBuf, EvidenceError> {
        if let Kind::Folder(root) = &self.kind {
            return Ok(root.join(name));
        }
        let copy = room.join(name.replace('/', "-"));
        let mut to = File::create(&copy).map_err(EvidenceError::io(&copy, "written"))?;
        std::io::copy(&mut self.read(name)?, &mut to).map_err(EvidenceError::io(&copy, "written"))?;
        Ok(copy)
    }

    /// A file that is short enough to be held.
    pub fn bytes(&mut self, name: &str) -> Result<Vec<u8>, EvidenceError> {
        let mut bytes = Vec::new();
        self.read(name)?
            .take(MOST_TEXT + 1)
            .read_to_end(&mut bytes)
            .map_err(EvidenceError::io(Path::new(name), "read"))?;
        if bytes.len() as u64 > MOST_TEXT {
            return refused(format!(
                "`{name}` is larger than {} MiB, which no such file is",
                MOST_TEXT >> 20
            ));
        }
        Ok(bytes)
    }

    /// The same as text.
    pub fn text(&mut self, name: &str) -> Result<String, EvidenceError> {
        String::from_utf8(self.bytes(name)?).map_err(|error| {
            EvidenceError::refused(format!("`{name}`, byte {}: no UTF-8", error.utf8_error().valid_up_to()))
        })
    }
}

fn check_name(name: &str) -> Result<(), EvidenceError> {
    match names::trouble(name) {
        Some(why) => {
            refused(format!("the name `{}` {why}; nothing of this bag was opened", name.escape_debug()))
        }
        None => Ok(()),
    }
}

fn broken(path: &Path, error: &zip::result::ZipError) -> EvidenceError {
    EvidenceError::refused(format!("{}: damaged within the zip: {error}", path.display()))
}
