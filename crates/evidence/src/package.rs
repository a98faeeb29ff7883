//! `data/datapackage.json`: what stands in each column of each table, with units (Data Package, Table Schema).

use foldwatch_profile::Profile;
use foldwatch_report::table;
use serde_json::{Value, json};

use crate::hash::Sum;
use crate::{samples, seals};

/// A table of the bag.
pub(crate) struct Table {
    pub file: &'static str,
    pub about: &'static str,
    pub columns: Vec<String>,
    pub key: &'static [&'static str],
}

/// The columns of the tables that only the bag has.
pub(crate) const STRETCHES: [&str; 5] = ["recording", "from_utc", "until_utc", "length_s", "why"];
pub(crate) const CALIBRATION: [&str; 12] = [
    "signal",
    "label",
    "kind",
    "unit",
    "gain",
    "offset",
    "min",
    "max",
    "u",
    "certificate",
    "calibrated",
    "on_when",
];
pub(crate) const SERVICE: [&str; 9] =
    ["number", "at_utc", "written_utc", "kind", "author", "subject", "result", "text", "corrects"];
pub(crate) const REVISIONS: [&str; 7] =
    ["of", "id", "revision", "recorded_utc", "sha256", "replaces_sha256", "text_or_file"];

/// Every table that may be in a bag.
pub(crate) fn tables(profile: &Profile, chain: &str) -> Vec<Table> {
    let own = |columns: &[&str]| columns.iter().map(|c| (*c).to_owned()).collect::<Vec<_>>();
    let of = |kind: table::Kind| own(kind.header());
    let table = |file, about, columns, key| Table { file, about, columns, key };
    vec![
        table("samples.csv", "everything recorded, after calibration", samples::header(profile), &[]),
        table("cycles.csv", "movements of the roof", of(table::Kind::Cycles), &["cycle"]),
        table("phases.csv", "steps of each movement", of(table::Kind::Phases), &[]),
        table("measures.csv", "what was measured", of(table::Kind::Measures), &[]),
        table("findings.csv", "what is wrong", of(table::Kind::Findings), &[]),
        table("stretches.csv", "what is missing, and what nothing vouches for", own(&STRETCHES), &[]),
        table("calibration.csv", "signals and their calibration as used", own(&CALIBRATION), &["signal"]),
        table("service.csv", "service record; a correction is an entry of its own", own(&SERVICE), &[]),
        table("revisions.csv", "wordings of profile and car, oldest first", own(&REVISIONS), &[]),
        table(
            "seals.csv",
            "hash chain over the days in the archive",
            seals::HEADER.split(',').map(str::to_owned).collect(),
            &[],
        ),
        table(
            "chain.csv",
            "hash chain over what was recorded",
            chain.split(',').map(str::to_owned).collect(),
            &[],
        ),
    ]
}

/// The descriptor of the tables that were written.
pub(crate) fn descriptor(
    profile: &Profile,
    name: &str,
    title: &str,
    made_at: &str,
    tables: &[(&Table, &Sum)],
) -> Value {
    let resources: Vec<Value> = tables
        .iter()
        .map(|(table, sum)| {
            let mut schema = json!({
                "fields": table.columns.iter().map(|c| field(profile, table.file, c)).collect::<Vec<_>>(),
                "missingValues": [""],
            });
            if !table.key.is_empty() {
                schema["primaryKey"] = json!(table.key);
            }
            json!({
                "profile": "tabular-data-resource",
                "name": table.file.trim_end_matches(".csv"),
                "path": table.file,
                "title": table.about,
                "format": "csv",
                "mediatype": "text/csv",
                "encoding": "utf-8",
                "bytes": sum.bytes,
                "hash": format!("sha256:{}", sum.sha256),
                "dialect": { "delimiter": ",", "lineTerminator": "\r\n", "quoteChar": "\"", "doubleQuote": true, "header": true },
                "schema": schema,
            })
        })
        .collect();
    json!({
        "profile": "tabular-data-package",
        "name": name,
        "title": title,
        "created": made_at,
        "resources": resources,
    })
}

fn field(profile: &Profile, file: &str, column: &str) -> Value {
    if file == "samples.csv"
        && let Some(signal) = samples::header(profile).iter().position(|c| c == column).and_then(|n| {
            n.checked_sub(samples::header(profile).len() - profile.signals.len()).map(|n| &profile.signals[n])
        })
    {
        return if signal.kind.is_binary() {
            json!({ "name": column, "type": "boolean", "trueValues": ["1"], "falseValues": ["0"],
                    "description": format!("{}: 1 made, energised, given; 0 not", signal.label) })
        } else {
            json!({ "name": column, "type": "number", "unit": signal.unit.symbol, "description": signal.label })
        };
    }
    let (kind, unit, description) = meaning(column);
    let mut field = json!({ "name": column, "type": kind });
    if kind == "boolean" {
        field["trueValues"] = json!(["true"]);
        field["falseValues"] = json!(["false"]);
    }
    if !unit.is_empty() {
        field["unit"] = json!(unit);
    }
    if !description.is_empty() {
        field["description"] = json!(description);
    }
    field
}

/// Type, unit and meaning of a column by its name, which is the same in every table.
fn meaning(column: &str) -> (&'static str, &'static str, &'static str) {
    match column {
        "cycle" => ("integer", "", "number of the movement, from 1"),
        "recording" => ("integer", "", "number of the recording, from 1, as in provenance.json"),
        "log_us" => ("integer", "us", "time on the recording's own clock"),
        "time_utc" => ("datetime", "", "log_us mapped to UTC, RFC 3339"),
        "record" => ("string", "", "row, edge, mark, or gap- and its cause; a gap ends at this time"),
        "index" => ("integer", "", "place in the sequence, from 0"),
        "phases" | "findings" => ("integer", "", "how many"),
        "from_part_way" => ("boolean", "", "it did not begin in the end position"),
        "value" => ("number", "", "in the unit of the row"),
        "limit" => ("number", "", "what value was held against, in the unit of the row"),
        "u" => ("number", "", "standard uncertainty (JCGM 100), in the unit of the row"),
        "unit" => ("string", "", "unit of the row's numbers"),
        "sure" => ("number", "1", "how sure, from 0 to 1"),
        "u_duration_s" => ("number", "s", "standard uncertainty of the duration"),
        "expected_s" => ("number", "s", "expected under the conditions of the movement"),
        "limit_s" => ("number", "s", "limit under the conditions of the movement"),
        "corrected_s" => ("number", "s", "duration at the profile's reference conditions"),
        "u_corrected_s" => ("number", "s", "standard uncertainty of the corrected duration"),
        "oil_temperature_degC" => ("number", "degC", "oil temperature"),
        "supply_V" => ("number", "V", "supply while the pump ran"),
        "gain" => ("number", "", "value = recorded number x gain + offset"),
        "offset" => ("number", "", "in the unit of the row"),
        "min" | "max" => ("number", "", "what the sensor can truly show, in the unit of the row"),
        "certificate" => ("string", "", "reference of the calibration certificate"),
        "calibrated" => ("string", "", "date of the calibration, as stated"),
        "not_observable" => ("string", "", "why there is no value"),
        "log" | "first_byte" | "bytes" | "position" | "rows" | "through" => ("integer", "", ""),
        "number" => ("integer", "", "number of the entry in the record"),
        "corrects" => ("integer", "", "number of the entry that this one corrects; it stays"),
        "revision" => ("integer", "", "from 1"),
        "replaces_sha256" => ("string", "", "SHA-256 of the wording before"),
        "sealed_us" => ("integer", "us", "when the day was put into the archive"),
        "day" => ("date", "", "UTC"),
        "journal_link" => ("string", "", "SHA-256: the last link of the journal that went into the archive"),
        "boot" | "sequence" => ("integer", "", "identity of the frame within its logger"),
        "received_us" | "logged_us" => ("integer", "us", "host's and logger's clock"),
        "frame" => ("string", "", "the frame's bytes in hexadecimal"),
        "sha256" | "link" => ("string", "", "SHA-256 in hexadecimal"),
        _ if column.ends_with("_utc") => ("datetime", "", "UTC, RFC 3339"),
        _ if column.ends_with("_s") => ("number", "s", ""),
        _ => ("string", "", ""),
    }
}
