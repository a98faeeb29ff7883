//! The service record of a car: work that was done and notes, entered by a person, by a program or as CSV.

use foldwatch_access::Caller;
use foldwatch_report::{parse_utc, rfc3339};
use foldwatch_store::{Entry, EntryKind, Span};
use foldwatch_units::Micros;
use serde::{Deserialize, Serialize};

use crate::app::Desk;
use crate::causes::plain;
use crate::failure::Failure;

/// Entries that are listed.
const LISTED: u32 = 1000;
/// Rows of a CSV that are taken at once.
const ROWS: usize = 1000;

/// What is written about a car.
#[derive(Debug, Clone, Default, Deserialize, utoipa::ToSchema)]
pub(crate) struct Written {
    /// `service` (work that was done: it splits the history) or `note`.
    #[serde(default)]
    pub kind: String,
    /// When it was, RFC 3339; now, where it is left out.
    #[serde(default)]
    pub at: String,
    /// What was done: "lid cylinder resealed".
    pub subject: String,
    /// What else is worth knowing.
    #[serde(default)]
    pub text: String,
    /// Who did it.
    #[serde(default)]
    pub author: String,
    /// The number of the entry that this one corrects: that one no longer counts, and stays.
    #[serde(default)]
    pub corrects: Option<u64>,
}

/// An entry as it stands.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub(crate) struct EntryRow {
    /// Its number.
    pub number: u64,
    /// `service`, `note` or `check`.
    pub kind: &'static str,
    /// When it was, RFC 3339, UTC.
    pub at: String,
    /// When it was written, RFC 3339, UTC.
    pub written: String,
    /// Who wrote it.
    pub author: String,
    /// What was done, or which check.
    pub subject: String,
    /// What came of it.
    pub result: String,
    /// The rest.
    pub text: String,
    /// The entry that it corrects.
    pub corrects: Option<u64>,
    /// Another entry corrects it: it no longer counts.
    pub corrected: bool,
}

/// The record of a car, oldest first.
pub(crate) fn list(desk: &Desk, car: &str) -> Result<Vec<EntryRow>, Failure> {
    let entries = desk.catalogue.entries(car, Span::ALL, LISTED)?;
    let corrected: Vec<u64> = entries.iter().filter_map(|(_, entry)| entry.corrects).collect();
    let row = |(number, entry): (u64, Entry)| EntryRow {
        number,
        kind: entry.kind.as_str(),
        at: rfc3339(entry.at),
        written: rfc3339(entry.written),
        author: entry.author,
        subject: entry.subject,
        result: entry.result,
        text: entry.text,
        corrects: entry.corrects,
        corrected: corrected.contains(&number),
    };
    Ok(entries.into_iter().map(row).collect())
}

/// Whoever is signed in wrote it, where nobody else is named.
pub(crate) fn by(caller: &Caller, mut written: Vec<Written>) -> Vec<Written> {
    for one in written.iter_mut().filter(|one| one.author.trim().is_empty()) {
        one.author.clone_from(&caller.name);
    }
    written
}

/// Takes entries in: all of them, or none where one is wrong.
pub(crate) fn enter(desk: &Desk, car: &str, written: Vec<Written>, now: Micros) -> Result<(), Failure> {
    let known = desk.catalogue.entries(car, Span::ALL, LISTED)?;
    let entries: Vec<Entry> = written
        .into_iter()
        .map(|one| {
            if let Some(number) = one.corrects
                && !known.iter().any(|(n, _)| *n == number)
            {
                return Err(Failure::parameter(
                    "corrects",
                    &number.to_string(),
                    "the number of an entry of this car",
                ));
            }
            entry(car, one, now)
        })
        .collect::<Result<_, _>>()?;
    // The same table given twice changes nothing.
    let is_known = |new: &Entry| {
        known.iter().any(|(_, old)| {
            (old.kind, old.at, &old.subject, &old.text) == (new.kind, new.at, &new.subject, &new.text)
        })
    };
    let entries: Vec<Entry> = entries.into_iter().filter(|entry| !is_known(entry)).collect();
    for entry in entries {
        desk.causes().enter(entry).map_err(Failure::internal)?;
    }
    Ok(())
}

fn entry(car: &str, written: Written, now: Micros) -> Result<Entry, Failure> {
    plain("author", &written.author)?;
    plain("text", &written.text)?;
    plain("subject", &written.subject)?;
    let subject = written.subject.trim();
    if subject.is_empty() {
        return Err(Failure::parameter("subject", "", "what was done, in words"));
    }
    let kind = match written.kind.as_str() {
        "" | "service" => EntryKind::Service,
        "note" => EntryKind::Note,
        other => return Err(Failure::parameter("kind", other, "`service` or `note`")),
    };
    let at = match written.at.trim() {
        "" => now,
        text => moment(text)?,
    };
    if at > now {
        return Err(Failure::parameter("at", written.at.trim(), "a moment that is not still to come"));
    }
    Ok(Entry {
        car: car.to_owned(),
        kind,
        at,
        written: now,
        author: written.author.trim().to_owned(),
        cycle: None,
        subject: subject.to_owned(),
        result: String::new(),
        text: written.text.trim().to_owned(),
        corrects: written.corrects,
    })
}

/// RFC 3339, or as a browser's field for date and time gives it, which is taken for UTC as all that is shown.
pub(crate) fn moment(text: &str) -> Result<Micros, Failure> {
    let read = parse_utc(text)
        .or_else(|| parse_utc(&format!("{text}Z")))
        .or_else(|| parse_utc(&format!("{text}:00Z")));
    read.or_else(|| parse_utc(&format!("{text}T00:00:00Z")))
        .ok_or_else(|| Failure::parameter("at", text, "a moment like 2026-05-01T08:00:00Z (RFC 3339)"))
}

/// The columns of a record as CSV.
const HEADER: [&str; 7] = ["at_utc", "kind", "subject", "text", "author", "number", "corrects"];

/// The record as CSV (RFC 4180).
pub(crate) fn to_csv(rows: &[EntryRow]) -> Result<String, Failure> {
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    writer.write_record(HEADER).map_err(Failure::internal)?;
    for row in rows {
        let what =
            if row.result.is_empty() { row.text.clone() } else { format!("{}. {}", row.result, row.text) };
        writer
            .write_record([
                row.at.as_str(),
                row.kind,
                row.subject.as_str(),
                what.as_str(),
                row.author.as_str(),
                &row.number.to_string(),
                &row.corrects.map(|n| n.to_string()).unwrap_or_default(),
            ])
            .map_err(Failure::internal)?;
    }
    let bytes = writer.into_inner().map_err(Failure::internal)?;
    String::from_utf8(bytes).map_err(Failure::internal)
}

/// Entries from CSV: `at` (or `at_utc`, `time`) and `subject` (or `what`) are needed; `kind`, `text` and `author` may be
/// there, in any order.
pub(crate) fn from_csv(text: &str) -> Result<Vec<Written>, Failure> {
    let bad = |line: u64, found: &str, right: &str| {
        Failure::parameter(&format!("the CSV, line {line}"), found, right)
    };
    let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).from_reader(text.as_bytes());
    let header =
        reader.headers().map_err(|error| bad(1, &error.to_string(), "the names of the columns"))?.clone();
    let place =
        |names: &[&str]| header.iter().position(|cell| names.iter().any(|n| n.eq_ignore_ascii_case(cell)));
    let (Some(at), Some(subject)) = (place(&["at", "at_utc", "time"]), place(&["subject", "what"])) else {
        let there: Vec<&str> = header.iter().collect();
        return Err(bad(
            1,
            &there.join(","),
            "columns `at` and `subject`, and if wanted `kind`, `text`, `author`",
        ));
    };
    let (kind, rest, author) = (place(&["kind"]), place(&["text"]), place(&["author"]));
    let mut found = Vec::new();
    for record in reader.records() {
        let record = record.map_err(|error| {
            let line = error.position().map_or(0, csv::Position::line);
            bad(line, &error.to_string(), "as many cells as the first line")
        })?;
        let line = record.position().map_or(0, csv::Position::line);
        let cell = |place: Option<usize>| place.and_then(|p| record.get(p)).unwrap_or_default().to_owned();
        let one = Written {
            kind: cell(kind),
            at: cell(Some(at)),
            subject: cell(Some(subject)),
            text: cell(rest),
            author: cell(author),
            corrects: None,
        };
        if one.at.is_empty() || moment(&one.at).is_err() {
            return Err(bad(line, &one.at, "a moment like 2026-05-01T08:00:00Z in `at`"));
        }
        if one.subject.is_empty() {
            return Err(bad(line, "", "what was done, in `subject`"));
        }
        found.push(one);
        if found.len() > ROWS {
            return Err(bad(line, "more than 1000 rows", "up to 1000 rows at once"));
        }
    }
    if found.is_empty() {
        return Err(bad(1, "no rows", "at least one row under the names of the columns"));
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_csv_in_any_order_of_columns() {
        let found =
            from_csv("what,author,time\r\n\"oil, all of it\",Ida,2026-05-01\r\nseal,,2026-05-02T08:30\r\n")
                .unwrap();
        assert_eq!((found[0].subject.as_str(), found[0].author.as_str()), ("oil, all of it", "Ida"));
        let at = entry("oak", found[1].clone(), Micros::MAX).unwrap().at;
        assert_eq!(rfc3339(at), "2026-05-02T08:30:00.000000Z");
    }

    #[test]
    fn what_is_wrong_is_told_with_its_line() {
        for (text, said) in [
            ("", "columns"),
            ("at,subject\n", "no rows"),
            ("at,subject\nsoon,seal\n", "line 2"),
            ("at,subject\n2026-05-01,seal\n2026-05-01\n", "line 3"),
            ("at,subject\n2026-05-01,\n", "what was done"),
        ] {
            let failure = from_csv(text).unwrap_err();
            assert!(failure.message.contains(said), "{}", failure.message);
        }
    }

    #[test]
    fn an_entry_is_checked() {
        let now = Micros(1_000_000);
        let written = |kind: &str, at: &str, subject: &str| Written {
            kind: kind.into(),
            at: at.into(),
            subject: subject.into(),
            ..Written::default()
        };
        assert!(entry("oak", written("", "", "seal replaced"), now).is_ok());
        assert!(entry("oak", written("repair", "", "seal replaced"), now).is_err());
        assert!(entry("oak", written("", "", " "), now).is_err());
        assert!(entry("oak", written("", "2030-01-01", "seal replaced"), now).is_err());
        assert!(entry("oak", written("", "", "seal\u{0}"), now).is_err());
    }
}
