//! What a bag was asked to hold, read back from the bag itself.

use std::sync::Arc;

use foldwatch_profile::Profile;
use foldwatch_report::parse_utc;
use foldwatch_units::Micros;

use crate::facts::Provenance;
use crate::read::Bag;
use crate::request::{Entry, LeaveOut, Request, Revision};
use crate::verify::labelled;
use crate::{Digest, EvidenceError, Paper};

/// The request that gives the bag's own small files and its report. `Err` within: which file can't be it, and why.
///
/// # Errors
/// Where a file can't be read.
pub(crate) fn again(
    bag: &mut Bag,
    provenance: &Provenance,
    profile: &Arc<Profile>,
    paper: Paper,
) -> Result<Result<Request, String>, EvidenceError> {
    let leave_out =
        provenance.left_out.iter().map(|says| LeaveOut::ALL.into_iter().find(|l| l.says() == *says));
    let Some(leave_out) = leave_out.collect() else {
        return Ok(Err("provenance.json leaves something out that nobody can leave out".to_owned()));
    };
    let info = bag.text("bag-info.txt")?;
    let (entries, revisions) = match (entries(bag)?, revisions(bag)?) {
        (Ok(entries), Ok(revisions)) => (entries, revisions),
        (Err(what), _) | (_, Err(what)) => return Ok(Err(what)),
    };
    let commissioning = bag.files.keys().find_map(|name| name.strip_prefix("data/commissioning."));
    let commissioning = match commissioning.map(str::to_owned) {
        Some(ending) => {
            let bytes = bag.bytes(&format!("data/commissioning.{ending}"))?;
            Some((ending, bytes))
        }
        None => None,
    };
    Ok(Ok(Request {
        profile: Arc::clone(profile),
        profile_text: bag.text("data/profile.toml")?,
        columns_text: there(bag, "data/columns.toml")?,
        subject: provenance.subject.clone(),
        name: provenance.name.clone(),
        settings: provenance.settings.clone(),
        entries,
        revisions,
        commissioning,
        told: Vec::new(),
        remarks: provenance.remarks.clone(),
        leave_out,
        at: parse_utc(&provenance.made_at),
        revises: labelled(&info, "Revises-Tagmanifest-SHA256").and_then(Digest::parse),
        paper,
    }))
}

fn there(bag: &mut Bag, name: &str) -> Result<Option<String>, EvidenceError> {
    if bag.files.contains_key(name) { bag.text(name).map(Some) } else { Ok(None) }
}

/// The cells of a table below its header, by number.
type Cells = csv::StringRecord;

fn table<T>(
    bag: &mut Bag,
    name: &str,
    row: impl Fn(&mut Bag, &Cells) -> Result<Option<T>, EvidenceError>,
) -> Result<Result<Vec<T>, String>, EvidenceError> {
    let Some(text) = there(bag, &format!("data/{name}"))? else { return Ok(Ok(Vec::new())) };
    let mut rows = Vec::new();
    for (n, cells) in csv::Reader::from_reader(text.as_bytes()).into_records().enumerate() {
        match cells.ok().map(|cells| row(bag, &cells)).transpose()?.flatten() {
            Some(one) => rows.push(one),
            None => return Ok(Err(format!("{name}, row {}: not as this version writes it", n + 1))),
        }
    }
    Ok(Ok(rows))
}

/// Nothing, or a number: `None` where it is something else.
fn number(text: &str) -> Option<Option<u64>> {
    if text.is_empty() { Some(None) } else { text.parse().ok().map(Some) }
}

fn moment(text: &str) -> Option<Option<Micros>> {
    if text.is_empty() { Some(None) } else { parse_utc(text).map(Some) }
}

fn entries(bag: &mut Bag) -> Result<Result<Vec<Entry>, String>, EvidenceError> {
    let entry = |cells: &Cells| {
        let [own, at, written, kind, author, subject, result, text, corrects] = parts(cells)?;
        Some(Entry {
            number: number(own)?,
            at: parse_utc(at)?,
            written: moment(written)?,
            kind: kind.to_owned(),
            author: author.to_owned(),
            subject: subject.to_owned(),
            result: result.to_owned(),
            text: text.to_owned(),
            corrects: number(corrects)?,
        })
    };
    table(bag, "service.csv", |_, cells| Ok(entry(cells)))
}

fn revisions(bag: &mut Bag) -> Result<Result<Vec<Revision>, String>, EvidenceError> {
    table(bag, "revisions.csv", |bag, cells| {
        let Some([of, id, number, recorded, _, _, text]) = parts(cells) else { return Ok(None) };
        let (of, text) = match of {
            "profile" => ("profile", there(bag, &format!("data/{text}"))?),
            "car" => ("car", Some(text.to_owned())),
            _ => return Ok(None),
        };
        let (Ok(number), Some(recorded), Some(text)) = (number.parse(), parse_utc(recorded), text) else {
            return Ok(None);
        };
        Ok(Some(Revision { of, id: id.to_owned(), number, recorded, text }))
    })
}

fn parts<const N: usize>(cells: &Cells) -> Option<[&str; N]> {
    cells.iter().collect::<Vec<_>>().try_into().ok()
}
