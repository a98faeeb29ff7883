//! What a whole bag says of itself: is the chain unbroken, are its samples what is on the chain, are its findings what the
//! samples give?

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{BufReader, Read};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use foldwatch_profile::Profile;
use foldwatch_store::SealRow;

use crate::facts::{Originals, Provenance};
use crate::hash::Sum;
use crate::make::{READING, RECORDED};
use crate::read::Bag;
use crate::replay::Known;
use crate::verify::{Fault, Verified, error_chain, labelled};
use crate::{Digest, EvidenceError, Reread, bind, chain, replay, seals};

/// Looks on, once every byte is as it was signed.
pub(crate) fn look(
    bag: &mut Bag,
    sums: &BTreeMap<String, Sum>,
    logs: &[PathBuf],
    reread: &dyn Reread,
    done: &mut Verified,
) -> Result<(), EvidenceError> {
    let text = bag.text("data/provenance.json")?;
    let provenance: Provenance = serde_json::from_str(&text).map_err(|error| {
        EvidenceError::refused(format!("`data/provenance.json` is not as this version writes it: {error}"))
    })?;
    let profile = foldwatch_profile::parse(&bag.text("data/profile.toml")?).map_err(|problems| {
        let list: Vec<String> = problems.iter().map(ToString::to_string).collect();
        EvidenceError::refused(format!("`data/profile.toml` is no profile: {}", list.join("; ")))
    })?;
    let profile = Arc::new(profile.profile);
    notes(bag, &provenance, done)?;
    // Copies of what lies in a zip.
    let room = tempfile::tempdir().map_err(EvidenceError::io(Path::new("a folder for copies"), "made"))?;
    let in_bag = originals(bag, &provenance, room.path(), done)?;
    match walk(bag, &provenance, &in_bag, logs, done)? {
        Ok(head) => done.chain_head = Some(head),
        Err(fault) => done.faults.push(fault),
    }
    if done.chain_head.is_some() {
        let files = if in_bag.is_empty() { logs.to_vec() } else { in_bag };
        bound(bag, &provenance, &profile, files, room.path(), reread, done)?;
    }
    let fingerprint = done.fingerprint.unwrap_or(chain::GENESIS);
    let known = Known { provenance: &provenance, profile: &profile, sums, fingerprint };
    let replayed = replay::replay(bag, &known)?;
    if !replayed.report && replayed.differs.is_empty() {
        done.notes
            .push("the report was set by another version, and can't be set anew by this one".to_owned());
    }
    done.replayed = Some(replayed);
    Ok(())
}

fn notes(bag: &mut Bag, provenance: &Provenance, done: &mut Verified) -> Result<(), EvidenceError> {
    if provenance.version != env!("CARGO_PKG_VERSION") {
        done.notes.push(format!(
            "made by version {}, judged anew by {}: where they differ, look at what changed between the two",
            provenance.version,
            env!("CARGO_PKG_VERSION")
        ));
    }
    if let Some(revises) = labelled(&bag.text("bag-info.txt")?, "Revises-Tagmanifest-SHA256") {
        done.notes.push(format!("a correction of the bag whose tag manifest has the SHA-256 {revises}"));
    }
    done.notes.extend(provenance.left_out.iter().map(|what| format!("left out: {what}")));
    Ok(())
}

fn fault(file: &str, what: impl Into<String>) -> Fault {
    Fault { file: file.to_owned(), bytes: None, what: what.into() }
}

/// Paths with the bytes of the originals that lie in the bag.
fn originals(
    bag: &mut Bag,
    provenance: &Provenance,
    room: &Path,
    done: &mut Verified,
) -> Result<Vec<PathBuf>, EvidenceError> {
    let mut paths = Vec::new();
    for name in &provenance.originals {
        let own = format!("{RECORDED}{name}");
        match bag.files.contains_key(&own) {
            true => paths.push(bag.path(&own, room)?),
            false => done.faults.push(fault(&own, "gone, although provenance.json names it as an original")),
        }
    }
    let named = |own: &str| provenance.originals.iter().any(|name| name == own);
    for own in bag.files.keys().filter_map(|name| name.strip_prefix(RECORDED)) {
        if own != READING && !named(own) {
            done.faults.push(fault(&format!("{RECORDED}{own}"), "provenance.json names no such original"));
        }
    }
    Ok(paths)
}

type Walked = Result<Digest, Fault>;

/// Walks the chain over everything that is at hand.
fn walk(
    bag: &mut Bag,
    provenance: &Provenance,
    in_bag: &[PathBuf],
    logs: &[PathBuf],
    done: &mut Verified,
) -> Result<Walked, EvidenceError> {
    let file = "data/chain.csv";
    let head = match provenance.chain.as_str() {
        "logs" => {
            // The logs that are given, if any, and the originals in the bag: each has to be what the chain was made of.
            let mut walked = Ok(chain::GENESIS);
            for at_hand in [logs, in_bag] {
                let mut files = at_hand.iter().map(|path| open(path)).collect::<Result<Vec<_>, _>>()?;
                if walked.is_ok() {
                    walked = chain::walk(BufReader::new(bag.read(file)?), &mut files);
                }
            }
            walked.map_err(|what| fault(file, what))
        }
        "store" => {
            if !logs.is_empty() {
                done.notes.push(
                    "made out of a data folder, not of logs: what was given with --log was not looked at"
                        .to_owned(),
                );
            }
            return walk_store(bag, provenance, in_bag);
        }
        other => Err(fault(file, format!("a chain of a kind that is not known: `{}`", other.escape_debug()))),
    };
    Ok(head.and_then(|head| ends_with(head, &provenance.chain_head, file)))
}

fn open(path: &Path) -> Result<Box<dyn Read>, EvidenceError> {
    Ok(Box::new(File::open(path).map_err(EvidenceError::io(path, "opened"))?))
}

fn ends_with(head: Digest, on_record: &str, file: &str) -> Walked {
    match head.to_string() == on_record {
        true => Ok(head),
        false => {
            Err(fault(file, format!("ends with {head}, but {on_record} is on record: its end was cut off")))
        }
    }
}

/// First the seals of the archive and the files that they name, then the journal behind them.
fn walk_store(bag: &mut Bag, provenance: &Provenance, in_bag: &[PathBuf]) -> Result<Walked, EvidenceError> {
    let (rows, head) = match seals::walk(&bag.text("data/seals.csv")?) {
        Ok(walked) => walked,
        Err(what) => return Ok(Err(fault("data/seals.csv", what))),
    };
    if head.map(|head| head.to_string()) != provenance.seals_head {
        return Ok(Err(fault(
            "data/seals.csv",
            "does not end with the link that is on record: its end was cut off",
        )));
    }
    if let Err(fault) = files_as_sealed(bag, &rows, provenance, in_bag)? {
        return Ok(Err(fault));
    }
    let file = "data/chain.csv";
    let before = rows.last().map_or(chain::GENESIS, |seal| Digest(seal.journal_link));
    if before.to_string() != provenance.chain_before {
        return Ok(Err(fault(file, "does not follow on the last seal of the archive")));
    }
    Ok(match chain::walk_journal(BufReader::new(bag.read(file)?), before) {
        Ok(head) => ends_with(head, &provenance.chain_head, file),
        Err(what) => Err(fault(file, what)),
    })
}

/// Each file of the archive in the bag is the last one that was sealed of its day, byte for byte.
fn files_as_sealed(
    bag: &mut Bag,
    rows: &[SealRow],
    provenance: &Provenance,
    in_bag: &[PathBuf],
) -> Result<Result<(), Fault>, EvidenceError> {
    let own = |seal: &SealRow| seal.file.rsplit('/').next().unwrap_or_default().to_owned();
    let last: BTreeMap<&str, &SealRow> = rows.iter().map(|seal| (seal.day.as_str(), seal)).collect();
    let mut days = Vec::new();
    for name in provenance.originals.iter().take(in_bag.len()) {
        let file = format!("{RECORDED}{name}");
        let Some(seal) = last.values().find(|seal| own(seal) == *name) else {
            return Ok(Err(fault(&file, "is not the last file that was sealed of any day")));
        };
        let (bytes, sha256) = crate::hash::of_reader(bag.read(&file)?, u64::MAX - 1, &mut vec![0; 1 << 17])
            .map_err(EvidenceError::io(Path::new(name), "read"))?;
        if (bytes, sha256.0) != (seal.bytes, seal.sha256) {
            return Ok(Err(fault(&file, format!("is not the file that was sealed of {}", seal.day))));
        }
        days.push(seal.day.as_str());
    }
    // Between the first and the last of them none may be missing.
    if let (Some(&first), Some(&end)) = (days.first(), days.last())
        && let Some(gone) = last.keys().find(|day| (first..=end).contains(*day) && !days.contains(*day))
    {
        return Ok(Err(fault(RECORDED, format!("{gone} was sealed, but its file is not in the bag"))));
    }
    Ok(Ok(()))
}

/// Reads the originals again, and holds the samples against them.
fn bound(
    bag: &mut Bag,
    provenance: &Provenance,
    profile: &Arc<Profile>,
    files: Vec<PathBuf>,
    room: &Path,
    reread: &dyn Reread,
    done: &mut Verified,
) -> Result<(), EvidenceError> {
    let reading = format!("{RECORDED}{READING}");
    let store = match provenance.chain.as_str() {
        "store" if bag.files.contains_key(&reading) => {
            Some((bag.text(&reading)?, bag.path("data/chain.csv", room)?))
        }
        _ => None,
    };
    let at_hand = match provenance.chain.as_str() {
        "store" => store.is_some(),
        _ => !files.is_empty(),
    };
    if !at_hand {
        done.notes.push(
            "the originals are not in the bag: whether its samples are what was recorded can only be seen with them (for \
             logs: --log)"
                .to_owned(),
        );
        return Ok(());
    }
    let columns = match bag.files.contains_key("data/columns.toml") {
        true => Some(bag.text("data/columns.toml")?),
        false => None,
    };
    let of = Originals { profile: Arc::clone(profile), columns, files, store };
    let bound = reread.material(of).map_err(EvidenceError::Recording).and_then(|mut material| {
        bind::bind(&mut *material, profile, provenance, BufReader::new(bag.read("data/samples.csv")?))
    });
    match bound {
        Ok(Ok(rows)) => done.bound = Some(rows),
        Ok(Err(what)) => {
            done.faults.push(fault("data/samples.csv", format!("not what was recorded: {what}")))
        }
        // They are whole, so it is not the disk: they are no originals.
        Err(error) => {
            done.faults.push(fault(RECORDED, format!("can't be read again: {}", error_chain(&error))));
        }
    }
    Ok(())
}
