//! Recordings to a signed bag.

use std::path::Path;

use foldwatch_report::{Cycle, parse_utc, rfc3339, table};
use foldwatch_units::Micros;

use crate::facts::{FORMAT, Provenance, Seen};
use crate::judging::{self, Judging};
use crate::key::Keys;
use crate::out::Out;
use crate::request::{Entry, LeaveOut, Made, Request};
use crate::{
    Chain, Digest, EvidenceError, Material, Original, Recording, StoreChain, chain, derived, samples, seals,
    tables,
};

/// Makes a bag: a zip where the name ends in `.zip`, a folder otherwise. The same input and key give the same bytes.
///
/// # Errors
/// Where a recording can't be read or the bag can't be written; nothing is left then.
pub fn make(
    to: &Path,
    request: &Request,
    material: &mut dyn Material,
    keys: &Keys,
) -> Result<Made, EvidenceError> {
    let mut out = Out::new(to)?;
    let mut judging = Judging::new(&request.profile);
    let recordings = judge(request, material, &mut judging)?;
    let entries = tables::entries(request);
    let rows = write_samples(&mut out, request, material, &recordings, &judging.seen)?;
    for kind in table::Kind::ALL {
        out.file(&format!("data/{}.csv", kind.as_str()), |to| {
            judging::table(kind, &judging.cycles, to)
                .map_err(EvidenceError::io(Path::new("table"), "written"))
        })?;
    }
    let chain = write_chain(&mut out, request, material)?;
    let mut remarks = request.remarks.clone();
    remarks.extend(not_again(&request.told, &judging.cycles));
    let provenance = Provenance {
        format: FORMAT,
        software: env!("CARGO_PKG_NAME").into(),
        version: env!("CARGO_PKG_VERSION").into(),
        made_at: rfc3339(date(request, &entries, judging.end)?),
        subject: request.subject.clone(),
        name: request.name.clone().filter(|_| !request.leave_out.contains(&LeaveOut::Owner)),
        paper: Some(request.paper),
        settings: request.settings.clone(),
        settings_sha256: derived::settings(env!("CARGO_PKG_VERSION"), request).to_string(),
        remarks,
        left_out: request.leave_out.iter().map(|what| what.says().to_owned()).collect(),
        chain: chain.kind.into(),
        chain_before: chain.before.to_string(),
        chain_head: chain.head.to_string(),
        seals_head: chain.seals_head.map(|head| head.to_string()),
        originals: chain.originals.clone(),
        recordings,
        seen: judging.seen.clone(),
    };
    out.bytes("data/provenance.json", &derived::json(&provenance)?)?;
    for (name, bytes) in tables::small(request, &entries, &provenance.recordings, &judging.stretches) {
        out.bytes(&name, &bytes)?;
    }
    let package = derived::package(request, &provenance, out.sums())?;
    out.bytes("data/datapackage.json", &package)?;
    let (cycles, findings) =
        (judging.cycles.len(), judging.cycles.iter().map(|cycle| cycle.findings.len()).sum());
    let fingerprint = keys.public().fingerprint();
    out.bytes("data/report.pdf", &derived::report(request, &provenance, judging, fingerprint)?)?;
    let bytes = out.sums().iter().filter(|(name, _)| name.starts_with("data/")).map(|(_, s)| s.bytes).sum();
    let tag_manifest = write_tags(&mut out, request, &provenance, keys)?;
    out.finish()?;
    Ok(Made {
        cycles,
        findings,
        rows,
        tag_manifest,
        chain_head: chain.head,
        seals_head: chain.seals_head,
        bytes,
    })
}

/// The date that was asked for, or that of the last thing in the bag: no bag is older than what is in it.
fn date(request: &Request, entries: &[Entry], recorded: Option<Micros>) -> Result<Micros, EvidenceError> {
    let last = derived::last_date(request, entries, recorded);
    match request.at {
        Some(at) if at < last => Err(EvidenceError::refused(format!(
            "evidence of {} can't hold what is of {}: give a later date, or none",
            rfc3339(at),
            rfc3339(last)
        ))),
        at => Ok(at.unwrap_or(last)),
    }
}

/// The first way through the recordings.
fn judge(
    request: &Request,
    material: &mut dyn Material,
    judging: &mut Judging,
) -> Result<Vec<Recording>, EvidenceError> {
    let mut recordings = Vec::new();
    for n in 0..material.count() {
        let mut recording = material.read(n, judging).map_err(EvidenceError::Recording)?;
        if request.leave_out.contains(&LeaveOut::Owner) {
            recording.name = format!("recording {}", n + 1);
            recording.notes.iter_mut().for_each(|note| *note = without_names(note));
        }
        judging.end(&recording);
        recordings.push(recording);
    }
    Ok(recordings)
}

/// The second way through: writes them down.
fn write_samples(
    out: &mut Out,
    request: &Request,
    material: &mut dyn Material,
    recordings: &[Recording],
    seen: &[Seen],
) -> Result<u64, EvidenceError> {
    let mut rows = 0;
    out.file("data/samples.csv", |to| {
        let to_io = |error| EvidenceError::io(Path::new("samples.csv"), "written")(error);
        let mut writer = samples::Writer::new(&request.profile, to).map_err(to_io)?;
        for (n, (recording, seen)) in recordings.iter().zip(seen).enumerate() {
            let utc = |at| recording.utc(at);
            let before = writer.rows;
            let again = material.read(n, &mut writer.recording(&utc)).map_err(EvidenceError::Recording)?;
            if writer.rows - before != seen.rows || again.timeline != recording.timeline {
                return Err(EvidenceError::refused(format!(
                    "{} changed while it was read; make the evidence when nothing writes to it",
                    again.name
                )));
            }
        }
        rows = writer.finish().map_err(to_io)?;
        Ok(())
    })?;
    Ok(rows)
}

/// The chain as it was written.
struct Written {
    kind: &'static str,
    /// What its first link follows on.
    before: Digest,
    head: Digest,
    seals_head: Option<Digest>,
    /// What lies in the bag as it was recorded: names below `data/recorded`, in the order that it is read in.
    originals: Vec<String>,
}

/// Where originals lie in a bag.
pub(crate) const RECORDED: &str = "data/recorded/";

fn write_chain(
    out: &mut Out,
    request: &Request,
    material: &mut dyn Material,
) -> Result<Written, EvidenceError> {
    let with_originals =
        ![LeaveOut::Owner, LeaveOut::Originals].iter().any(|left| request.leave_out.contains(left));
    match material.chain() {
        Chain::Logs(logs) => chain_of_logs(out, logs, with_originals),
        Chain::Store(store) => chain_of_store(out, store, with_originals),
    }
}

fn chain_of_logs(out: &mut Out, logs: Vec<Original>, with_originals: bool) -> Result<Written, EvidenceError> {
    let to_io = |error| EvidenceError::io(Path::new("chain.csv"), "written")(error);
    let mut lines = Vec::new();
    let mut writer = chain::Writer::new(&mut lines).map_err(to_io)?;
    let mut originals = Vec::new();
    for log in logs {
        let from = (log.open)().map_err(EvidenceError::io(Path::new(&log.name), "read"))?;
        if with_originals {
            out.file(&format!("{RECORDED}{}", log.name), |to| writer.log(from, to).map_err(to_io))?;
            originals.push(log.name);
        } else {
            writer.log(from, &mut std::io::sink()).map_err(to_io)?;
        }
    }
    let head = writer.head();
    out.bytes("data/chain.csv", &lines)?;
    Ok(Written { kind: "logs", before: chain::GENESIS, head, seals_head: None, originals })
}

fn chain_of_store(out: &mut Out, store: StoreChain, with_originals: bool) -> Result<Written, EvidenceError> {
    let to_io = |error| EvidenceError::io(Path::new("chain.csv"), "written")(error);
    out.bytes("data/seals.csv", seals::text(&store.seals).as_bytes())?;
    let last = store.seals.last();
    let before = last.map_or(chain::GENESIS, |(seal, _)| Digest(seal.journal_link));
    let mut head = before;
    let mut originals = Vec::new();
    out.file("data/chain.csv", |to| {
        write!(to, "{}\r\n", chain::JOURNAL).map_err(to_io)?;
        if !with_originals {
            // A row of the journal is an original: it has the frame's bytes.
            return Ok(());
        }
        (store.rows)(&mut |position, frame, link| {
            head = Digest(link);
            write!(to, "{}\r\n", chain::journal_line(position, frame, link))
        })
        .map_err(EvidenceError::Recording)
    })?;
    if with_originals {
        for file in store.files {
            let mut from = (file.open)().map_err(EvidenceError::io(Path::new(&file.name), "read"))?;
            out.file(&format!("{RECORDED}{}", file.name), |to| {
                std::io::copy(&mut from, to)
                    .map(drop)
                    .map_err(EvidenceError::io(Path::new(&file.name), "copied"))
            })?;
            originals.push(file.name);
        }
        out.bytes(&format!("{RECORDED}{READING}"), store.reading.as_bytes())?;
    }
    let seals_head = last.map(|(_, link)| Digest(*link));
    Ok(Written { kind: "store", before, head, seals_head, originals })
}

/// Beside the archive's files: which stretch of them it is, and how the journal is read on behind them.
pub(crate) const READING: &str = "reading.json";

/// What was told before and does not follow from the bag alone: the car's earlier history had its part in it.
fn not_again(told: &[(Micros, String, Option<String>)], cycles: &[Cycle]) -> Vec<String> {
    let near =
        |cycle: &Cycle, at: Micros| parse_utc(&cycle.start).is_some_and(|start| (start - at).0.abs() < 1.0);
    let again = |(at, kind, phase): &&(Micros, String, Option<String>)| {
        let findings = cycles.iter().filter(|cycle| near(cycle, *at)).flat_map(|cycle| &cycle.findings);
        findings.filter(|f| f.kind == *kind && f.phase == *phase).count() > 0
    };
    told.iter()
        .filter(|told| !again(told))
        .map(|(at, kind, phase)| {
            format!(
                "{kind}{} in the cycle of {} was told when it was recorded and is not given again by the samples in this \
                 bag alone: the car's earlier history had its part in it. It is no finding of this report.",
                phase.as_ref().map(|phase| format!(" ({phase})")).unwrap_or_default(),
                rfc3339(*at)
            )
        })
        .collect()
}

/// Tag files, the signature last. The answer names the bag: the digest of its tag manifest.
fn write_tags(
    out: &mut Out,
    request: &Request,
    provenance: &Provenance,
    keys: &Keys,
) -> Result<Digest, EvidenceError> {
    let payload: Vec<_> = out.sums().iter().filter(|(name, _)| name.starts_with("data/")).collect();
    let (count, bytes) = (payload.len(), payload.iter().map(|(_, sum)| sum.bytes).sum::<u64>());
    let mut manifest = String::new();
    let mut blocks = String::new();
    for (name, sum) in payload {
        manifest.push_str(&format!("{}  {name}\n", sum.sha256));
        for (n, block) in sum.blocks.iter().enumerate() {
            let first = n as u64 * crate::hash::BLOCK;
            let last = (first + crate::hash::BLOCK).min(sum.bytes) - 1;
            blocks.push_str(&format!("{block}  {first}-{last}  {name}\n"));
        }
    }
    let info = derived::bag_info(request, provenance, keys.public().fingerprint(), (bytes, count));
    out.bytes("bagit.txt", b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n")?;
    out.bytes("bag-info.txt", info.as_bytes())?;
    out.bytes("manifest-sha256.txt", manifest.as_bytes())?;
    out.bytes("blocks-sha256.txt", blocks.as_bytes())?;
    out.bytes("keys/signer.pem", keys.public().to_pem().as_bytes())?;
    for (n, succession) in keys.successions().iter().enumerate() {
        out.bytes(&format!("keys/{:04}.txt", n + 1), succession.text.as_bytes())?;
        out.bytes(&format!("keys/{:04}.sig", n + 1), &succession.signature)?;
    }
    let tags: String = out
        .sums()
        .iter()
        .filter(|(name, _)| !name.starts_with("data/"))
        .map(|(name, sum)| format!("{}  {name}\n", sum.sha256))
        .collect();
    out.bytes("tagmanifest-sha256.txt", tags.as_bytes())?;
    out.bytes("tagmanifest-sha256.txt.sig", &keys.sign(tags.as_bytes()))?;
    Ok(Digest::of(tags.as_bytes()))
}

/// A note without what stands in it between `` ` ``: names that people gave.
fn without_names(note: &str) -> String {
    if !note.starts_with("logger ") {
        return note.to_owned();
    }
    note.split('`').enumerate().map(|(n, part)| if n % 2 == 0 { part } else { "(name left out)" }).collect()
}
