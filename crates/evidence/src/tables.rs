//! The small files of a bag: profile, calibration, service record, revisions, stretches.

use foldwatch_profile::{Level, Profile, Signal};
use foldwatch_report::rfc3339;

use crate::facts::Stretch;
use crate::request::{Entry, LeaveOut, Request, Revision};
use crate::{Digest, Recording, package};

/// The stretches as they stand in their table.
pub(crate) fn stretches(recordings: &[Recording], stretches: &[Stretch]) -> Vec<Vec<String>> {
    let row = |s: &Stretch| {
        let recording = &recordings[s.recording];
        vec![
            (s.recording + 1).to_string(),
            rfc3339(recording.utc(s.from)),
            rfc3339(recording.utc(s.until)),
            (s.until.0.saturating_sub(s.from.0) as f64 / 1e6).to_string(),
            s.why.to_owned(),
        ]
    };
    stretches.iter().map(row).collect()
}

/// A file of the bag: name, bytes.
pub(crate) type File = (String, Vec<u8>);

/// Profile, calibration, stretches, service record, method, commissioning record, revisions.
pub(crate) fn small(
    request: &Request,
    entries: &[Entry],
    recordings: &[Recording],
    missing: &[Stretch],
) -> Vec<File> {
    let file = |name: &str, bytes: &[u8]| (format!("data/{name}"), bytes.to_vec());
    let table = |name: &str, header: &[&str], rows| file(name, csv(header, rows).as_bytes());
    let mut files = vec![
        file("profile.toml", request.profile_text.as_bytes()),
        (METHOD.to_owned(), crate::METHOD.as_bytes().to_vec()),
        table("calibration.csv", &package::CALIBRATION, calibration(&request.profile)),
        table("stretches.csv", &package::STRETCHES, stretches(recordings, missing)),
    ];
    if let Some(columns) = &request.columns_text {
        files.push(file("columns.toml", columns.as_bytes()));
    }
    if !entries.is_empty() {
        let number = |n: Option<u64>| n.map(|n| n.to_string()).unwrap_or_default();
        let row = |e: &Entry| {
            let texts = [&e.kind, &e.author, &e.subject, &e.result, &e.text];
            let mut row = vec![number(e.number), rfc3339(e.at), e.written.map(rfc3339).unwrap_or_default()];
            row.extend(texts.into_iter().cloned());
            row.push(number(e.corrects));
            row
        };
        files.push(table("service.csv", &package::SERVICE, entries.iter().map(row).collect()));
    }
    if let Some((ending, bytes)) = &request.commissioning {
        files.push(file(&format!("commissioning.{ending}"), bytes));
    }
    files.extend(wordings(request));
    files
}

/// The text that says how it was done: of the version that made the bag.
pub(crate) const METHOD: &str = "data/method.md";

/// What profile and car were called, as far as it is not left out.
pub(crate) fn revisions(request: &Request) -> impl Iterator<Item = &Revision> {
    let owner_out = request.leave_out.contains(&LeaveOut::Owner);
    request.revisions.iter().filter(move |revision| !(owner_out && revision.of == "car"))
}

/// Every wording with its digest and that of the one it replaces; the texts of profiles beside it.
fn wordings(request: &Request) -> Vec<File> {
    let (mut files, mut rows) = (Vec::new(), Vec::new());
    let mut before: Option<(&str, &str, Digest)> = None;
    for revision in revisions(request) {
        let own = Digest::of(revision.text.as_bytes());
        let replaces = before.filter(|(of, id, _)| (*of, *id) == (revision.of, revision.id.as_str()));
        let file = match revision.of {
            "profile" => format!("revisions/profile-{:04}.toml", revision.number),
            _ => String::new(),
        };
        if !file.is_empty() {
            files.push((format!("data/{file}"), revision.text.clone().into_bytes()));
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
    if !rows.is_empty() {
        files.push(("data/revisions.csv".to_owned(), csv(&package::REVISIONS, rows).into_bytes()));
    }
    files
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

fn calibration(profile: &Profile) -> Vec<Vec<String>> {
    let row = |signal: &Signal| {
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
    };
    profile.signals.iter().map(row).collect()
}

/// RFC 4180.
fn csv(header: &[&str], rows: Vec<Vec<String>>) -> String {
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
