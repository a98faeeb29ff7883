//! One car: its week, what was found and how often, its cycles, what people wrote.

use axum::extract::{Path, Query, State};
use foldwatch_report::{Cycle, Diagnosis, rfc3339};
use foldwatch_store::CycleQuery;
use foldwatch_units::{Micros, Seconds};
use maud::{Markup, html};
use serde::Deserialize;

use super::{At, Failed, car_href, cycle_href, frame, icon, sentence, short_time, weight};
use crate::app::App;
use crate::causes;
use crate::charts::{self, Material, Page, Shape};
use crate::entries::{self, EntryRow};
use crate::query::{self, CarView, Matter, Readable, matters, weight_of};
use crate::texts;

/// Which cycles the page speaks of.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Asked {
    /// `week`, `month` or `all`; a week if not given.
    period: Option<String>,
    /// Only cycles with a finding of this kind.
    kind: Option<String>,
}

/// Cycles that one page goes through at the most.
const MOST: u32 = 400;
/// Rows of the table.
const ROWS: usize = 60;
/// Damaged records that are named.
const NAMED: usize = 10;

struct Seen {
    view: CarView,
    cycles: Vec<Cycle>,
    unread: Vec<Micros>,
    entries: Vec<EntryRow>,
    diagnosis: Diagnosis,
    /// There are older cycles than those.
    more: bool,
}

pub(super) async fn page(
    State(app): State<App>,
    Path(car): Path<String>,
    Query(asked): Query<Asked>,
) -> Result<Markup, Failed> {
    let days = match asked.period.as_deref() {
        Some("all") => None,
        Some("month") => Some(30.0),
        _ => Some(7.0),
    };
    let seen = app
        .ask(move |desk| {
            let view = query::car(desk, &car)?;
            let id = view.car.id.clone();
            let all = CycleQuery { car: Some(id.clone()), limit: MOST, ..CycleQuery::default() };
            let mut list = desk.catalogue.cycles(&all)?;
            let full = list.len() >= MOST as usize;
            let before = list.len();
            if let (Some(days), Some(newest)) = (days, list.first()) {
                let from = newest.start - Seconds(days * 86_400.0);
                list.retain(|c| c.start > from);
            }
            let more = full || list.len() < before;
            let entries = entries::list(desk, &id)?;
            let Readable { cycles, unread } = query::readable(desk, &list)?;
            let diagnosis = causes::diagnosis(desk, &id)?;
            Ok(Seen { view, cycles, unread, entries, diagnosis, more })
        })
        .await?;
    let id = seen.view.car.id.as_str();
    let material = Material {
        car: id,
        cycles: &seen.cycles,
        traces: Err(texts::NO_SAMPLES),
        window: (0.0, 0.0),
        trends: &[],
    };
    let found = matters(&seen.cycles);
    let shown: Vec<&Cycle> = seen
        .cycles
        .iter()
        .filter(|c| asked.kind.as_ref().is_none_or(|kind| c.findings.iter().any(|f| f.kind == *kind)))
        .collect();
    let name = seen.view.car.name.as_str();
    let body = html! {
        h1 { (name) }
        p.quiet { (seen.view.profile.name) }
        (damaged(id, &seen.unread))
        // A car that has not moved yet says so once.
        @if seen.cycles.is_empty() && seen.unread.is_empty() { p.empty { (texts::NO_CYCLES) } }
        @else {
            nav.periods aria-label=(texts::PERIOD) {
                @for (word, label) in texts::PERIODS {
                    @let current = asked.period.as_deref().unwrap_or("week") == word;
                    a href={ "?period=" (word) } aria-current=[current.then_some("true")] { (label) }
                }
            }
            section {
                h2 { (texts::FOUND) }
                @if found.is_empty() {
                    @if super::causes::are_told(&seen.diagnosis) { p { (texts::FOUND_TOGETHER) } }
                    @else { p.good { (icon(Shape::Sound)) (texts::nothing_found_in(seen.cycles.len())) } }
                }
                ul.matters { @for matter in &found { (matter_item(id, &seen.view, matter)) } }
            }
            (super::causes::section(id, &seen.diagnosis))
            @for figure in charts::figures(Page::Car, &material) { (charts::draw(&figure)) }
            section {
                h2 { (texts::CYCLES) }
                @if let Some(kind) = &asked.kind {
                    p { (texts::ONLY_WITH) " " strong { (texts::kind(kind)) } ". " a href=(car_href(id)) { (texts::SHOW_ALL) } }
                }
                @if shown.is_empty() { p.empty { (texts::NO_CYCLES_SHOWN) } }
                @else { (table(id, &shown)) }
                @if shown.len() > ROWS { p.quiet { (texts::newest_of(ROWS, shown.len())) } }
                @if seen.more { p.quiet { (texts::OLDER_CYCLES) } }
            }
        }
        (super::record::section(id, &seen.entries))
        @if !seen.cycles.is_empty() { section {
            h2 { (texts::TAKE_ALONG) }
            p { (texts::AS_TABLES) }
            ul.inline {
                @for (table, word) in texts::TABLES {
                    li { a href={ "/api/v1" (car_href(id)) "/export/" (table) ".csv" } download { (word) } }
                }
            }
            p { (texts::FOR_A_CLAIM[0]) a href={ (car_href(id)) "/evidence" } { (texts::FOR_A_CLAIM[1]) } (texts::FOR_A_CLAIM[2]) }
        } }
    };
    Ok(frame(name, Some((id, name, At::Car)), &app.hub().ports(), &body))
}

/// Cycles whose verdicts can't be read, by name: whoever counts the others must know of them.
fn damaged(car: &str, unread: &[Micros]) -> Markup {
    html! {
        @if !unread.is_empty() {
            div.notice role="status" {
                p { strong { (texts::unread(unread.len())) } " " (texts::UNREAD_LEFT_OUT) }
                p {
                    @for start in unread.iter().take(NAMED).map(|start| rfc3339(*start)) {
                        a href=(cycle_href(car, &start)) { (super::time(&start)) } " "
                    }
                    @if unread.len() > NAMED { (texts::and_more(unread.len() - NAMED)) "." }
                }
            }
        }
    }
}

fn matter_item(car: &str, view: &CarView, matter: &Matter) -> Markup {
    let label = |id: &str| {
        view.profile.find(id).map_or_else(|| id.to_owned(), |ix| view.profile.signal(ix).label.clone())
    };
    let place = match (&matter.phase, &matter.signal) {
        (Some(phase), Some(signal)) => format!("{phase}, {}", label(signal)),
        (Some(phase), None) => phase.clone(),
        (None, Some(signal)) => label(signal),
        (None, None) => String::new(),
    };
    html! {
        li.matter.(matter.weight) {
            h3 { (weight(&matter.weight)) " " (texts::kind(&matter.kind)) @if !place.is_empty() { span.place { " " (place) } } }
            p.count { (texts::matter_count(matter)) }
            p {
                (texts::LAST) " " a href=(cycle_href(car, &matter.newest.0)) { (short_time(&matter.newest.0)) } ". "
                (sentence(&matter.newest.1)) " "
                a href={ "?period=all&kind=" (matter.kind) } { (texts::ALL_WITH_IT) }
            }
            (help(&matter.kind))
        }
    }
}

/// What a kind of finding means, folded away.
pub(super) fn help(kind: &str) -> Markup {
    html! {
        @if let Some((meaning, inspect, origin)) = texts::kind_help(kind) {
            details {
                summary { (texts::WHAT_IT_MEANS) }
                p { (texts::said(meaning)) }
                p { strong { (texts::LOOK_FIRST) " " } (texts::said(inspect)) }
                p.quiet { (texts::LIMIT_ORIGIN) " " (texts::said(origin)) }
            }
        }
    }
}

fn table(car: &str, cycles: &[&Cycle]) -> Markup {
    html! {
        div.scroll tabindex="0" role="group" aria-label=(texts::CYCLES) {
            table.cycles {
                thead { tr { @for word in [texts::BEGAN, texts::FOUND_IN_IT, texts::DIRECTION, texts::OUTCOME, texts::STEP_TIMES] { th scope="col" { (word) } } } }
                tbody {
                    @for cycle in cycles.iter().take(ROWS) {
                        @let worst = cycle.findings.iter().map(|f| f.weight.as_str()).max_by_key(|w| weight_of(w));
                        tr {
                            td { a href=(cycle_href(car, &cycle.start)) { (short_time(&cycle.start)) } }
                            td.found { @match worst { Some(w) => { (weight(w)) @if cycle.findings.len() > 1 { span.quiet { " × " (cycle.findings.len()) } } }, None => { (icon(Shape::Sound)) (texts::SOUND) } } }
                            td { (cycle.direction) }
                            td { (texts::outcome(&cycle.outcome)) @if !cycle.refused_by.is_empty() { span.quiet { ": " (texts::missing(&cycle.refused_by)) } } }
                            td.steps {
                                @for phase in &cycle.phases {
                                    @let slow = phase.limit_s.is_some_and(|l| phase.duration_s > l);
                                    span.step.odd[phase.confirmation != "confirmed"].slow[slow] title={ (phase.name) ": " (texts::confirmation(&phase.confirmation)) @if slow { ", " (texts::OVER_LIMIT) } } {
                                        (texts::fixed(phase.duration_s, 1))
                                        @if phase.confirmation != "confirmed" { "?" }
                                        @if slow { "!" }
                                    }
                                }
                            }
                        }
                    }
                }
            }
        }
        p.quiet { (texts::STEP_MARKS) }
    }
}
