//! How long a bag takes, and how fast it is hashed:
//! `cargo run --release -p foldwatch-evidence --example speed -- PROFILE.toml LOG FOLDER` (LOG: packed or text frames).

use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Instant;

use foldwatch_evidence::{
    AnyError, Chain, Keys, Material, Original, Originals, Paper, Recording, Request, Reread, make, verify,
    verify_files,
};
use foldwatch_profile::Profile;
use foldwatch_samples::{Assembler, Sink, Through};
use foldwatch_wire::{Decoded, Decoder};

struct Log {
    path: PathBuf,
    profile: Arc<Profile>,
}

impl Material for Log {
    fn count(&self) -> usize {
        1
    }

    fn read(&mut self, _: usize, sink: &mut dyn Sink) -> Result<Recording, AnyError> {
        let mut assembler = Assembler::new(Arc::clone(&self.profile));
        let mut decoder = Decoder::auto();
        let mut sink = Through(sink);
        let mut take = |decoded: Decoded| {
            if let Decoded::Frame(received) = decoded {
                assembler.push(received.id, received.frame, &mut sink);
            }
        };
        let mut file = File::open(&self.path)?;
        let mut piece = vec![0; 1 << 16];
        loop {
            match file.read(&mut piece)? {
                0 => break,
                n => decoder.push(&piece[..n], &mut take),
            }
        }
        decoder.finish(&mut take);
        assembler.flush(&mut sink);
        Ok(Recording {
            name: "week".into(),
            encoding: "packed".into(),
            checked: true,
            notes: Vec::new(),
            clock: None,
            timeline: Some(assembler.timeline().clone()),
        })
    }

    fn chain(&mut self) -> Chain<'_> {
        let path = self.path.clone();
        let open = Box::new(move || Ok(Box::new(File::open(path)?) as Box<dyn Read>));
        Chain::Logs(vec![Original { name: "1.bin".into(), open }])
    }
}

struct Again;

impl Reread for Again {
    fn material(&self, of: Originals) -> Result<Box<dyn Material>, AnyError> {
        let path = of.files.into_iter().next().ok_or("no log")?;
        Ok(Box::new(Log { path, profile: of.profile }))
    }
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let args: Vec<String> = std::env::args().collect();
    let [_, profile_path, log, folder] = args.as_slice() else {
        return Err("PROFILE.toml LOG FOLDER".into());
    };
    let profile_text = std::fs::read_to_string(profile_path)?;
    let profile = foldwatch_profile::parse(&profile_text).map_err(|e| format!("{e:?}"))?.profile;
    let profile = Arc::new(profile);
    let folder = Path::new(folder);
    let keys = Keys::open(&folder.join("keys"))?;
    let request = Request {
        profile: Arc::clone(&profile),
        profile_text,
        columns_text: None,
        subject: "week".into(),
        name: None,
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
    };
    for name in ["bag", "bag.zip"] {
        let to = folder.join(name);
        let start = Instant::now();
        let made = make(&to, &request, &mut Log { path: log.into(), profile: Arc::clone(&profile) }, &keys)?;
        let took = start.elapsed().as_secs_f64();
        println!("{name}: {} rows, {} cycles, {} bytes in {took:.2} s", made.rows, made.cycles, made.bytes);
        let start = Instant::now();
        let whole = verify_files(&to, &keys.public())?;
        let took = start.elapsed().as_secs_f64();
        let (files, bytes) = (whole.files, whole.bytes);
        println!(
            "{name}: {files} files held against manifest and signature at {:.0} MB/s",
            bytes as f64 / took / 1e6
        );
        let start = Instant::now();
        let holds = verify(&to, &keys.public(), &[], &Again)?.holds();
        println!(
            "{name}: verified whole, and judged anew, in {:.2} s: {holds}",
            start.elapsed().as_secs_f64()
        );
    }
    Ok(())
}
