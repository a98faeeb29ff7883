//! Recordings to a signed bag.

use std::path::Path;

use foldwatch_report::{Cycle, rfc3339, table};
use foldwatch_samples::{Item, Sink};
use foldwatch_units::Micros;

use crate::facts::{Clock, FORMAT, Provenance, Seen, Stretch};
use crate::judging::{self, Judging};
use crate::key::Keys;
use crate::out::Out;
use crate::report::{self, Contents, Pictures};
use crate::request::{LeaveOut, Made, Request};
use crate::{
    Chain, Digest, EvidenceError, Material, Original, Recording, StoreChain, chain, package, samples, seals,
    tables,
};

/// All that was found out on the way through the recordings.
struct Gathered<'a> {
    cycles: Vec<Cycle>,
    recordings: Vec<Recording>,
    seen: Vec<Seen>,
    stretches: Vec<Stretch>,
    end: Option<Micros>,
    pictures: Pictures<'a>,
}

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
    let gathered = gather(request, material)?;
    let at = request.at.or(gathered.end).unwrap_or_default();
    let rows = write_samples(&mut out, request, material, &gathered)?;
    for kind in table::Kind::ALL {
        out.file(&format!("data/{}.csv", kind.as_str()), |to| {
            judging::table(kind, &gathered.cycles, to)
                .map_err(EvidenceError::io(Path::new("table"), "written"))
        })?;
    }
    let chain = write_chain(&mut out, request, material)?;
    let entries = tables::entries(request);
    let stretches = tables::stretches(&gathered.recordings, &gathered.stretches);
    tables::write(&mut out, request, &entries, &stretches)?;
    let provenance = Provenance {
        format: FORMAT,
        software: env!("CARGO_PKG_NAME").into(),
        version: env!("CARGO_PKG_VERSION").into(),
        made_at: rfc3339(at),
        subject: request.subject.clone(),
        settings_sha256: settings(request).to_string(),
        left_out: request.leave_out.iter().map(|what| what.says().to_owned()).collect(),
        chain: chain.kind.into(),
        chain_before: chain.before.to_string(),
        chain_head: chain.head.to_string(),
        seals_head: chain.seals_head.map(|head| head.to_string()),
        originals: chain.originals.clone(),
        recordings: gathered.recordings.clone(),
        seen: gathered.seen.clone(),
    };
    out.bytes("data/provenance.json", &json(&provenance)?)?;
    let tables = package::tables(&request.profile, chain.columns);
    let written: Vec<_> = tables
        .iter()
        .filter_map(|table| out.sums().get(&format!("data/{}", table.file)).map(|sum| (table, sum)))
        .collect();
    let title = format!("Evidence: {}", request.subject);
    let descriptor =
        package::descriptor(&request.profile, &slug(&request.subject), &title, &rfc3339(at), &written);
    out.bytes("data/datapackage.json", &json(&descriptor)?)?;
    let mut remarks = request.remarks.clone();
    remarks.extend(not_again(&request.told, &gathered.cycles));
    let contents = Contents {
        request,
        remarks: &remarks,
        provenance: &provenance,
        cycles: &gathered.cycles,
        entries: &entries,
        stretches: &stretches,
        fingerprint: keys.public().fingerprint(),
        pictures: gathered.pictures,
        at,
    };
    out.bytes("data/report.pdf", &report::pdf(&contents)?)?;
    let bytes = out.sums().iter().filter(|(name, _)| name.starts_with("data/")).map(|(_, s)| s.bytes).sum();
    let tag_manifest = write_tags(&mut out, request, keys, at, &chain)?;
    out.finish()?;
    let findings = gathered.cycles.iter().map(|c| c.findings.len()).sum();
    Ok(Made {
        cycles: gathered.cycles.len(),
        findings,
        rows,
        tag_manifest,
        chain_head: chain.head,
        seals_head: chain.seals_head,
        bytes,
    })
}

/// The first way through the recordings: judges them, and notes what is missing.
fn gather<'a>(request: &'a Request, material: &mut dyn Material) -> Result<Gathered<'a>, EvidenceError> {
    let mut pictures = Pictures::new(&request.profile);
    let mut look = |cycle: usize, verdict: &foldwatch_pipeline::Verdict| pictures.look(cycle, verdict);
    let mut judging = Judging::new(&request.profile, &mut look);
    let (mut recordings, mut seen, mut stretches) = (Vec::new(), Vec::new(), Vec::new());
    let mut end = None;
    for n in 0..material.count() {
        let mut tee =
            Tee { judging: &mut judging, recording: n, rows: 0, span: None, stretches: &mut stretches };
        let mut recording = material.read(n, &mut tee).map_err(EvidenceError::Recording)?;
        let (rows, span) = (tee.rows, tee.span);
        if request.leave_out.contains(&LeaveOut::Owner) {
            recording.name = format!("recording {}", n + 1);
            recording.notes.iter_mut().for_each(|note| *note = without_names(note));
        }
        let utc = |at| recording.utc(at);
        judging.end(&utc);
        if let (false, Some((from, until))) = (recording.checked, span) {
            stretches.push(Stretch { recording: n, from, until, why: "no-checksum" });
        }
        seen.push(Seen {
            rows,
            from_utc: span.map(|(from, _)| rfc3339(utc(from))),
            to_utc: span.map(|(_, to)| rfc3339(utc(to))),
            clock: Clock::of(&recording, span.map(|(_, to)| to)),
        });
        end = end.max(span.map(|(_, to)| utc(to)));
        recordings.push(recording);
    }
    let cycles = judging.cycles;
    Ok(Gathered { cycles, recordings, seen, stretches, end, pictures })
}

/// Rows that stop for longer are told, although no gap is marked: loggers at rest write one every few seconds. Judgment.
const PAUSE_S: f64 = 60.0;

/// Judges items, and counts them.
struct Tee<'a, 'b> {
    judging: &'a mut Judging<'b>,
    recording: usize,
    rows: u64,
    span: Option<(Micros, Micros)>,
    stretches: &'a mut Vec<Stretch>,
}

impl Sink for Tee<'_, '_> {
    fn item(&mut self, item: Item<'_>) {
        self.rows += 1;
        let at = match item {
            Item::Row { at, .. } | Item::Same { at } | Item::Edge { at, .. } | Item::Mark { at } => at,
            Item::Gap { until, cause } => {
                let from = self.span.map_or(until, |(_, last)| last);
                let why = samples::cause(cause);
                self.stretches.push(Stretch { recording: self.recording, from, until, why });
                until
            }
        };
        if let (Some((_, last)), false) = (self.span, matches!(item, Item::Gap { .. }))
            && (at - last).0 > PAUSE_S
        {
            self.stretches.push(Stretch {
                recording: self.recording,
                from: last,
                until: at,
                why: "rows-stop",
            });
        }
        self.span = Some(self.span.map_or((at, at), |(from, to)| (from.min(at), to.max(at))));
        self.judging.item(item);
    }
}

/// The second way through: writes them down.
fn write_samples(
    out: &mut Out,
    request: &Request,
    material: &mut dyn Material,
    gathered: &Gathered,
) -> Result<u64, EvidenceError> {
    let mut rows = 0;
    out.file("data/samples.csv", |to| {
        let to_io = |error| EvidenceError::io(Path::new("samples.csv"), "written")(error);
        let mut writer = samples::Writer::new(&request.profile, to).map_err(to_io)?;
        for (n, recording) in gathered.recordings.iter().enumerate() {
            let utc = |at| recording.utc(at);
            let before = writer.rows;
            let again = material.read(n, &mut writer.recording(&utc)).map_err(EvidenceError::Recording)?;
            if writer.rows - before != gathered.seen[n].rows || again.timeline != recording.timeline {
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
    columns: &'static str,
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
    Ok(Written {
        kind: "logs",
        columns: chain::HEADER,
        before: chain::GENESIS,
        head,
        seals_head: None,
        originals,
    })
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
    Ok(Written { kind: "store", columns: chain::JOURNAL, before, head, seals_head, originals })
}

/// Beside the archive's files: which stretch of them it is, and how the journal is read on behind them.
pub(crate) const READING: &str = "reading.json";

/// What was told before and does not follow from the bag alone: the car's earlier history had its part in it.
fn not_again(told: &[(Micros, String, Option<String>)], cycles: &[Cycle]) -> Vec<String> {
    let near = |cycle: &Cycle, at: Micros| {
        foldwatch_report::parse_utc(&cycle.start).is_some_and(|start| (start - at).0.abs() < 1.0)
    };
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

/// All that sets how the recordings were judged.
fn settings(request: &Request) -> Digest {
    let mut text = format!("version {}\n", env!("CARGO_PKG_VERSION"));
    let part = |name: &str, of: &str| format!("{name} {}\n", Digest::of(of.as_bytes()));
    text.push_str(&part("profile", &request.profile_text));
    if let Some(columns) = &request.columns_text {
        text.push_str(&part("columns", columns));
    }
    request.settings.iter().for_each(|setting| text.push_str(&part("setting", setting)));
    Digest::of(text.as_bytes())
}

/// Tag files, the signature last. The answer names the bag: the digest of its tag manifest.
fn write_tags(
    out: &mut Out,
    request: &Request,
    keys: &Keys,
    at: Micros,
    chain: &Written,
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
    let one_line = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    let mut info = vec![
        ("Bag-Software-Agent", format!("foldwatch {}", env!("CARGO_PKG_VERSION"))),
        ("Bagging-Date", rfc3339(at)[..10].to_owned()),
        ("External-Identifier", one_line(&request.subject)),
        ("Payload-Oxum", format!("{bytes}.{count}")),
        ("Evidence-Format", FORMAT.to_string()),
        ("Recorded-Chain-Head", chain.head.to_string()),
        ("Signer-Fingerprint", keys.public().fingerprint().to_string()),
    ];
    if let Some(head) = chain.seals_head {
        info.push(("Recorded-Seals-Head", head.to_string()));
    }
    if let (Some(name), false) = (&request.name, request.leave_out.contains(&LeaveOut::Owner)) {
        info.push(("External-Description", one_line(name)));
    }
    if let Some(revises) = request.revises {
        info.push(("Revises-Tagmanifest-SHA256", revises.to_string()));
    }
    for what in &request.leave_out {
        info.push(("Left-Out", what.says().to_owned()));
    }
    let info: String = info.iter().map(|(key, value)| format!("{key}: {value}\n")).collect();
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

fn json(value: &impl serde::Serialize) -> Result<Vec<u8>, EvidenceError> {
    let mut bytes = serde_json::to_vec_pretty(value)
        .map_err(|error| EvidenceError::refused(format!("a description can't be written: {error}")))?;
    bytes.push(b'\n');
    Ok(bytes)
}

/// A name as a Data Package may have it.
fn slug(text: &str) -> String {
    let safe = |c: char| if c.is_ascii_alphanumeric() || c == '-' { c.to_ascii_lowercase() } else { '-' };
    format!("evidence-{}", text.chars().map(safe).collect::<String>())
}

/// A note without what stands in it between `` ` ``: names that people gave.
fn without_names(note: &str) -> String {
    if !note.starts_with("logger ") {
        return note.to_owned();
    }
    note.split('`').enumerate().map(|(n, part)| if n % 2 == 0 { part } else { "(name left out)" }).collect()
}
