//! The report for people: its contents gathered here, set by `report.typ`, drawn by `chart.rs`, typeset by `pages.rs`.

mod chart;
mod pages;

use std::collections::{BTreeMap, BTreeSet};

use foldwatch_pipeline::Verdict;
use foldwatch_profile::Profile;
use foldwatch_report::{Cycle, Finding, parse_utc, rfc3339};
use foldwatch_score::CHECKS;
use foldwatch_trend::{Point, Worse, compare, words};
use foldwatch_units::Micros;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use crate::facts::{Provenance, Seen};
use crate::request::{Entry, Request};
use crate::{Digest, EvidenceError, Recording, tables};

/// Paper.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Paper {
    /// 210 mm by 297 mm.
    #[default]
    A4,
    /// 8.5 in by 11 in.
    Letter,
}

/// So many kinds of finding get a picture of their worst; beyond that the table has to do.
const PICTURES: usize = 24;

/// What findings have in common that are told as one: kind, step, signal.
type Group = (String, Option<String>, Option<String>);

/// Keeps the picture of the worst finding of each group while the samples go by.
pub(crate) struct Pictures<'a> {
    profile: &'a Profile,
    kept: BTreeMap<Group, Picture>,
}

struct Picture {
    cycle: usize,
    weight: f64,
    svg: String,
    steps: Vec<String>,
}

impl<'a> Pictures<'a> {
    pub fn new(profile: &'a Profile) -> Self {
        Pictures { profile, kept: BTreeMap::new() }
    }

    /// Sees a verdict with its samples.
    pub fn look(&mut self, cycle: usize, verdict: &Verdict) {
        for finding in &verdict.judged.findings {
            let group = (
                finding.kind.to_owned(),
                finding.phase.map(|phase| phase.of(self.profile).name.clone()),
                finding.signal.map(|ix| self.profile.signal(ix).id.clone()),
            );
            let weight = excess(finding.value, finding.limit, finding.sure);
            let known = self.kept.get(&group);
            if known.is_some_and(|picture| picture.weight >= weight)
                || (known.is_none() && self.kept.len() >= PICTURES)
            {
                continue;
            }
            let steps =
                verdict.cycle.phases.iter().map(|run| run.phase.of(self.profile).name.clone()).collect();
            let svg = chart::draw(self.profile, verdict, finding);
            self.kept.insert(group, Picture { cycle, weight, svg, steps });
        }
    }
}

/// How bad a finding is among its like: by how much it is beyond its limit, else how sure it is.
fn excess(value: f64, limit: Option<f64>, sure: f64) -> f64 {
    match limit {
        Some(limit) if limit.abs() > 0.0 => ((value - limit) / limit).abs().min(1e6),
        _ => sure,
    }
}

/// What the report is about.
pub(crate) struct Contents<'a> {
    pub request: &'a Request,
    pub provenance: &'a Provenance,
    pub cycles: &'a [Cycle],
    pub entries: &'a [Entry],
    /// Stretches as they stand in the table: recording, from, until, length, why.
    pub stretches: &'a [Vec<String>],
    pub fingerprint: Digest,
    pub pictures: Pictures<'a>,
    pub at: Micros,
}

/// The report as PDF.
pub(crate) fn pdf(contents: &Contents) -> Result<Vec<u8>, EvidenceError> {
    let mut files: Vec<(String, Vec<u8>)> = Vec::new();
    let data = data(contents, &mut files);
    let text = serde_json::to_vec(&data).map_err(|error| EvidenceError::Report(error.to_string()))?;
    files.push(("data.json".into(), text));
    pages::typeset(files, contents.at)
}

fn data(c: &Contents, files: &mut Vec<(String, Vec<u8>)>) -> Value {
    let profile = &c.request.profile;
    let groups = groups(c, files);
    let worst = c.cycles.iter().flat_map(|cycle| &cycle.findings).map(|f| rank(&f.weight)).max().unwrap_or(0);
    let outcome = |name: &str| c.cycles.iter().filter(|cycle| cycle.outcome == name).count();
    let seen = &c.provenance.seen;
    let begun = seen.iter().filter_map(|s| s.from_utc.as_deref()).min().and_then(parse_utc);
    json!({
        "paper": match c.request.paper { Paper::A4 => "a4", Paper::Letter => "us-letter" },
        "subject": c.provenance.subject,
        "name": c.provenance.name.as_deref().unwrap_or_default(),
        "roof": profile.name,
        "made": minute(&c.provenance.made_at),
        "from": seen.iter().filter_map(|s| s.from_utc.as_deref()).min().map(minute).unwrap_or_default(),
        "to": seen.iter().filter_map(|s| s.to_utc.as_deref()).max().map(minute).unwrap_or_default(),
        "fingerprint": c.fingerprint.grouped(),
        "chain_head": c.provenance.chain_head,
        "seals_head": c.provenance.seals_head,
        "chain": c.provenance.chain,
        "originals": c.provenance.originals.len(),
        "commissioning": c.request.commissioning.as_ref().map(|(ending, bytes)| json!({
            "file": format!("commissioning.{ending}"), "sha256": Digest::of(bytes).to_string(),
        })),
        "revisions": tables::revisions(c.request).map(|r| json!({
            "of": r.of, "id": r.id, "number": r.number, "at": minute(&rfc3339(r.recorded)),
            "late": begun.is_some_and(|begun| begun < r.recorded),
            "sha256": Digest::of(r.text.as_bytes()).to_string(),
        })).collect::<Vec<_>>(),
        "settings": c.provenance.settings_sha256,
        "version": c.provenance.version,
        "worst": worst,
        "cycles": c.cycles.len(),
        "completed": outcome("completed"),
        "outcomes": outcomes(c.cycles),
        "sound": c.cycles.iter().filter(|cycle| cycle.findings.is_empty()).count(),
        "findings": c.cycles.iter().map(|cycle| cycle.findings.len()).sum::<usize>(),
        "rows": seen.iter().map(|s| s.rows).sum::<u64>(),
        "groups": groups,
        "steps": steps(c.cycles),
        "signals": signals(c),
        "reference": format!("{} °C oil, {} V supply", profile.reference.oil_temperature.0, profile.reference.supply.0),
        "recordings": recordings(c.provenance),
        "stretches": c.stretches.iter().take(12).collect::<Vec<_>>(),
        "more_stretches": c.stretches.len().saturating_sub(12),
        "unseen": unseen(c.cycles),
        "service": c.entries.iter().map(|e| json!({
            "number": e.number, "corrects": e.corrects,
            "corrected": e.number.is_some_and(|own| c.entries.iter().any(|other| other.corrects == Some(own))),
            "at": minute(&rfc3339(e.at)), "kind": e.kind, "author": e.author,
            "what": joined(&[&e.subject, &e.result, &e.text], "; "),
        })).collect::<Vec<_>>(),
        "before_after": before_after(c.cycles, c.entries),
        "left_out": c.provenance.left_out,
        "remarks": c.provenance.remarks,
        "revises": c.request.revises.map(|digest| digest.to_string()),
    })
}

/// Where the samples come from.
fn recordings(provenance: &Provenance) -> Vec<Value> {
    let seen = &provenance.seen;
    let row = |(n, (r, s)): (usize, (&Recording, &Seen))| {
        json!({
            "again": n > 0 && begins_before(s, &seen[n - 1]),
            "name": r.name, "encoding": r.encoding, "checked": r.checked, "rows": s.rows,
            "from": s.from_utc.as_deref().map(minute), "to": s.to_utc.as_deref().map(minute),
            "clock": s.clock.says, "u": s.clock.u_s, "drift": s.clock.drift_ppm, "residual": s.clock.residual_s,
            "notes": r.notes.iter().take(8).map(|note| quoted(note)).collect::<Vec<_>>(),
            "more_notes": r.notes.len().saturating_sub(8),
        })
    };
    provenance.recordings.iter().zip(seen).enumerate().map(row).collect()
}

/// Whether a recording begins before another one ended.
fn begins_before(later: &Seen, earlier: &Seen) -> bool {
    let utc = |text: &Option<String>| text.as_deref().and_then(parse_utc);
    utc(&later.from_utc).zip(utc(&earlier.to_utc)).is_some_and(|(from, to)| from <= to)
}

fn rank(weight: &str) -> usize {
    match weight {
        "stop-using" => 3,
        "attend" => 2,
        _ => 1,
    }
}

/// `2026-05-04 12:00`: as finely as a person reads a date.
fn minute(rfc: &str) -> String {
    rfc.get(..16).unwrap_or(rfc).replace('T', " ")
}

fn outcomes(cycles: &[Cycle]) -> Vec<Value> {
    let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
    cycles.iter().for_each(|cycle| *counts.entry(&cycle.outcome).or_default() += 1);
    counts
        .into_iter()
        .map(|(name, count)| json!({ "name": name.replace('-', " "), "count": count }))
        .collect()
}

/// Findings that are told as one, heaviest and most frequent first.
fn groups(c: &Contents, files: &mut Vec<(String, Vec<u8>)>) -> Vec<Value> {
    let mut groups: BTreeMap<Group, Vec<(usize, &Finding)>> = BTreeMap::new();
    for (n, cycle) in c.cycles.iter().enumerate() {
        for finding in &cycle.findings {
            let group = (finding.kind.clone(), finding.phase.clone(), finding.signal.clone());
            groups.entry(group).or_default().push((n, finding));
        }
    }
    let mut sorted: Vec<_> = groups.into_iter().collect();
    let heaviest =
        |found: &[(usize, &Finding)]| found.iter().map(|(_, f)| rank(&f.weight)).max().unwrap_or(0);
    sorted.sort_by_key(|(_, found)| std::cmp::Reverse((heaviest(found), found.len())));
    sorted
        .into_iter()
        .map(|(group, found)| {
            let picture = c.pictures.kept.get(&group);
            // What the picture shows is what the text tells.
            let shown = picture.and_then(|picture| {
                let at = &c.cycles[picture.cycle.min(c.cycles.len() - 1)];
                let drawn = at.findings.iter().filter(|f| (&f.kind, &f.phase, &f.signal) == (&group.0, &group.1, &group.2));
                drawn.max_by(|a, b| {
                    excess(a.value, a.limit, a.sure).total_cmp(&excess(b.value, b.limit, b.sure))
                }).map(|finding| (picture.cycle, finding))
            });
            let (cycle, finding) = shown.unwrap_or(found[0]);
            let file = picture.map(|picture| {
                let name = format!("chart-{}.svg", files.len() + 1);
                files.push((name.clone(), picture.svg.clone().into_bytes()));
                name
            });
            let about = CHECKS.iter().map(|check| check.about()).find(|about| about.id == group.0);
            let cycles: Vec<usize> = found.iter().map(|(n, _)| n + 1).collect();
            let distinct = cycles.iter().collect::<BTreeSet<_>>().len();
            let weight = found.iter().map(|(_, f)| f.weight.as_str()).max_by_key(|w| rank(w)).unwrap_or("note");
            json!({
                "title": about.map_or(group.0.as_str(), |about| about.title),
                "kind": group.0,
                "weight": weight.replace('-', " "),
                "rank": rank(weight),
                "where": joined(&[group.1.as_deref().unwrap_or_default(), group.2.as_deref().map_or("", |id| label(c, id))], ", "),
                "count": found.len(),
                "in": ranges(&cycles),
                "cycles": distinct,
                "message": quoted(&finding.message),
                "cycle": cycle + 1,
                "at": finding.at.replace('T', " ").replace('Z', " UTC"),
                "value": quantity(finding.value, &finding.unit),
                "limit": finding.limit.map(|limit| quantity(limit, &finding.unit)),
                "beyond": finding.limit.filter(|limit| limit.abs() > 0.0).map(|limit| format!("{:+.0} %", 100.0 * (finding.value - limit) / limit.abs())),
                "sure": if finding.sure > 0.99 { "more than 99 %".to_owned() } else { format!("{:.0} %", 100.0 * finding.sure) },
                "meaning": about.map(|about| about.meaning),
                "inspect": about.map(|about| about.inspect),
                "origin": about.map(|about| about.limit_origin),
                "chart": file,
                "steps": picture.map(|picture| picture.steps.iter().enumerate().map(|(n, s)| format!("{} {s}", n + 1)).collect::<Vec<_>>().join(", ")),
            })
        })
        .collect()
}

fn label<'a>(c: &Contents<'a>, id: &str) -> &'a str {
    let profile = &c.request.profile;
    profile.find(id).map_or("", |ix| &profile.signal(ix).label)
}

/// Names in a sentence, set as print sets them.
fn quoted(text: &str) -> String {
    let parts = text.split('`').enumerate();
    parts.fold(String::new(), |all, (n, part)| match n {
        0 => part.to_owned(),
        _ if n % 2 == 1 => all + "“" + part,
        _ => all + "”" + part,
    })
}

/// What there is of some texts.
fn joined(texts: &[&str], by: &str) -> String {
    let there: Vec<&str> = texts.iter().copied().filter(|text| !text.is_empty()).collect();
    there.join(by)
}

fn quantity(value: f64, unit: &str) -> String {
    let number = if value.abs() >= 100.0 { format!("{value:.0}") } else { format!("{value:.2}") };
    format!("{number} {unit}").trim_end().to_owned()
}

/// `1-4, 7, 9-12`.
fn ranges(numbers: &[usize]) -> String {
    let mut parts: Vec<(usize, usize)> = Vec::new();
    for n in numbers {
        match parts.last_mut() {
            Some((_, last)) if *n <= *last + 1 => *last = *n,
            _ => parts.push((*n, *n)),
        }
    }
    let text: Vec<String> =
        parts.iter().take(30).map(|(a, b)| if a == b { a.to_string() } else { format!("{a}–{b}") }).collect();
    let more = parts.len().saturating_sub(30);
    if more > 0 { format!("{}, and {more} more", text.join(", ")) } else { text.join(", ") }
}

/// Each step of each direction over all cycles.
fn steps(cycles: &[Cycle]) -> Vec<Value> {
    let mut steps: BTreeMap<(String, usize, String), Vec<&foldwatch_report::Phase>> = BTreeMap::new();
    for phase in cycles.iter().flat_map(|cycle| &cycle.phases) {
        steps.entry((phase.direction.clone(), phase.index, phase.name.clone())).or_default().push(phase);
    }
    // Opening comes first, as the roof goes.
    let mut sorted: Vec<_> = steps.into_iter().collect();
    sorted.sort_by_key(|((direction, index, _), _)| (direction != "opening", *index));
    let seconds = |values: Vec<f64>| middle(values).map(|v| format!("{v:.2}"));
    sorted
        .into_iter()
        .map(|((direction, _, name), runs)| {
            let of = |what: &str| runs.iter().filter(|run| run.confirmation == what).count();
            let durations: Vec<f64> = runs.iter().map(|run| run.duration_s).collect();
            let (low, high) = durations.iter().fold((f64::INFINITY, 0.0f64), |(l, h), d| (l.min(*d), h.max(*d)));
            json!({
                "direction": direction, "name": name, "runs": runs.len(),
                "confirmed": of("confirmed"), "late": of("late"), "inferred": of("inferred"), "missing": of("missing"),
                "middle": seconds(durations), "low": format!("{low:.2}"), "high": format!("{high:.2}"),
                "u": middle(runs.iter().map(|run| run.u_duration_s).collect()).map(|u| {
                    if u < 0.0005 { "< 0.001".to_owned() } else { format!("{u:.3}") }
                }),
                "corrected": seconds(runs.iter().filter_map(|run| run.corrected_s).collect()),
                "expected": seconds(runs.iter().filter_map(|run| run.expected_s).collect()),
                "limit": seconds(runs.iter().filter_map(|run| run.limit_s).collect()),
            })
        })
        .collect()
}

fn middle(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let n = values.len();
    (n > 0).then(|| (values[(n - 1) / 2] + values[n / 2]) / 2.0)
}

/// What each signal was measured with, and how surely.
fn signals(c: &Contents) -> Vec<Value> {
    let last = c.provenance.seen.iter().filter_map(|s| s.to_utc.as_deref()).max().and_then(parse_utc);
    c.request
        .profile
        .signals
        .iter()
        .map(|signal| {
            let cal = &signal.calibration;
            let binary = signal.kind.is_binary();
            let certificate = match (&cal.certificate, &cal.date) {
                _ if binary => String::new(),
                (Some(certificate), Some(date)) => format!("{certificate}, {date}"),
                (Some(certificate), None) => format!("{certificate}, no date stated"),
                (None, Some(date)) => format!("no certificate stated, {date}"),
                (None, None) => "none stated".into(),
            };
            let days = cal.date.as_ref().and_then(|date| parse_utc(&format!("{date}T00:00:00Z"))).zip(last);
            json!({
                "label": signal.label,
                "id": signal.id,
                "unit": signal.unit.symbol,
                "binary": binary,
                "u": cal.u.map(|u| format!("{u} {}", signal.unit.symbol)),
                "law": match (binary, cal.gain == 1.0 && cal.offset == 0.0) {
                    (true, _) => String::new(),
                    (_, true) => "as recorded".into(),
                    _ => format!("× {} + {}", cal.gain, cal.offset),
                },
                "range": match (cal.min, cal.max) {
                    (Some(min), Some(max)) => format!("{min} to {max}"),
                    (Some(min), None) => format!("from {min}"),
                    (None, Some(max)) => format!("to {max}"),
                    (None, None) => String::new(),
                },
                "certificate": certificate,
                "age_days": days.map(|(date, last)| ((last - date).0 / 86_400.0).floor()),
            })
        })
        .collect()
}

/// What could not be measured, why, and how often.
fn unseen(cycles: &[Cycle]) -> Vec<Value> {
    let mut why: BTreeMap<(String, String), usize> = BTreeMap::new();
    let measures =
        cycles.iter().flat_map(|c| c.measures.iter().chain(c.phases.iter().flat_map(|p| &p.measures)));
    for measure in measures {
        if let Some(reason) = &measure.not_observable {
            *why.entry((measure.name.clone(), reason.clone())).or_default() += 1;
        }
    }
    let mut sorted: Vec<_> = why.into_iter().collect();
    sorted.sort_by_key(|(_, count)| std::cmp::Reverse(*count));
    let row = |((name, why), count): ((String, String), usize)| json!({ "name": name.replace('-', " "), "why": why, "count": count });
    sorted.into_iter().take(16).map(row).collect()
}

/// Corrected times of each step before and after the last service entry.
fn before_after(cycles: &[Cycle], entries: &[Entry]) -> Option<Value> {
    let corrected = |e: &Entry| e.number.is_some_and(|own| entries.iter().any(|o| o.corrects == Some(own)));
    let service = entries.iter().filter(|e| e.kind == "service" && !corrected(e)).max_by_key(|e| e.at)?;
    // By direction (opening first), place and name of the step.
    type Step = (bool, usize, String);
    let mut points: BTreeMap<Step, (Vec<Point>, Vec<Point>)> = BTreeMap::new();
    for (n, cycle) in cycles.iter().enumerate() {
        for phase in &cycle.phases {
            let (Some(value), Some(at)) = (phase.corrected_s, parse_utc(&phase.start)) else { continue };
            let of =
                points.entry((phase.direction != "opening", phase.index, phase.name.clone())).or_default();
            let point = Point { cycle: n as u64 + 1, at, value, raw: phase.duration_s };
            if at < service.at { of.0.push(point) } else { of.1.push(point) }
        }
    }
    let rows: Vec<Value> = points
        .into_iter()
        .filter_map(|((closing, _, name), (before, after))| {
            let found = compare(&before, &after, Worse::Higher)?;
            Some(json!({
                "direction": if closing { "closing" } else { "opening" }, "name": name,
                "n": format!("{} / {}", found.count_before, found.count_after),
                "before": format!("{:.2}", found.median_before), "after": format!("{:.2}", found.median_after),
                "shift": format!("{:+.2}", found.shift.value),
                "interval": format!("{:+.2} to {:+.2}", found.shift.low, found.shift.high),
                "says": words::comparison(&found, "s"),
            }))
        })
        .collect();
    Some(json!({ "at": minute(&rfc3339(service.at)), "what": service.subject, "rows": rows }))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn runs_of_cycles_are_told_as_ranges() {
        assert_eq!(ranges(&[1, 2, 2, 3, 7, 9, 10]), "1–3, 7, 9–10");
        assert_eq!(ranges(&[]), "");
    }

    #[test]
    fn the_middle_of_none_is_none() {
        assert_eq!(middle(vec![]), None);
        assert_eq!(middle(vec![3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(middle(vec![3.0, 1.0]), Some(2.0));
    }
}
