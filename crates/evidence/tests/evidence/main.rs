//! Bags made of a recorded log, and what becomes of them.

#![allow(clippy::unwrap_used)] // A failure here is a failed test.

mod attacks;
mod store;
mod tricks;
mod whole;

use std::fs;
use std::io::{Cursor, Read};
use std::path::{Path, PathBuf};
use std::sync::{Arc, OnceLock};

use flate2::read::MultiGzDecoder;
use foldwatch_evidence::{
    AnyError, Chain, EvidenceError, Keys, Made, Material, Original, Originals, Paper, PublicKey, Recording,
    Request, Reread, Verified, make, verify,
};
use foldwatch_profile::Profile;
use foldwatch_samples::{Assembler, Sink, Through};
use foldwatch_wire::{Decoded, Decoder};
use tempfile::TempDir;

const PROFILE: &str = include_str!("../../../../config/profiles/hardtop-five.toml");
const LOG: &[u8] = include_bytes!("../../../../sample-logs/packed/four-cycles.bin.gz");

/// Logs by their bytes.
pub(crate) struct Logs {
    profile: Arc<Profile>,
    logs: Vec<Vec<u8>>,
}

/// Two of the four cycles of the log that comes with the project: enough, and half the work.
pub(crate) fn log_bytes() -> Vec<u8> {
    let mut bytes = Vec::new();
    MultiGzDecoder::new(LOG).read_to_end(&mut bytes).unwrap();
    bytes.truncate(bytes.len() / 2);
    bytes
}

impl Material for Logs {
    fn count(&self) -> usize {
        self.logs.len()
    }

    fn read(&mut self, recording: usize, sink: &mut dyn Sink) -> Result<Recording, AnyError> {
        let mut assembler = Assembler::new(Arc::clone(&self.profile));
        let mut decoder = Decoder::auto();
        let mut sink = Through(sink);
        let mut take = |decoded: Decoded| {
            if let Decoded::Frame(received) = decoded {
                assembler.push(received.id, received.frame, &mut sink);
            }
        };
        decoder.push(&self.logs[recording], &mut take);
        decoder.finish(&mut take);
        assembler.flush(&mut sink);
        Ok(Recording {
            name: format!("four-cycles-{recording}.bin"),
            encoding: "packed".into(),
            checked: true,
            notes: assembler.take_notes().iter().map(ToString::to_string).collect(),
            clock: None,
            timeline: Some(assembler.timeline().clone()),
        })
    }

    fn chain(&mut self) -> Chain<'_> {
        let original = |(n, log): (usize, &Vec<u8>)| {
            let log = Cursor::new(log.clone());
            Original { name: format!("{}.bin", n + 1), open: Box::new(|| Ok(Box::new(log) as Box<dyn Read>)) }
        };
        Chain::Logs(self.logs.iter().enumerate().map(original).collect())
    }
}

/// Reads what lies in a bag.
pub(crate) struct Again;

impl Reread for Again {
    fn material(&self, of: Originals) -> Result<Box<dyn Material>, AnyError> {
        let logs = of.files.iter().map(fs::read).collect::<Result<_, _>>()?;
        Ok(Box::new(Logs { profile: of.profile, logs }))
    }
}

pub(crate) fn request() -> Request {
    Request {
        profile: profile(),
        profile_text: PROFILE.into(),
        columns_text: None,
        subject: "car-7".into(),
        name: Some("The blue one, owner's name".into()),
        settings: Vec::new(),
        entries: Vec::new(),
        revisions: Vec::new(),
        commissioning: None,
        told: Vec::new(),
        remarks: Vec::new(),
        leave_out: Vec::new(),
        at: None,
        revises: None,
        paper: Paper::A4,
    }
}

pub(crate) fn profile() -> Arc<Profile> {
    static PARSED: OnceLock<Arc<Profile>> = OnceLock::new();
    let parse = || Arc::new(foldwatch_profile::parse(PROFILE).unwrap().profile);
    Arc::clone(PARSED.get_or_init(parse))
}

pub(crate) fn made(to: &Path, request: &Request, keys: &Keys, count: usize) -> Result<Made, EvidenceError> {
    make(to, request, &mut Logs { profile: profile(), logs: vec![log_bytes(); count] }, keys)
}

/// One folder with keys and a bag made once; tests copy it.
pub(crate) struct Bench {
    _dir: TempDir,
    pub(crate) keys: PathBuf,
    pub(crate) bag: PathBuf,
    pub(crate) key: PublicKey,
}

pub(crate) fn bench() -> &'static Bench {
    static MADE: OnceLock<Bench> = OnceLock::new();
    MADE.get_or_init(|| {
        let dir = tempfile::tempdir().unwrap();
        let (folder, bag) = (dir.path().join("keys"), dir.path().join("bag"));
        let keys = Keys::open(&folder).unwrap();
        made(&bag, &request(), &keys, 1).unwrap();
        Bench { keys: folder, bag, key: keys.public(), _dir: dir }
    })
}

/// The same bag as a zip, made by the tests that need one.
pub(crate) fn zip() -> &'static Path {
    static MADE: OnceLock<PathBuf> = OnceLock::new();
    MADE.get_or_init(|| {
        let zip = bench().bag.with_extension("zip");
        made(&zip, &request(), &Keys::open(&bench().keys).unwrap(), 1).unwrap();
        zip
    })
}

/// A copy of the bag that a test may spoil.
pub(crate) fn copy() -> (TempDir, PathBuf) {
    copy_of(&bench().bag)
}

/// A copy of any bag.
pub(crate) fn copy_of(bag: &Path) -> (TempDir, PathBuf) {
    let dir = tempfile::tempdir().unwrap();
    let to = dir.path().join("bag");
    for name in files(bag) {
        let path = to.join(&name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::copy(bag.join(&name), path).unwrap();
    }
    (dir, to)
}

/// Every file of a folder, by its path within.
pub(crate) fn files(root: &Path) -> Vec<String> {
    let mut found = Vec::new();
    let mut folders = vec![root.to_owned()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else {
                found.push(path.strip_prefix(root).unwrap().to_str().unwrap().to_owned());
            }
        }
    }
    found.sort();
    found
}

pub(crate) fn verified(bag: &Path) -> Result<Verified, EvidenceError> {
    verify(bag, &bench().key, &[], &Again)
}

/// Not whole, or refused: what is told.
pub(crate) fn trouble(bag: &Path) -> String {
    match verified(bag) {
        Ok(done) if done.holds() => panic!("{} was taken for whole", bag.display()),
        Ok(done) => {
            let faults = done.faults.iter().map(ToString::to_string);
            faults.chain(done.replayed.into_iter().flat_map(|r| r.differs)).collect::<Vec<_>>().join("\n")
        }
        Err(error) => error.to_string(),
    }
}
