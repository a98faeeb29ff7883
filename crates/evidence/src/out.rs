//! Where a bag is written: a folder or a zip, under another name until it is whole.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, DateTime, ZipWriter};

use crate::EvidenceError;
use crate::hash::{Meter, Sum};

/// The one folder in a zip. Always the same, so that the bytes do not depend on what the file is called.
const IN_ZIP: &str = "evidence";
/// Numbers in columns deflate well at the lowest cost.
const LEVEL: i64 = 2;

enum Kind {
    Folder,
    Zip(Box<ZipWriter<BufWriter<File>>>),
}

/// A bag under way. Dropped before [`Out::finish`] it leaves nothing.
pub(crate) struct Out {
    kind: Kind,
    to: PathBuf,
    half: PathBuf,
    sums: BTreeMap<String, Sum>,
}

impl Out {
    /// A zip where the name ends so, a folder otherwise.
    pub fn new(to: &Path) -> Result<Self, EvidenceError> {
        let name = to.file_name().map(|n| n.to_string_lossy().into_owned()).ok_or_else(|| {
            EvidenceError::refused(format!("{} names neither a folder nor a file", to.display()))
        })?;
        if fs::symlink_metadata(to).is_ok() {
            return Err(EvidenceError::refused(format!(
                "{} is there already; evidence is never written over: choose another name (a correction names the bag \
                 it replaces with --revises)",
                to.display()
            )));
        }
        let half = to.with_file_name(format!(".{name}.part"));
        // What is left of a try that was cut off bears this name and nothing else does.
        let _ = fs::remove_dir_all(&half).or_else(|_| fs::remove_file(&half));
        let kind = if to.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("zip")) {
            let file = File::create(&half).map_err(EvidenceError::io(&half, "written"))?;
            Kind::Zip(Box::new(ZipWriter::new(BufWriter::with_capacity(1 << 18, file))))
        } else {
            fs::create_dir(&half).map_err(EvidenceError::io(&half, "made"))?;
            Kind::Folder
        };
        Ok(Out { kind, to: to.to_owned(), half, sums: BTreeMap::new() })
    }

    /// Writes one file of the bag.
    pub fn file(
        &mut self,
        name: &str,
        put: impl FnOnce(&mut dyn Write) -> Result<(), EvidenceError>,
    ) -> Result<(), EvidenceError> {
        let path = self.half.join(name);
        let sum = match &mut self.kind {
            Kind::Folder => {
                let parent = path.parent().unwrap_or(&self.half);
                fs::create_dir_all(parent).map_err(EvidenceError::io(parent, "made"))?;
                let file = File::create(&path).map_err(EvidenceError::io(&path, "written"))?;
                let mut meter = Meter::new(BufWriter::with_capacity(1 << 18, file));
                put(&mut meter)?;
                let (to, sum) = meter.finish().map_err(EvidenceError::io(&path, "written"))?;
                to.get_ref().sync_all().map_err(EvidenceError::io(&path, "written"))?;
                sum
            }
            Kind::Zip(zip) => {
                let options = SimpleFileOptions::default()
                    .compression_method(CompressionMethod::Deflated)
                    .compression_level(Some(LEVEL))
                    .last_modified_time(DateTime::default())
                    .unix_permissions(0o644)
                    .large_file(true);
                let to_io = |error: zip::result::ZipError| EvidenceError::io(&path, "written")(error.into());
                zip.start_file(format!("{IN_ZIP}/{name}"), options).map_err(to_io)?;
                let mut meter = Meter::new(zip.as_mut());
                put(&mut meter)?;
                meter.finish().map_err(EvidenceError::io(&path, "written"))?.1
            }
        };
        self.sums.insert(name.to_owned(), sum);
        Ok(())
    }

    /// Writes one file of which the bytes are at hand.
    pub fn bytes(&mut self, name: &str, bytes: &[u8]) -> Result<(), EvidenceError> {
        self.file(name, |to| to.write_all(bytes).map_err(EvidenceError::io(Path::new(name), "written")))
    }

    /// What was written so far.
    pub fn sums(&self) -> &BTreeMap<String, Sum> {
        &self.sums
    }

    /// Gives the bag its name.
    pub fn finish(mut self) -> Result<(), EvidenceError> {
        if let Kind::Zip(zip) = std::mem::replace(&mut self.kind, Kind::Folder) {
            let to_io = |error: zip::result::ZipError| EvidenceError::io(&self.half, "written")(error.into());
            let mut file = zip.finish().map_err(to_io)?;
            file.flush()
                .and_then(|()| file.get_ref().sync_all())
                .map_err(EvidenceError::io(&self.half, "written"))?;
        }
        fs::rename(&self.half, &self.to).map_err(EvidenceError::io(&self.to, "given its name"))
    }
}

impl Drop for Out {
    fn drop(&mut self) {
        // After `finish` there is nothing of this name.
        let _ = fs::remove_dir_all(&self.half).or_else(|_| fs::remove_file(&self.half));
    }
}
