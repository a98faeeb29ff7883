//! Bags that are made from the pages: kept in the data's folder, below `evidence/CAR/`, a zip and what is told of it.
//!
//! A bag is made by a thread of its own and read from the store like any other question, so that collecting goes on.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use anyhow::{Context, Result};
use foldwatch_evidence::{Keys, LeaveOut, Paper};
use foldwatch_report::rfc3339;
use foldwatch_web::{Bag, NotMade, Stage, Stretch, Wanted};

use crate::evidence::kept::{self, Choice, Kept};
use crate::evidence::pace::Pace;
use crate::evidence::{keys_in, tag_manifest};
use crate::out::counted;
use crate::whole;

/// The bags of all cars.
pub struct Bags {
    data: PathBuf,
    keys: Option<PathBuf>,
    /// Under way, or come to nothing since the daemon was started; by car and number.
    passing: Arc<Mutex<Passing>>,
}

/// What is told of a bag, and how far it is.
type Passing = BTreeMap<(String, u32), (Bag, Arc<Pace>)>;

impl Bags {
    /// Those in a data folder, signed with a key of another folder.
    pub fn new(data: &Path, keys: Option<PathBuf>) -> Self {
        Bags { data: data.to_owned(), keys, passing: Arc::default() }
    }

    fn folder(&self, car: &str) -> PathBuf {
        // A car's id is letters, digits, `-` and `_`: the store sees to that.
        self.data.join("evidence").join(car)
    }

    fn signing(&self) -> Result<Keys> {
        let folder =
            self.keys.as_deref().context("no folder for keys: say `keys` in the settings, or --keys")?;
        keys_in(folder, &self.data)
    }
}

/// What is told of a bag stands beside it once it is whole.
fn told(folder: &Path) -> Vec<Bag> {
    let Ok(entries) = fs::read_dir(folder) else { return Vec::new() };
    let names = entries.flatten().map(|entry| entry.path());
    let jsons = names.filter(|path| path.extension().is_some_and(|ending| ending == "json"));
    jsons.filter_map(|path| serde_json::from_slice(&fs::read(path).ok()?).ok()).collect()
}

fn zip_of(folder: &Path, number: u32) -> PathBuf {
    folder.join(format!("{number:04}.zip"))
}

impl foldwatch_web::Evidence for Bags {
    fn bags(&self, car: &str) -> Vec<Bag> {
        let passing = self.passing.lock().unwrap_or_else(PoisonError::into_inner);
        let mut bags: Vec<Bag> = passing
            .iter()
            .filter(|((of, _), _)| of == car)
            .map(|(_, (bag, pace))| match bag.stage {
                Stage::Making => Bag { says: progress(pace), done: Some(pace.done()), ..bag.clone() },
                _ => bag.clone(),
            })
            .collect();
        drop(passing);
        bags.extend(told(&self.folder(car)));
        bags.sort_by_key(|bag| std::cmp::Reverse(bag.number));
        bags.dedup_by_key(|bag| bag.number);
        bags
    }

    fn make(&self, car: &str, wanted: Wanted) -> Result<Bag, NotMade> {
        let failed = |error: anyhow::Error| NotMade::Failed(format!("{error:#}"));
        let mut passing = self.passing.lock().unwrap_or_else(PoisonError::into_inner);
        if passing.values().any(|(bag, _)| bag.stage == Stage::Making) {
            return Err(NotMade::Busy);
        }
        let folder = self.folder(car);
        fs::create_dir_all(&folder)
            .with_context(|| format!("{} can't be made", folder.display()))
            .map_err(failed)?;
        let there = told(&folder);
        let revises = match wanted.revises {
            None => None,
            Some(number) if there.iter().any(|bag| bag.number == number) => Some(zip_of(&folder, number)),
            Some(number) => return Err(NotMade::Refused(format!("There is no bag {number} to correct."))),
        };
        let keys = self.signing().map_err(failed)?;
        let failures = passing.keys().filter(|(of, _)| of == car).map(|(_, number)| *number);
        let mut number = there.iter().map(|bag| bag.number).chain(failures).max().unwrap_or(0) + 1;
        // One may be there that nothing was told of any more: the machine went off in between.
        while zip_of(&folder, number).exists() {
            number += 1;
        }
        let bag = Bag {
            number,
            stage: Stage::Making,
            says: progress(&Pace::default()),
            done: Some(0.0),
            stretch: in_words(wanted.stretch),
            left_out: wanted.leave_out.iter().map(|what| words_of(what).to_owned()).collect(),
            revises: wanted.revises,
            size_bytes: None,
            cycles: None,
            findings: None,
            tag_manifest_sha256: None,
            chain_head: None,
            seals_head: None,
            key_fingerprint: None,
        };
        let pace = Arc::new(Pace::default());
        let place = (car.to_owned(), number);
        passing.insert(place.clone(), (bag.clone(), Arc::clone(&pace)));
        let (data, begun, all) = (self.data.clone(), bag.clone(), Arc::clone(&self.passing));
        let work = move || {
            let made =
                make(&data, &place.0, &wanted, revises.as_deref(), &keys, begun.clone(), &pace, &folder);
            let mut all = all.lock().unwrap_or_else(PoisonError::into_inner);
            match made {
                // From now on it stands on the disk.
                Ok(()) => drop(all.remove(&place)),
                Err(error) => {
                    tracing::warn!(car = place.0, "no evidence: {error:#}");
                    let says = if pace.is_stopped() { STOPPED.to_owned() } else { sentence(&error) };
                    all.insert(place, (Bag { stage: Stage::Failed, says, done: None, ..begun }, pace));
                }
            }
        };
        if let Err(error) = std::thread::Builder::new().name("evidence".into()).spawn(work) {
            passing.remove(&(car.to_owned(), number));
            return Err(NotMade::Failed(format!("no thread: {error}")));
        }
        Ok(bag)
    }

    fn stop(&self, car: &str, number: u32) -> bool {
        let passing = self.passing.lock().unwrap_or_else(PoisonError::into_inner);
        let under_way = passing.get(&(car.to_owned(), number)).filter(|(bag, _)| bag.stage == Stage::Making);
        under_way.map(|(_, pace)| pace.stop()).is_some()
    }

    fn open(&self, car: &str, number: u32) -> Option<(Box<dyn Read + Send>, u64)> {
        let file = File::open(zip_of(&self.folder(car), number)).ok()?;
        let size = file.metadata().ok()?.len();
        Some((Box::new(file), size))
    }

    fn key(&self) -> Result<(String, String), String> {
        let keys = self.signing().map_err(|error| format!("{error:#}"))?;
        Ok((keys.public().fingerprint().grouped(), keys.public().to_pem()))
    }
}

/// Of a bag that was stopped.
const STOPPED: &str = "it was stopped; nothing of it was kept";

fn progress(pace: &Pace) -> String {
    match (pace.is_stopped(), pace.rows()) {
        (true, _) => "It is being stopped.".to_owned(),
        (_, 0) => "It has begun.".to_owned(),
        (_, rows) => format!(
            "{:.0} % is done: {rows} rows of samples are read; each is read twice, to be judged and to be written.",
            100.0 * pace.done()
        ),
    }
}

fn in_words(stretch: Stretch) -> String {
    let minute = |at| rfc3339(at).get(..16).unwrap_or_default().replace('T', " ");
    match stretch {
        Stretch::Cycles(first, last) if first == last => format!("Cycle {first}."),
        Stretch::Cycles(first, last) => format!("Cycles {first} to {last}."),
        Stretch::Time(from, until) => {
            let from = from.map_or_else(|| "the first moment".to_owned(), minute);
            let until = until.map_or_else(|| "the newest cycle".to_owned(), minute);
            format!("From {from} to {until} (UTC).")
        }
    }
}

fn words_of(what: &str) -> &str {
    match what {
        "owner" => "what may tell whose car it is",
        "service" => "the service record",
        _ => "the originals",
    }
}

/// For people: no paths, which stand in the log.
fn sentence(error: &anyhow::Error) -> String {
    let text = format!("{error}");
    match text.contains('/') {
        true => "it can't be read or written; the log tells why".to_owned(),
        false => text,
    }
}

#[allow(clippy::too_many_arguments)] // One call, in a thread of its own.
fn make(
    data: &Path,
    car: &str,
    wanted: &Wanted,
    revises: Option<&Path>,
    keys: &Keys,
    bag: Bag,
    pace: &Arc<Pace>,
    folder: &Path,
) -> Result<()> {
    let stretch = match wanted.stretch {
        Stretch::Time(from, to) => kept::Stretch { from, to, cycles: None },
        Stretch::Cycles(first, last) => kept::Stretch { from: None, to: None, cycles: Some((first, last)) },
    };
    let mut kept = Kept::open(data, car, &stretch)?.watched(pace);
    let leave_out = wanted.leave_out.iter().map(|what| match *what {
        "owner" => LeaveOut::Owner,
        "service" => LeaveOut::Service,
        _ => LeaveOut::Originals,
    });
    let request = kept.request(Choice {
        leave_out: leave_out.collect(),
        paper: if wanted.letter { Paper::Letter } else { Paper::A4 },
        revises: revises.map(tag_manifest).transpose()?,
        ..Choice::default()
    })?;
    let zip = zip_of(folder, bag.number);
    let made = foldwatch_evidence::make(&zip, &request, &mut kept, keys)?;
    let bag = Bag {
        stage: Stage::Made,
        done: None,
        says: format!(
            "{}, {}, {} rows of samples.",
            counted(made.cycles, "cycle"),
            counted(made.findings, "finding"),
            made.rows
        ),
        size_bytes: Some(fs::metadata(&zip)?.len()),
        cycles: Some(made.cycles as u64),
        findings: Some(made.findings as u64),
        tag_manifest_sha256: Some(made.tag_manifest.to_string()),
        chain_head: Some(made.chain_head.to_string()),
        seals_head: made.seals_head.map(|head| head.to_string()),
        key_fingerprint: Some(keys.public().fingerprint().to_string()),
        ..bag
    };
    whole::write(&zip.with_extension("json"), |out| Ok(whole::json(out, &bag)?))
}
