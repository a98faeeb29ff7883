//! Stored queries: what both the pages and the API ask the catalogue.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use foldwatch_fleet::{Assessed, Book, Followed, MEASURES, MOST_CYCLES, What};
use foldwatch_profile::Profile;
use foldwatch_report::trend::{Of, Trend};
use foldwatch_report::{Cycle, parse_utc, rfc3339};
use foldwatch_store::{Car, CycleQuery, CycleRecord, CycleSummary, FindingQuery, Span, Weight};
use foldwatch_trend::{Point, Service};
use foldwatch_units::{Direction, Micros};

use crate::app::Desk;
use crate::failure::Failure;

/// A car with its roof.
pub struct CarView {
    pub car: Car,
    pub profile: Arc<Profile>,
}

/// The newest cycles that a picture of a trend shows.
const SHOWN_POINTS: usize = 1000;
/// Entries that are looked through for work.
const ENTRIES: u32 = 10_000;
/// Findings that are looked through for those of one kind.
const FINDINGS_OF_KIND: u32 = 1000;

/// How a weight is written in files and addresses.
pub fn weight_word(weight: Weight) -> &'static str {
    match weight {
        Weight::Note => "note",
        Weight::Attend => "attend",
        Weight::StopUsing => "stop-using",
    }
}

/// The other way round.
pub fn weight_of(word: &str) -> Option<Weight> {
    [Weight::Note, Weight::Attend, Weight::StopUsing].into_iter().find(|w| weight_word(*w) == word)
}

/// A moment given in an address.
pub fn moment(name: &str, text: &str) -> Result<Micros, Failure> {
    parse_utc(text)
        .ok_or_else(|| Failure::parameter(name, text, "a moment like 2026-05-01T08:00:00Z (RFC 3339)"))
}

/// A stretch of time given in an address; what is left out is open.
pub fn span(from: Option<&str>, until: Option<&str>) -> Result<Span, Failure> {
    let end = |name, text: Option<&str>| text.filter(|t| !t.is_empty()).map(|t| moment(name, t)).transpose();
    Ok(Span {
        from: end("from", from)?.unwrap_or(Micros::MIN),
        until: end("until", until)?.unwrap_or(Micros::MAX),
    })
}

/// One car, or the failure that names it.
pub fn car(desk: &Desk, id: &str) -> Result<CarView, Failure> {
    let car = desk.catalogue.car(id)?.ok_or_else(|| Failure::unknown_car(id))?;
    let profile = desk.profile(&car.profile)?;
    Ok(CarView { car, profile })
}

/// The judged cycle in a record. The store keeps it as the text that we wrote.
fn judged(record: &CycleRecord) -> Result<Cycle, Failure> {
    serde_json::from_str(&record.judged)
        .map_err(|error| Failure::bad_verdict(&record.car, &rfc3339(record.start), error))
}

/// One judged cycle.
pub fn cycle(desk: &Desk, car: &str, start: &str) -> Result<Cycle, Failure> {
    let at = parse_utc(start).ok_or_else(|| Failure::unknown_cycle(start))?;
    let record = desk.catalogue.cycle(car, at)?.ok_or_else(|| Failure::unknown_cycle(start))?;
    judged(&record)
}

/// The cycles of a list with everything, in its order. One that was replaced in between is left out; the first whose
/// verdict can't be read is the failure.
pub fn whole(desk: &Desk, list: &[CycleSummary]) -> Result<Vec<Cycle>, Failure> {
    let mut cycles = Vec::with_capacity(list.len());
    for summary in list {
        if let Some(record) = desk.catalogue.cycle(&summary.car, summary.start)? {
            cycles.push(judged(&record)?);
        }
    }
    Ok(cycles)
}

/// What can be read of a list of cycles.
pub struct Readable {
    /// In the list's order.
    pub cycles: Vec<Cycle>,
    /// The starts of the others: what stands in their records is no verdict.
    pub unread: Vec<Micros>,
}

/// The same for who would rather have the rest than nothing: one damaged record is named and takes no page down.
pub fn readable(desk: &Desk, list: &[CycleSummary]) -> Result<Readable, Failure> {
    let mut found = Readable { cycles: Vec::with_capacity(list.len()), unread: Vec::new() };
    for summary in list {
        let Some(record) = desk.catalogue.cycle(&summary.car, summary.start)? else { continue };
        match serde_json::from_str(&record.judged) {
            Ok(cycle) => found.cycles.push(cycle),
            Err(error) => {
                // The page names each of them; the log needs the reason only once.
                if found.unread.is_empty() {
                    let (car, start) = (&record.car, rfc3339(record.start));
                    tracing::error!(car, start, %error, "a verdict can't be read");
                }
                found.unread.push(record.start);
            }
        }
    }
    Ok(found)
}

/// Cycles in a list, newest first, with a finding of one kind if that is asked for.
pub fn cycles(desk: &Desk, query: &CycleQuery, kind: Option<&str>) -> Result<Vec<CycleSummary>, Failure> {
    let Some(kind) = kind else { return Ok(desk.catalogue.cycles(query)?) };
    let found = desk.catalogue.findings(&FindingQuery {
        car: query.car.clone(),
        // A finding lies in its cycle or in its tail, so behind the cycle's start.
        span: Span { from: query.span.from, until: Micros::MAX },
        kind: Some(kind.to_owned()),
        weight: None,
        limit: FINDINGS_OF_KIND,
    })?;
    let starts: BTreeSet<(Micros, String)> =
        found.into_iter().filter_map(|row| Some((row.cycle?, row.car))).collect();
    let mut list = Vec::new();
    for (start, car) in starts.into_iter().rev().filter(|(start, _)| query.span.contains(*start)) {
        let Some(record) = desk.catalogue.cycle(&car, start)? else { continue };
        let summary = record.summary();
        if query.direction.is_none_or(|d| d == summary.direction)
            && query.outcome.as_ref().is_none_or(|o| *o == summary.outcome)
            && query.worst.is_none_or(|w| summary.worst >= Some(w))
        {
            list.push(summary);
        }
        if list.len() >= query.limit as usize {
            break;
        }
    }
    Ok(list)
}

/// Findings about the same thing, over the cycles of a period.
#[derive(Debug, Clone, PartialEq)]
pub struct Matter {
    pub kind: String,
    pub phase: Option<String>,
    pub signal: Option<String>,
    /// The heaviest of them.
    pub weight: String,
    /// Cycles that have it.
    pub cycles: usize,
    /// All cycles that could have it: of its direction, where it belongs to a step or is seen in one direction only.
    pub of: usize,
    /// The direction that `of` counts; `None`: both.
    pub direction: Option<String>,
    /// "6 of them below 8 °C": how many, and the temperature.
    pub cold: Option<(usize, f64)>,
    /// The newest: start of its cycle and its sentence.
    pub newest: (String, String),
}

/// What a finding is about: its kind, its step, its signal.
type About<'a> = (&'a str, Option<&'a str>, Option<&'a str>);

/// Puts the findings of cycles (newest first) together by what they are about: the heaviest first, then the most often.
pub fn matters(cycles: &[Cycle]) -> Vec<Matter> {
    let mut groups: BTreeMap<About, Vec<usize>> = BTreeMap::new();
    for (n, cycle) in cycles.iter().enumerate() {
        for finding in &cycle.findings {
            let key = (finding.kind.as_str(), finding.phase.as_deref(), finding.signal.as_deref());
            let places = groups.entry(key).or_default();
            if places.last() != Some(&n) {
                places.push(n);
            }
        }
    }
    let mut matters: Vec<Matter> =
        groups.into_iter().map(|(key, places)| matter(cycles, key, &places)).collect();
    matters.sort_by_key(|m| std::cmp::Reverse((weight_of(&m.weight), m.cycles)));
    matters
}

fn matter(cycles: &[Cycle], (kind, phase, signal): About, places: &[usize]) -> Matter {
    let is_it = |f: &&foldwatch_report::Finding| {
        f.kind == kind && f.phase.as_deref() == phase && f.signal.as_deref() == signal
    };
    let all = || places.iter().flat_map(|n| cycles[*n].findings.iter().filter(is_it));
    let weight = all().max_by_key(|f| weight_of(&f.weight)).map_or("note", |f| f.weight.as_str());
    let first = &cycles[places[0]];
    let one_way = places.iter().all(|n| cycles[*n].direction == first.direction);
    let direction = one_way.then(|| first.direction.clone());
    let possible: Vec<&Cycle> =
        cycles.iter().filter(|c| direction.as_ref().is_none_or(|d| *d == c.direction)).collect();
    let affected: Vec<&Cycle> = places.iter().map(|n| &cycles[*n]).collect();
    Matter {
        kind: kind.to_owned(),
        phase: phase.map(str::to_owned),
        signal: signal.map(str::to_owned),
        weight: weight.to_owned(),
        cycles: affected.len(),
        of: possible.len(),
        cold: mostly_cold(&affected, &possible),
        direction,
        newest: (
            first.start.clone(),
            first.findings.iter().find(is_it).map(|f| f.message.clone()).unwrap_or_default(),
        ),
    }
}

/// Fewer cycles than this show no pattern. Judgment.
const FEWEST_FOR_A_PATTERN: usize = 4;
/// The share of the affected cycles that the temperature must cover, and the share of all that it may. Judgment.
const COVERS: f64 = 0.8;
const AT_MOST: f64 = 0.5;

/// Whether a matter shows mostly on cold oil: the temperature that most of its cycles lie below and most others don't.
fn mostly_cold(affected: &[&Cycle], possible: &[&Cycle]) -> Option<(usize, f64)> {
    let temperature = |c: &&Cycle| c.phases.iter().find_map(|p| p.oil_temperature_c);
    let mut cold: Vec<f64> = affected.iter().filter_map(temperature).collect();
    if cold.len() < FEWEST_FOR_A_PATTERN || cold.len() < affected.len() {
        return None;
    }
    cold.sort_by(f64::total_cmp);
    let wanted = (COVERS * cold.len() as f64).ceil() as usize;
    let edge = cold.get(wanted.saturating_sub(1))?.floor() + 1.0;
    let below = |cycles: &[&Cycle]| cycles.iter().filter_map(temperature).filter(|t| *t < edge).count();
    let all = below(possible);
    (all as f64 <= AT_MOST * possible.len() as f64).then(|| (below(affected), edge))
}

/// One number of a car over its cycles.
pub struct CarTrend {
    pub what: What,
    pub of: Of,
    /// What it is held against.
    pub limit: Option<f64>,
    /// The newest of them, oldest first.
    pub points: Vec<Point>,
    /// Runs whose time can't be corrected, because the end of the movement or the conditions are not known.
    pub left_out: usize,
    /// Where it stands and where it goes; `None`: nothing since the last service entry.
    pub trend: Option<Trend>,
    /// The newest cycles that lie on one straight line.
    pub stretch: usize,
}

/// What is followed of a car.
pub struct CarTrends {
    /// Every number: by direction, each step's time and use of the delivery, then those of the whole cycle.
    pub numbers: Vec<CarTrend>,
    /// The work that was done, oldest first.
    pub services: Vec<Service>,
    /// The moment that it speaks of: the newest cycle.
    pub now: Option<Micros>,
}

/// Everything that is followed of a car.
pub fn trends(desk: &Desk, view: &CarView) -> Result<CarTrends, Failure> {
    let (id, profile) = (view.car.id.as_str(), &view.profile);
    let cycles = desk.catalogue.figures(id, &MEASURES, Span::ALL, MOST_CYCLES)?;
    let entries = desk.catalogue.entries(id, Span::ALL, ENTRIES)?;
    let book = Book::build(Arc::clone(profile), &cycles, foldwatch_fleet::services(&entries));
    let mut points = foldwatch_fleet::points(profile, &cycles);
    let assessed: BTreeMap<What, Assessed> = book.assess().into_iter().map(|a| (a.what, a)).collect();
    let now = book.newest();
    let steps = [Direction::Opening, Direction::Closing].into_iter().flat_map(|direction| {
        let steps = 0..u32::try_from(profile.sequence(direction).len()).unwrap_or(u32::MAX);
        steps.map(move |step| What { direction, step: Some(step), measure: Followed::Time })
    });
    // Every step has its place, with or without a number.
    let mut all: Vec<What> = steps.chain(points.keys().copied()).collect();
    all.sort_by_key(|what| (what.direction, what.step.is_none(), what.step, what.measure));
    all.dedup();
    let numbers = all.into_iter().map(|what| {
        let mut points = points.remove(&what).unwrap_or_default();
        points.drain(..points.len().saturating_sub(SHOWN_POINTS));
        let found = assessed.get(&what);
        CarTrend {
            of: book.of(id, &what),
            limit: found.map_or_else(|| what.limit(profile, None), |found| found.limit),
            points,
            left_out: if what.measure == Followed::Time { left_out(&cycles, &what) } else { 0 },
            trend: found.zip(now).map(|(found, now)| book.shown(id, found, now)),
            stretch: found.map_or(0, |found| found.assessment.stretch),
            what,
        }
    });
    Ok(CarTrends { numbers: numbers.collect(), services: book.services().to_vec(), now })
}

fn left_out(cycles: &[CycleRecord], what: &What) -> usize {
    let phases = cycles.iter().flat_map(|cycle| &cycle.phases);
    let of_step = phases.filter(|p| p.direction == what.direction && Some(p.index) == what.step);
    of_step.filter(|p| p.corrected.is_none()).count()
}

#[cfg(test)]
mod tests {
    use super::*;
    use foldwatch_report::{Finding, Phase};

    fn cycle(n: usize, direction: &str, oil: f64, kinds: &[&str]) -> Cycle {
        let start = format!("2025-06-02T08:{n:02}:00.000000Z");
        let finding = |kind: &&str| Finding {
            kind: (*kind).to_owned(),
            weight: "attend".to_owned(),
            phase: Some("lid".to_owned()),
            signal: None,
            at: start.clone(),
            until: None,
            value: 1.0,
            unit: "s".to_owned(),
            limit: None,
            sure: 0.9,
            message: "m".to_owned(),
        };
        let phase = Phase {
            name: "lid".to_owned(),
            direction: direction.to_owned(),
            index: 0,
            start: start.clone(),
            end: start.clone(),
            duration_s: 1.0,
            u_duration_s: 0.1,
            confirmation: "confirmed".to_owned(),
            expected_s: None,
            limit_s: None,
            corrected_s: None,
            u_corrected_s: None,
            oil_temperature_c: Some(oil),
            supply_v: None,
            contributions: Vec::new(),
            measures: Vec::new(),
        };
        Cycle {
            start: start.clone(),
            end: start.clone(),
            direction: direction.to_owned(),
            outcome: "completed".to_owned(),
            from_part_way: false,
            refused_by: Vec::new(),
            phases: vec![phase],
            findings: kinds.iter().map(finding).collect(),
            measures: Vec::new(),
        }
    }

    #[test]
    fn findings_are_counted_by_matter_in_their_direction() {
        let cycles: Vec<Cycle> = (0..40)
            .map(|n| {
                let direction = if n % 2 == 0 { "closing" } else { "opening" };
                let oil = if n < 14 { 2.0 } else { 20.0 };
                // Twice in one cycle is still one cycle.
                let kinds: &[&str] = if n % 2 == 0 && n < 14 { &["slow-phase", "slow-phase"] } else { &[] };
                cycle(n, direction, oil, kinds)
            })
            .collect();
        let found = matters(&cycles);
        assert_eq!(found.len(), 1);
        assert_eq!((found[0].cycles, found[0].of), (7, 20));
        assert_eq!(found[0].direction.as_deref(), Some("closing"));
        assert_eq!(found[0].cold, Some((7, 3.0)));
    }

    #[test]
    fn what_shows_at_every_temperature_is_not_called_cold() {
        let cycles: Vec<Cycle> = (0..20).map(|n| cycle(n, "closing", n as f64, &["slow-phase"])).collect();
        assert_eq!(matters(&cycles)[0].cold, None);
    }
}
