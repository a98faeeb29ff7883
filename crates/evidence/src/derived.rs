//! What follows from the rest of a bag: written when it is made, and made anew to be held against it when it is verified.

use std::collections::BTreeMap;

use foldwatch_report::parse_utc;
use foldwatch_units::Micros;

use crate::facts::Provenance;
use crate::hash::Sum;
use crate::judging::Judging;
use crate::report::{self, Contents};
use crate::request::{Entry, Request};
use crate::{Digest, EvidenceError, chain, package, tables};

/// All that sets how the recordings were judged, and by which version.
pub(crate) fn settings(version: &str, request: &Request) -> Digest {
    let mut text = format!("version {version}\n");
    let part = |name: &str, of: &str| format!("{name} {}\n", Digest::of(of.as_bytes()));
    text.push_str(&part("profile", &request.profile_text));
    if let Some(columns) = &request.columns_text {
        text.push_str(&part("columns", columns));
    }
    request.settings.iter().for_each(|setting| text.push_str(&part("setting", setting)));
    Digest::of(text.as_bytes())
}

/// The last of all dates in the bag: of what was recorded, written and entered.
pub(crate) fn last_date(request: &Request, entries: &[Entry], recorded: Option<Micros>) -> Micros {
    let written = entries.iter().map(|entry| entry.written.unwrap_or(entry.at));
    let entered = tables::revisions(request).map(|revision| revision.recorded);
    written.chain(entered).chain(recorded).max().unwrap_or_default()
}

/// `bag-info.txt`; of the payload: bytes, files.
pub(crate) fn bag_info(
    request: &Request,
    provenance: &Provenance,
    fingerprint: Digest,
    (bytes, files): (u64, usize),
) -> String {
    let one_line = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    let mut info = vec![
        ("Bag-Software-Agent", format!("foldwatch {}", provenance.version)),
        ("Bagging-Date", provenance.made_at.get(..10).unwrap_or_default().to_owned()),
        ("External-Identifier", one_line(&provenance.subject)),
        ("Payload-Oxum", format!("{bytes}.{files}")),
        ("Evidence-Format", provenance.format.to_string()),
        ("Recorded-Chain-Head", provenance.chain_head.clone()),
        ("Signer-Fingerprint", fingerprint.to_string()),
    ];
    if let Some(head) = &provenance.seals_head {
        info.push(("Recorded-Seals-Head", head.clone()));
    }
    if let Some(name) = &provenance.name {
        info.push(("External-Description", one_line(name)));
    }
    if let Some(revises) = request.revises {
        info.push(("Revises-Tagmanifest-SHA256", revises.to_string()));
    }
    for what in &provenance.left_out {
        info.push(("Left-Out", what.clone()));
    }
    info.iter().map(|(key, value)| format!("{key}: {value}\n")).collect()
}

/// `data/datapackage.json`, over the tables that there are.
pub(crate) fn package(
    request: &Request,
    provenance: &Provenance,
    sums: &BTreeMap<String, Sum>,
) -> Result<Vec<u8>, EvidenceError> {
    let columns = if provenance.chain == "store" { chain::JOURNAL } else { chain::HEADER };
    let tables = package::tables(&request.profile, columns);
    let there: Vec<_> = tables
        .iter()
        .filter_map(|table| sums.get(&format!("data/{}", table.file)).map(|sum| (table, sum)))
        .collect();
    let title = format!("Evidence: {}", provenance.subject);
    let name = slug(&provenance.subject);
    json(&package::descriptor(&request.profile, &name, &title, &provenance.made_at, &there))
}

/// `data/report.pdf`.
pub(crate) fn report(
    request: &Request,
    provenance: &Provenance,
    judged: Judging,
    fingerprint: Digest,
) -> Result<Vec<u8>, EvidenceError> {
    report::pdf(&Contents {
        request,
        provenance,
        cycles: &judged.cycles,
        entries: &tables::entries(request),
        stretches: &tables::stretches(&provenance.recordings, &judged.stretches),
        fingerprint,
        pictures: judged.pictures,
        at: parse_utc(&provenance.made_at).unwrap_or_default(),
    })
}

pub(crate) fn json(value: &impl serde::Serialize) -> Result<Vec<u8>, EvidenceError> {
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
