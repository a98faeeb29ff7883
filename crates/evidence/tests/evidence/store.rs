//! A bag out of a store: days in an archive, rows in a journal behind them, and the chain through both.

use std::fs;
use std::io::{Cursor, Read};
use std::path::Path;
use std::sync::Arc;

use foldwatch_evidence::{
    AnyError, Chain, Keys, LeaveOut, Material, Original, Originals, Recording, Reread, StoreChain,
    journal_rows, make, verify,
};
use foldwatch_profile::Profile;
use foldwatch_samples::{Item, Sink};
use foldwatch_store::{Frame, Position, SealRow, frame_link, seal_link};
use foldwatch_units::Micros;
use sha2::{Digest, Sha256};

use crate::attacks::{edit, sign_anew};
use crate::{bench, profile, request};

/// A store as plain as can be: a file of the archive and a frame of the journal are lines of `microseconds,pressure`.
struct Store {
    profile: Arc<Profile>,
    days: Vec<(&'static str, Vec<u8>)>,
    frames: Vec<Vec<u8>>,
}

fn lines(from: std::ops::Range<i64>) -> Vec<u8> {
    from.map(|n| format!("{},{}\n", 1_748_822_400_000_000 + n * 1_000_000, n % 7))
        .collect::<String>()
        .into_bytes()
}

fn store() -> Store {
    Store {
        profile: profile(),
        days: vec![
            ("2025-06-02", lines(0..50)),
            ("2025-06-03", lines(86_400..86_450)),
            ("2025-06-04", lines(172_800..172_850)),
        ],
        frames: (0..5).map(|n| lines(180_000 + n * 10..180_010 + n * 10)).collect(),
    }
}

fn rows(profile: &Profile, text: &[u8], sink: &mut dyn Sink) {
    let place = profile.find("pressure").unwrap().at();
    let mut values = vec![f32::NAN; profile.signals.len()];
    for line in std::str::from_utf8(text).unwrap().lines() {
        let (at, pressure) = line.split_once(',').unwrap();
        values[place] = pressure.parse().unwrap();
        sink.item(Item::Row { at: Micros(at.parse().unwrap()), values: &values });
    }
}

impl Store {
    fn seals(&self) -> Vec<(SealRow, [u8; 32])> {
        let mut before = [0; 32];
        let seal = |(n, (day, bytes)): (usize, &(&str, Vec<u8>))| {
            let seal = SealRow {
                day: (*day).to_owned(),
                file: format!("oak/{day}.1.parquet"),
                rows: 50,
                bytes: bytes.len() as u64,
                sha256: Sha256::digest(bytes).into(),
                sealed: Micros(1),
                through: Position(n as u64),
                journal_link: [n as u8; 32],
            };
            before = seal_link(&before, &seal);
            (seal, before)
        };
        self.days.iter().enumerate().map(seal).collect()
    }
}

impl Material for Store {
    fn count(&self) -> usize {
        1
    }

    fn read(&mut self, _: usize, sink: &mut dyn Sink) -> Result<Recording, AnyError> {
        let parts = self.days.iter().map(|(_, bytes)| bytes).chain(&self.frames);
        parts.for_each(|bytes| rows(&self.profile, bytes, sink));
        Ok(Recording { name: "data of oak".into(), ..Recording::default() })
    }

    fn chain(&mut self) -> Chain<'_> {
        let seals = self.seals();
        let mut link = seals.last().unwrap().0.journal_link;
        let file = |(day, bytes): &(&str, Vec<u8>)| {
            let bytes = Cursor::new(bytes.clone());
            Original {
                name: format!("{day}.1.parquet"),
                open: Box::new(|| Ok(Box::new(bytes) as Box<dyn Read>)),
            }
        };
        Chain::Store(StoreChain {
            seals,
            files: self.days.iter().map(file).collect(),
            reading: "{}".into(),
            rows: Box::new(move |each| {
                for (n, bytes) in self.frames.iter().enumerate() {
                    let frame = Frame {
                        logger: "0000002A".into(),
                        boot: 1,
                        sequence: n as u64,
                        received: Micros(n as i64),
                        logged: None,
                        bytes: bytes.clone(),
                    };
                    link = frame_link(&link, &frame);
                    each(n as u64 + 1, &frame, link)?;
                }
                Ok(())
            }),
        })
    }
}

struct Again;

impl Reread for Again {
    fn material(&self, of: Originals) -> Result<Box<dyn Material>, AnyError> {
        let (_, journal) = of.store.ok_or("no store")?;
        let days = of.files.iter().map(|file| Ok(("", fs::read(file)?))).collect::<std::io::Result<_>>()?;
        let frames = journal_rows(&journal)?.map(|row| Ok(row?.1.bytes)).collect::<Result<_, AnyError>>()?;
        Ok(Box::new(Store { profile: of.profile, days, frames }))
    }
}

/// What is told of a bag that was changed and signed anew with the tester's own key.
fn attacked(change: impl Fn(&Path)) -> String {
    let dir = tempfile::tempdir().unwrap();
    let bag = dir.path().join("bag");
    let keys = Keys::open(&bench().keys).unwrap();
    make(&bag, &request(), &mut store(), &keys).unwrap();
    change(&bag);
    sign_anew(&bag, &bench().keys);
    let done = verify(&bag, &bench().key, &[], &Again).unwrap();
    assert!(!done.holds(), "taken for whole");
    done.faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")
}

#[test]
fn from_archive_and_journal_to_the_samples_it_holds() {
    let dir = tempfile::tempdir().unwrap();
    let keys = Keys::open(&bench().keys).unwrap();
    for name in ["bag", "bag.zip"] {
        let bag = dir.path().join(name);
        let made = make(&bag, &request(), &mut store(), &keys).unwrap();
        let done = verify(&bag, &bench().key, &[], &Again).unwrap();
        assert!(done.holds(), "{done:?}");
        assert_eq!((done.bound, done.chain_head), (Some(200), Some(made.chain_head)), "{name}");
        assert!(made.seals_head.is_some());
    }
}

#[test]
fn without_originals_no_frame_and_no_file_is_in_it() {
    let dir = tempfile::tempdir().unwrap();
    let keys = Keys::open(&bench().keys).unwrap();
    for left in [LeaveOut::Originals, LeaveOut::Owner] {
        let bag = dir.path().join(format!("{left:?}"));
        let mut request = request();
        request.leave_out = vec![left];
        make(&bag, &request, &mut store(), &keys).unwrap();
        assert_eq!(fs::read_to_string(bag.join("data/chain.csv")).unwrap().lines().count(), 1);
        assert!(!bag.join("data/recorded").exists());
        let done = verify(&bag, &bench().key, &[], &Again).unwrap();
        assert!(done.holds() && done.bound.is_none(), "{done:?}");
        assert!(done.notes.iter().any(|note| note.contains("the originals are not in the bag")));
    }
}

#[test]
fn a_stretch_that_is_altered_or_taken_out_shows() {
    let recorded = |bag: &Path, day: &str| bag.join(format!("data/recorded/{day}.1.parquet"));
    let without = |bag: &Path, name: &str, line: usize| {
        edit(bag, name, |text| {
            text.split_inclusive('\n').enumerate().filter(|(n, _)| *n != line).map(|(_, l)| l).collect()
        });
    };
    // A day's file altered; with the samples altered to match.
    let told = attacked(|bag| {
        fs::write(recorded(bag, "2025-06-03"), lines(86_400..86_449)).unwrap();
        without(bag, "data/samples.csv", 100);
    });
    assert!(told.contains("2025-06-03.1.parquet: is not the file that was sealed of 2025-06-03"), "{told}");
    // A day taken out: its file, its samples, its name among the originals; then its seal, too.
    let day_out = |bag: &Path| {
        fs::remove_file(recorded(bag, "2025-06-03")).unwrap();
        edit(bag, "data/provenance.json", |text| text.replace("    \"2025-06-03.1.parquet\",\n", ""));
        edit(bag, "data/samples.csv", |text| {
            text.split_inclusive('\n').filter(|line| !line.contains("2025-06-03")).collect()
        });
    };
    let told = attacked(day_out);
    assert!(told.contains("2025-06-03 was sealed, but its file is not in the bag"), "{told}");
    let told = attacked(|bag| {
        day_out(bag);
        without(bag, "data/seals.csv", 2);
    });
    assert!(told.contains("seals.csv: line 3: the seal of 2025-06-04 does not follow"), "{told}");
    // The last seal and the journal behind it.
    let told = attacked(|bag| without(bag, "data/seals.csv", 3));
    assert!(told.contains("seals.csv: does not end with the link that is on record"), "{told}");
    // A row of the journal, amid and at the end.
    for (line, says) in [(3, "line 4: journal row 4"), (5, "its end was cut off")] {
        let told = attacked(|bag| without(bag, "data/chain.csv", line));
        assert!(told.contains("chain.csv: ") && told.contains(says), "{told}");
    }
    // One sample, and nothing else.
    let told = attacked(|bag| {
        edit(bag, "data/samples.csv", |text| {
            let line = text.lines().nth(180).unwrap();
            let (time, cells) = line.split_once(",row").unwrap();
            let other: String = cells.chars().map(|c| if c.is_ascii_digit() { '9' } else { c }).collect();
            text.replace(line, &format!("{time},row{other}"))
        });
    });
    assert!(told.contains("samples.csv: not what was recorded: line "), "{told}");
    // An original that provenance.json does not know.
    let told = attacked(|bag| fs::write(bag.join("data/recorded/extra"), "x").unwrap());
    assert!(told.contains("names no such original"), "{told}");
}
