//! The small files of a bag: profile, calibration, service record, revisions, stretches.

use foldwatch_profile::{Level, Profile};
use foldwatch_report::rfc3339;

use crate::facts::Stretch;
use crate::out::Out;
use crate::request::{Entry, LeaveOut, Request};
use crate::{Digest, EvidenceError, Recording, package};

/// The stretches as they stand in their table.
pub(crate) fn stretches(recordings: &[Recording], stretches: &[Stretch]) -> Vec<Vec<String>> {
    let row = |s: &Stretch| {
        let recording = &recordings[s.recording];
        vec![
            (s.recording + 1).to_string(),
            rfc3339(recording.utc(s.from)),
            rfc3339(recording.utc(s.until)),
            (s.until - s.from).0.to_string(),
            s.why.to_owned(),
        ]
    };
    stretches.iter().map(row).collect()
}

/// Profile, calibration, stretches, service record, method.
pub(crate) fn write(
    out: &mut Out,
    request: &Request,
    entries: &[Entry],
    stretches: &[Vec<String>],
) -> Result<(), EvidenceError> {
    out.bytes("data/profile.toml", request.profile_text.as_bytes())?;
    if let Some(columns) = &request.columns_text {
        out.bytes("data/columns.toml", columns.as_bytes())?;
    }
    out.bytes("data/method.md", crate::METHOD.as_bytes())?;
    out.bytes("data/calibration.csv", csv(&package::CALIBRATION, calibration(&request.profile)).as_bytes())?;
    out.bytes("data/stretches.csv", csv(&package::STRETCHES, stretches.iter().cloned()).as_bytes())?;
    if !entries.is_empty() {
        let number = |n: Option<u64>| n.map(|n| n.to_string()).unwrap_or_default();
        let row = |e: &Entry| {
            let texts = [&e.kind, &e.author, &e.subject, &e.result, &e.text];
            let mut row = vec![number(e.number), rfc3339(e.at), e.written.map(rfc3339).unwrap_or_default()];
            row.extend(texts.into_iter().cloned());
            row.push(number(e.corrects));
            row
        };
        out.bytes("data/service.csv", csv(&package::SERVICE, entries.iter().map(row)).as_bytes())?;
    }
    if let Some((ending, bytes)) = &request.commissioning {
        out.bytes(&format!("data/commissioning.{ending}"), bytes)?;
    }
    revisions(out, request)
}

/// Every wording with its digest and that of the one it replaces; the texts of profiles beside it.
fn revisions(out: &mut Out, request: &Request) -> Result<(), EvidenceError> {
    let mut rows = Vec::new();
    let mut before: Option<(&str, &str, Digest)> = None;
    for revision in &request.revisions {
        if revision.of == "car" && request.leave_out.contains(&LeaveOut::Owner) {
            continue;
        }
        let own = Digest::of(revision.text.as_bytes());
        let replaces = before.filter(|(of, id, _)| (*of, *id) == (revision.of, revision.id.as_str()));
        let file = match revision.of {
            "profile" => format!("revisions/profile-{:04}.toml", revision.number),
            _ => String::new(),
        };
        if !file.is_empty() {
            out.bytes(&format!("data/{file}"), revision.text.as_bytes())?;
        }
        rows.push(vec![
            revision.of.to_owned(),
            revision.id.clone(),
            revision.number.to_string(),
            rfc3339(revision.recorded),
            own.to_string(),
            replaces.map(|(_, _, digest)| digest.to_string()).unwrap_or_default(),
            if file.is_empty() { revision.text.clone() } else { file },
        ]);
        before = Some((revision.of, &revision.id, own));
    }
    if rows.is_empty() {
        return Ok(());
    }
    out.bytes("data/revisions.csv", csv(&package::REVISIONS, rows.into_iter()).as_bytes())
}

/// The service record as far as it is not left out.
pub(crate) fn entries(request: &Request) -> Vec<Entry> {
    if request.leave_out.contains(&LeaveOut::Service) {
        return Vec::new();
    }
    let mut entries = request.entries.clone();
    if request.leave_out.contains(&LeaveOut::Owner) {
        entries.iter_mut().for_each(|entry| entry.author.clear());
    }
    entries
}

fn calibration(profile: &Profile) -> impl Iterator<Item = Vec<String>> {
    profile.signals.iter().map(|signal| {
        let (c, number) =
            (&signal.calibration, |v: Option<f64>| v.map(|v| v.to_string()).unwrap_or_default());
        let binary = signal.kind.is_binary();
        let of_numbers = |v: f64| if binary { String::new() } else { v.to_string() };
        let level = match signal.on_when {
            Level::Low => "low",
            Level::High => "high",
        };
        vec![
            signal.id.clone(),
            signal.label.clone(),
            format!("{:?}", signal.kind).to_lowercase(),
            signal.unit.symbol.to_owned(),
            of_numbers(c.gain),
            of_numbers(c.offset),
            number(c.min),
            number(c.max),
            number(c.u),
            c.certificate.clone().unwrap_or_default(),
            c.date.clone().unwrap_or_default(),
            if binary { level.to_owned() } else { String::new() },
        ]
    })
}

/// RFC 4180.
fn csv(header: &[&str], rows: impl Iterator<Item = Vec<String>>) -> String {
    let cell = |text: &str| match text.contains(['"', ',', '\r', '\n']) {
        true => format!("\"{}\"", text.replace('"', "\"\"")),
        false => text.to_owned(),
    };
    let line = |cells: &mut dyn Iterator<Item = String>| cells.collect::<Vec<_>>().join(",") + "\r\n";
    let mut text = line(&mut header.iter().map(|c| (*c).to_owned()));
    for row in rows {
        text.push_str(&line(&mut row.iter().map(|c| cell(c))));
    }
    text
}
