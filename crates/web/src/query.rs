//! Stored queries: what both the pages and the API ask the catalogue.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

use foldwatch_profile::Profile;
use foldwatch_report::{Cycle, parse_utc};
use foldwatch_store::{Car, CycleQuery, CycleSummary, EntryKind, FindingQuery, PhaseRow, Span, Weight};
use foldwatch_trend::{Assessment, Point, Series, Service, Worse, assess};
use foldwatch_units::{Direction, Micros};

use crate::app::Desk;
use crate::failure::Failure;

/// A car with its roof.
pub struct CarView {
    pub car: Car,
    pub profile: Arc<Profile>,
}

/// Runs of one step that a trend looks at: the newest of them.
const TREND_RUNS: u32 = 2000;
/// Cycles that are numbered for the trend.
const NUMBERED_CYCLES: u32 = 20_000;
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
fn judged(text: &str) -> Result<Cycle, Failure> {
    serde_json::from_str(text).map_err(Failure::internal)
}

/// One judged cycle.
pub fn cycle(desk: &Desk, car: &str, start: &str) -> Result<Cycle, Failure> {
    let at = parse_utc(start).ok_or_else(|| Failure::unknown_cycle(start))?;
    let record = desk.catalogue.cycle(car, at)?.ok_or_else(|| Failure::unknown_cycle(start))?;
    judged(&record.judged)
}

/// The cycles of a list with everything, in its order. One that was replaced in between is left out.
pub fn whole(desk: &Desk, list: &[CycleSummary]) -> Result<Vec<Cycle>, Failure> {
    let mut cycles = Vec::with_capacity(list.len());
    for summary in list {
        if let Some(record) = desk.catalogue.cycle(&summary.car, summary.start)? {
            cycles.push(judged(&record.judged)?);
        }
    }
    Ok(cycles)
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

/// One step's times over the cycles.
pub struct StepTrend {
    pub direction: Direction,
    pub index: usize,
    pub name: String,
    /// The limit at reference conditions, in seconds.
    pub limit_s: f64,
    pub points: Vec<Point>,
    /// Runs whose time can't be corrected, because the end of the movement or the conditions are not known.
    pub left_out: usize,
    pub services: Vec<Service>,
    pub assessment: Option<Assessment>,
    /// The moment the assessment speaks of: the car's newest cycle.
    pub now: Micros,
}

/// The trend of every step of a car, opening first.
pub fn trends(desk: &Desk, view: &CarView) -> Result<Vec<StepTrend>, Failure> {
    let id = view.car.id.as_str();
    let mut list = desk.catalogue.cycles(&CycleQuery {
        car: Some(id.to_owned()),
        limit: NUMBERED_CYCLES,
        ..CycleQuery::default()
    })?;
    list.reverse();
    let numbers: HashMap<Micros, u64> = list.iter().map(|c| c.start).zip(1..).collect();
    let now = list.last().map_or(Micros(0), |c| c.start);
    let services: Vec<Service> = desk
        .catalogue
        .entries(id, Span::ALL, 1000)?
        .into_iter()
        .filter(|(_, entry)| entry.kind == EntryKind::Service)
        .map(|(_, entry)| Service { at: entry.at, what: entry.subject })
        .collect();
    let mut trends = Vec::new();
    for direction in [Direction::Opening, Direction::Closing] {
        for (index, phase) in view.profile.sequence(direction).iter().enumerate() {
            let place = u32::try_from(index).unwrap_or(u32::MAX);
            let runs = desk.catalogue.phase_runs(id, direction, place, Span::ALL, TREND_RUNS)?;
            let points: Vec<Point> = runs.iter().filter_map(|run| point(run, &numbers)).collect();
            let (series, _) = Series::build(Worse::Higher, points.iter().copied(), services.iter().cloned());
            trends.push(StepTrend {
                direction,
                index,
                name: phase.name.clone(),
                limit_s: phase.limit.0,
                left_out: runs.len() - points.len(),
                assessment: assess(&series, now, Some(phase.limit.0)),
                services: services.clone(),
                points,
                now,
            });
        }
    }
    Ok(trends)
}

fn point(run: &PhaseRow, numbers: &HashMap<Micros, u64>) -> Option<Point> {
    let value = run.phase.corrected?.0;
    Some(Point { cycle: *numbers.get(&run.cycle)?, at: run.cycle, value, raw: run.phase.duration.0 })
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
