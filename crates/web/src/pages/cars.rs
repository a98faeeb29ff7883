//! Every car, the one that needs attention first on top.

use axum::extract::State;
use foldwatch_report::rfc3339;
use foldwatch_store::{Car, CycleQuery, CycleSummary, FindingQuery, FindingRow, Span, Weight};
use foldwatch_units::Micros;
use maud::{Markup, html};

use super::{Failed, car_href, cycle_href, frame, icon, sentence, short_time, weight};
use crate::app::{App, Desk};
use crate::charts::Shape;
use crate::failure::Failure;
use crate::query::weight_word;
use crate::texts;

/// Cycles that speak for how a car is now.
const LATELY: u32 = 10;

struct Row {
    car: Car,
    lately: Vec<CycleSummary>,
    /// One of each kind, the heaviest first.
    findings: Vec<FindingRow>,
}

impl Row {
    fn count(&self, weight: Weight) -> usize {
        self.findings.iter().filter(|f| f.finding.weight == weight).count()
    }

    fn worst(&self) -> Option<Weight> {
        self.findings.iter().map(|f| f.finding.weight).max()
    }
}

fn row(desk: &Desk, car: Car) -> Result<Row, Failure> {
    let query = CycleQuery { car: Some(car.id.clone()), limit: LATELY, ..CycleQuery::default() };
    let lately = desk.catalogue.cycles(&query)?;
    let mut findings = Vec::new();
    if let Some(oldest) = lately.last() {
        let span = Span { from: oldest.start, until: Micros::MAX };
        let query = FindingQuery { car: Some(car.id.clone()), span, limit: 200, ..FindingQuery::default() };
        findings = desk.catalogue.findings(&query)?;
        findings.sort_by_key(|f| std::cmp::Reverse(f.finding.weight));
        let mut seen = std::collections::BTreeSet::new();
        findings.retain(|f| {
            seen.insert((f.finding.kind.clone(), f.finding.phase.clone(), f.finding.signal.clone()))
        });
    }
    Ok(Row { car, lately, findings })
}

pub(super) async fn page(State(app): State<App>) -> Result<Markup, Failed> {
    let rows = app
        .ask(|desk| {
            let mut rows = Vec::new();
            for car in desk.catalogue.cars()? {
                rows.push(row(desk, car)?);
            }
            rows.sort_by_key(|r| std::cmp::Reverse((r.worst(), r.findings.len())));
            Ok(rows)
        })
        .await?;
    let ports = app.hub().ports();
    let body = html! {
        h1 { (texts::CARS) }
        @if rows.is_empty() { p.empty { (texts::NO_CARS) } }
        ol.cars {
            @for row in &rows {
                li.car.(row.worst().map_or("sound", weight_word)) {
                    h2 {
                        @if !row.lately.is_empty() { (icon(Shape::of_weight(row.worst().map(weight_word)))) }
                        a href=(car_href(&row.car.id)) { (row.car.name) }
                    }
                    @if row.lately.is_empty() { p { (texts::NO_CYCLES) } }
                    @else {
                        p.lead { (texts::car_summary(row.count(Weight::StopUsing), row.count(Weight::Attend), row.count(Weight::Note), row.lately.len())) }
                    }
                    @if !row.findings.is_empty() {
                        ul.short {
                            @for found in row.findings.iter().take(3) {
                                li {
                                    (weight(weight_word(found.finding.weight))) " "
                                    @match found.cycle {
                                        Some(start) => a href=(cycle_href(&row.car.id, &rfc3339(start))) { (sentence(&found.finding.message)) },
                                        None => (sentence(&found.finding.message)),
                                    }
                                }
                            }
                            @if row.findings.len() > 3 { li.quiet { (texts::and_more(row.findings.len() - 3)) } }
                        }
                    }
                    @if let Some(newest) = row.lately.first() {
                        p.quiet {
                            (texts::LAST_MOVED) " " (short_time(&rfc3339(newest.start))) ": " (newest.direction.to_string()) ", "
                            (texts::outcome(&newest.outcome)) ". "
                            a href={ (car_href(&row.car.id)) "/bench" } { (texts::BENCH) } " · "
                            a href={ (car_href(&row.car.id)) "/trend" } { (texts::TAB_TREND) }
                        }
                    }
                }
            }
        }
        section {
            h2 { (texts::LOGGERS) }
            @if ports.is_empty() { p.quiet { (texts::NO_PORTS) " " a href="/ports" { (texts::PICK_PORT) } } }
            ul.ports {
                @for port in &ports {
                    li.well[port.well].unwell[!port.well] { (icon(if port.well { Shape::Sound } else { Shape::Attend })) strong { (port.port) } " " (port.words) }
                }
            }
        }
    };
    Ok(frame(texts::CARS, None, &ports, &body))
}
