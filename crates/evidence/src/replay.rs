//! The bag's samples judged anew, everything that follows from them made anew, and held against the bag.

use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Read};
use std::sync::Arc;

use foldwatch_profile::Profile;
use foldwatch_report::{Cycle, rfc3339, table};
use foldwatch_samples::Sink;

use crate::facts::Provenance;
use crate::hash::Sum;
use crate::judging::{self, Judging};
use crate::make::RECORDED;
use crate::read::Bag;
use crate::request::Revision;
use crate::{Digest, EvidenceError, asked, derived, samples, tables};

/// What came of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Replayed {
    /// Rows of samples.
    pub rows: u64,
    /// Cycles.
    pub cycles: usize,
    /// Findings.
    pub findings: usize,
    /// The report was set anew, and is the same to the byte; `false` where something differs, or where another version
    /// has set it.
    pub report: bool,
    /// Where the bag says something else, the first place of each file; empty: nowhere.
    pub differs: Vec<String>,
}

/// Numbers that agree to this share are the same: arithmetic may differ in the last digit from one machine to another.
const SAME: f64 = 1e-5;

/// What has been checked already.
pub(crate) struct Known<'a> {
    pub provenance: &'a Provenance,
    pub profile: &'a Arc<Profile>,
    /// Of the payload's files.
    pub sums: &'a BTreeMap<String, Sum>,
    /// Of the key that has signed.
    pub fingerprint: Digest,
}

pub(crate) fn replay(bag: &mut Bag, known: &Known) -> Result<Replayed, EvidenceError> {
    let mut differs = Vec::new();
    let mut judging = Judging::new(known.profile);
    let rows = match judge(bag, known, &mut judging, &mut differs)? {
        Ok(lines) => lines.saturating_sub(1),
        Err(what) => {
            differs.push(format!("samples.csv, {what}"));
            0
        }
    };
    for kind in table::Kind::ALL {
        let name = format!("{}.csv", kind.as_str());
        let in_bag = bag.read(&format!("data/{name}"))?;
        if let Some(where_) = difference(kind, &judging.cycles, in_bag)? {
            differs.push(format!("{name}, {where_}"));
        }
    }
    let cycles = judging.cycles.len();
    let findings = judging.cycles.iter().map(|cycle| cycle.findings.len()).sum();
    let report = made_anew(bag, known, judging, &mut differs)?;
    Ok(Replayed { rows, cycles, findings, report: report && differs.is_empty(), differs })
}

/// Reads the samples back. The answer is how many lines there are, or the first that is not as it has to be.
fn judge(
    bag: &mut Bag,
    known: &Known,
    judging: &mut Judging,
    differs: &mut Vec<String>,
) -> Result<Result<u64, String>, EvidenceError> {
    let recordings = &known.provenance.recordings;
    let from = BufReader::with_capacity(1 << 18, bag.read("data/samples.csv")?);
    let read = samples::read(from, known.profile, &mut |line| {
        while judging.seen.len() + 1 < line.recording.min(recordings.len() + 1) {
            judging.end(&recordings[judging.seen.len()]);
        }
        let recording = recordings.get(judging.seen.len());
        let recording = recording.filter(|_| line.recording == judging.seen.len() + 1).ok_or_else(|| {
            format!(
                "line {}: recording {} is out of order, or not in provenance.json",
                line.number, line.recording
            )
        })?;
        if differs.is_empty() && rfc3339(recording.utc(line.at)) != line.time_utc {
            differs.push(format!(
                "samples.csv, line {}: time_utc is not log_us mapped by the bag's own clock",
                line.number
            ));
        }
        judging.item(line.item);
        Ok(())
    });
    while let Some(recording) = recordings.get(judging.seen.len()) {
        judging.end(recording);
    }
    Ok(read)
}

/// Makes anew what is no table of the analysis; whether the report is the same.
fn made_anew(
    bag: &mut Bag,
    known: &Known,
    judged: Judging,
    differs: &mut Vec<String>,
) -> Result<bool, EvidenceError> {
    let provenance = known.provenance;
    // Made before it was noted what this needs.
    let Some(paper) = provenance.paper else { return Ok(false) };
    if judged.seen != provenance.seen {
        differs.push("provenance.json: rows, times or clock are not those of the samples".to_owned());
    }
    let request = match asked::again(bag, provenance, known.profile, paper)? {
        Ok(request) => request,
        Err(what) => {
            differs.push(what);
            return Ok(false);
        }
    };
    if derived::settings(&provenance.version, &request).to_string() != provenance.settings_sha256 {
        differs
            .push("provenance.json: settings_sha256 is not that of version, profile and settings".to_owned());
    }
    if let Some(what) = broken(&request.revisions, &request.profile_text) {
        differs.push(format!("revisions.csv: {what}"));
    }
    let same_version = provenance.version == env!("CARGO_PKG_VERSION");
    let entries = tables::entries(&request);
    if request.at.is_none_or(|at| at < derived::last_date(&request, &entries, judged.end)) {
        differs.push("provenance.json: made_at is before the last thing in the bag: dated anew?".to_owned());
    }
    let small = tables::small(&request, &entries, &provenance.recordings, &judged.stretches);
    for name in bag.files.keys().filter(|name| name.starts_with("data/") && !is_known(name, &small)) {
        differs.push(format!("{name}: nothing in this bag gives it"));
    }
    for (name, anew) in small {
        if same_version || name != tables::METHOD {
            compare(bag, &name, &anew, differs)?;
        }
    }
    let payload = (known.sums.values().map(|sum| sum.bytes).sum(), known.sums.len());
    let info = derived::bag_info(&request, provenance, known.fingerprint, payload);
    compare(bag, "bag-info.txt", info.as_bytes(), differs)?;
    if !same_version {
        return Ok(false);
    }
    compare(bag, "data/datapackage.json", &derived::package(&request, provenance, known.sums)?, differs)?;
    let report = derived::report(&request, provenance, judged, known.fingerprint)?;
    let same = bag.bytes("data/report.pdf")? == report;
    if !same {
        differs
            .push("report.pdf: not the report that samples, tables and record of this bag give".to_owned());
    }
    Ok(same)
}

/// Whether a file has a place of its own in a bag.
fn is_known(name: &str, small: &[tables::File]) -> bool {
    let fixed =
        ["samples.csv", "chain.csv", "seals.csv", "provenance.json", "datapackage.json", "report.pdf"];
    let own = name.trim_start_matches("data/");
    let table =
        own.strip_suffix(".csv").is_some_and(|own| table::Kind::ALL.iter().any(|k| k.as_str() == own));
    // Those are held against provenance.json elsewhere.
    let original = name.starts_with(RECORDED);
    table || original || fixed.contains(&own) || small.iter().any(|(small, _)| small == name)
}

/// Notes where a file is another one than the rest of the bag gives.
fn compare(bag: &mut Bag, name: &str, anew: &[u8], differs: &mut Vec<String>) -> Result<(), EvidenceError> {
    let own = name.trim_start_matches("data/");
    if !bag.files.contains_key(name) {
        differs.push(format!("{own}: not there, although the rest of the bag gives it"));
        return Ok(());
    }
    let in_bag = bag.bytes(name)?;
    if in_bag != anew {
        differs.push(format!("{own}{}", first_line(&in_bag, anew)));
    }
    Ok(())
}

/// Wordings are counted from 1 without a gap, and the last one of the profile is the one that is used.
fn broken(revisions: &[Revision], profile: &str) -> Option<String> {
    let mut last: BTreeMap<(&str, &str), u32> = BTreeMap::new();
    for revision in revisions {
        let before = last.insert((revision.of, &revision.id), revision.number).unwrap_or(0);
        if revision.number != before + 1 {
            return Some(format!("a wording before number {} of `{}` is gone", revision.number, revision.id));
        }
    }
    let used = revisions.iter().rfind(|revision| revision.of == "profile");
    let other = used.is_some_and(|used| used.text != profile);
    other.then(|| "profile.toml is not the last wording of the profile".to_owned())
}

/// Where a text begins to be another one.
fn first_line(in_bag: &[u8], anew: &[u8]) -> String {
    let (in_bag, anew) = (String::from_utf8_lossy(in_bag), String::from_utf8_lossy(anew));
    let same = in_bag.lines().zip(anew.lines()).take_while(|(a, b)| a == b).count();
    match anew.lines().nth(same) {
        Some(line) => format!(", line {}: the rest of the bag gives `{}`", same + 1, line.escape_debug()),
        None => format!(", line {}: the rest of the bag gives nothing there", same + 1),
    }
}
/// The first line that the samples do not give.
fn difference(
    kind: table::Kind,
    cycles: &[Cycle],
    in_bag: impl Read,
) -> Result<Option<String>, EvidenceError> {
    let mut anew = Vec::new();
    judging::table(kind, cycles, &mut anew)
        .map_err(EvidenceError::io(std::path::Path::new("table"), "made"))?;
    let anew = String::from_utf8_lossy(&anew);
    let mut anew = anew.lines();
    for (n, line) in BufReader::new(in_bag).lines().enumerate() {
        let line = line.map_err(EvidenceError::io(std::path::Path::new(kind.as_str()), "read"))?;
        match anew.next() {
            Some(own) if same(own, line.trim_end_matches('\r')) => {}
            Some(own) => return Ok(Some(format!("line {}: the samples give `{own}`", n + 1))),
            None => return Ok(Some(format!("line {}: the samples give nothing there", n + 1))),
        }
    }
    Ok(anew.next().map(|own| format!("after its end: the samples give `{own}` too")))
}

/// Equal, but for the last digits of numbers.
fn same(a: &str, b: &str) -> bool {
    if a == b {
        return true;
    }
    let (a, b): (Vec<&str>, Vec<&str>) = (a.split(',').collect(), b.split(',').collect());
    let number = |text: &str| text.parse::<f64>().ok();
    a.len() == b.len()
        && a.iter().zip(&b).all(|(a, b)| {
            a == b
                || matches!((number(a), number(b)), (Some(a), Some(b)) if (a - b).abs() <= SAME * a.abs().max(1e-3))
        })
}
