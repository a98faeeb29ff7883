//! The bag's samples judged anew, and held against the bag's tables.

use std::io::{BufRead, BufReader, Read};
use std::sync::Arc;

use foldwatch_profile::Profile;
use foldwatch_report::{Cycle, rfc3339, table};
use foldwatch_samples::Sink;

use crate::facts::Provenance;
use crate::judging::{self, Judging};
use crate::read::Bag;
use crate::{EvidenceError, samples};

/// What came of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Replayed {
    /// Rows of samples.
    pub rows: u64,
    /// Cycles.
    pub cycles: usize,
    /// Findings.
    pub findings: usize,
    /// Where the tables in the bag say something else, the first place of each; empty: nowhere.
    pub differs: Vec<String>,
}

/// Numbers that agree to this share are the same: arithmetic may differ in the last digit from one machine to another.
const SAME: f64 = 1e-5;

pub(crate) fn replay(
    bag: &mut Bag,
    provenance: &Provenance,
    profile: &Arc<Profile>,
) -> Result<Replayed, EvidenceError> {
    let mut differs = Vec::new();
    let mut look = |_: usize, _: &foldwatch_pipeline::Verdict| {};
    let mut judging = Judging::new(profile, &mut look);
    let mut at = 0;
    let from = BufReader::with_capacity(1 << 18, bag.read("data/samples.csv")?);
    let read = samples::read(from, profile, &mut |line| {
        while at < line.recording {
            if let Some(done) = at.checked_sub(1).and_then(|n| provenance.recordings.get(n)) {
                judging.end(&|moment| done.utc(moment));
            }
            at += 1;
        }
        let recording = line.recording.checked_sub(1).and_then(|n| provenance.recordings.get(n));
        let recording = recording.filter(|_| line.recording == at).ok_or_else(|| {
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
    let rows = match read {
        Ok(lines) => lines.saturating_sub(1),
        Err(what) => {
            differs.push(format!("samples.csv, {what}"));
            0
        }
    };
    while at <= provenance.recordings.len() {
        if let Some(done) = at.checked_sub(1).and_then(|n| provenance.recordings.get(n)) {
            judging.end(&|moment| done.utc(moment));
        }
        at += 1;
    }
    let cycles = judging.cycles;
    for kind in table::Kind::ALL {
        let name = format!("{}.csv", kind.as_str());
        let in_bag = bag.read(&format!("data/{name}"))?;
        if let Some(where_) = difference(kind, &cycles, in_bag)? {
            differs.push(format!("{name}, {where_}"));
        }
    }
    let findings = cycles.iter().map(|cycle| cycle.findings.len()).sum();
    Ok(Replayed { rows, cycles: cycles.len(), findings, differs })
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
