//! One cycle: its run sheet and traces on one time axis, its findings, steps and measures.

use axum::extract::{Path, Query, State};
use foldwatch_report::{Cycle, Finding, Measure, Phase, parse_utc};
use foldwatch_units::{Micros, Seconds};
use maud::{Markup, html};
use serde::Deserialize;

use super::car::help;
use super::{At, Failed, car_href, cycle_href, frame, icon, sentence, time, weight};
use crate::app::App;
use crate::charts::{self, Material, Page, Shape, seconds};
use crate::query::{self, CarView};
use crate::texts;
use crate::traces::{AFTER, BEFORE, Traces};

/// Which stretch of the cycle, in seconds from its start.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Window {
    from: Option<f64>,
    until: Option<f64>,
}

/// Points of one signal in a picture: twice what its width can show, for printing.
const POINTS: usize = 900;
/// The narrowest stretch to look at, in seconds.
const NARROWEST: f64 = 0.2;

struct Seen {
    view: CarView,
    cycle: Cycle,
    traces: Result<Traces, &'static str>,
    whole: (f64, f64),
    window: (f64, f64),
}

pub(super) async fn page(
    State(app): State<App>,
    Path((car, start)): Path<(String, String)>,
    Query(asked): Query<Window>,
) -> Result<Markup, Failed> {
    let seen = app
        .ask(move |desk| {
            let view = query::car(desk, &car)?;
            let cycle = query::cycle(desk, &view.car.id, &start)?;
            let begin = parse_utc(&cycle.start).unwrap_or(Micros(0));
            let end = parse_utc(&cycle.end).unwrap_or(begin);
            let whole = (-BEFORE.0, ((end + AFTER) - begin).0);
            let window = window(&asked, whole);
            let (from, until) = (begin + Seconds(window.0), begin + Seconds(window.1));
            let traces = desk
                .recording(&view.car.id, from, until)
                .map(|recording| Traces::of(&view.profile, &recording, begin, (from, until), POINTS));
            Ok(Seen { view, cycle, traces, whole, window })
        })
        .await?;
    let Seen { view, cycle, traces, whole, window } = &seen;
    let id = view.car.id.as_str();
    let material = Material {
        car: id,
        cycles: std::slice::from_ref(cycle),
        traces: traces.as_ref().map_err(|why| *why),
        window: *window,
        trends: &[],
    };
    let way = if cycle.direction == "opening" { "Opening" } else { "Closing" };
    let body = html! {
        p.trail { a href=(car_href(id)) { (view.car.name) } }
        h1 { (way) ", " (texts::outcome(&cycle.outcome)) }
        p.lead {
            (time(&cycle.start)) ", " (format!("{:.1} s", seconds(cycle, &cycle.end)))
            @if cycle.from_part_way { ". It did not begin in its end position" }
            @if !cycle.refused_by.is_empty() { ". Missing: " (cycle.refused_by.join(", ")) }
            "."
        }
        (findings(view, cycle))
        (zoom(&cycle_href(id, &cycle.start), *whole, *window, cycle))
        div.sheet data-traces={ "/api/v1" (cycle_href(id, &cycle.start)) "/traces" } {
            @for figure in charts::figures(Page::Cycle, &material) { (charts::svg::draw(&figure)) }
        }
        (steps(cycle))
        (measures(cycle))
        section {
            h2 { "Take it along" }
            ul.inline {
                li { a href={ "/api/v1" (cycle_href(id, &cycle.start)) } { "verdict (JSON)" } }
                @if let (Some(from), Some(until)) = (parse_utc(&cycle.start), parse_utc(&cycle.end)) {
                    @let from = foldwatch_report::rfc3339(from - BEFORE);
                    @let until = foldwatch_report::rfc3339(until + AFTER);
                    li { a href={ "/api/v1" (car_href(id)) "/export/samples.csv?from=" (from) "&until=" (until) } download { "samples (CSV)" } }
                }
            }
        }
    };
    Ok(frame(way, Some((id, &view.car.name, At::Cycle)), &app.hub().ports(), &body))
}

/// The stretch asked for, kept within the cycle and not too narrow.
fn window(asked: &Window, whole: (f64, f64)) -> (f64, f64) {
    let clean = |v: Option<f64>, or: f64| v.filter(|v| v.is_finite()).unwrap_or(or).clamp(whole.0, whole.1);
    let (from, until) = (clean(asked.from, whole.0), clean(asked.until, whole.1));
    if until - from >= NARROWEST { (from, until) } else { whole }
}

/// Links that look closer, wider, earlier, later: without a script, for any finger and key.
fn zoom(href: &str, whole: (f64, f64), window: (f64, f64), cycle: &Cycle) -> Markup {
    let span = window.1 - window.0;
    let middle = 0.5 * (window.0 + window.1);
    let to = |from: f64, until: f64| {
        let (from, until) = (from.max(whole.0), until.min(whole.1));
        format!("{href}?from={from:.2}&until={until:.2}#run-sheet")
    };
    let is_whole = span >= whole.1 - whole.0 - 0.01;
    let moved = |by: f64| {
        let by = by.clamp(whole.0 - window.0, whole.1 - window.1);
        to(window.0 + by, window.1 + by)
    };
    html! {
        nav.zoom aria-label="part of the cycle" {
            a href={ (href) "#run-sheet" } aria-current=[is_whole.then_some("true")] { "Whole cycle" }
            @for phase in &cycle.phases {
                @let (from, until) = (seconds(cycle, &phase.start), seconds(cycle, &phase.end));
                @let margin = 0.15 * (until - from) + 0.2;
                a href=(to(from - margin, until + margin)) { (phase.name) }
            }
            span.keys {
                a href=(to(middle - span / 4.0, middle + span / 4.0)) data-key="+" { "Closer" }
                @if !is_whole {
                    a href=(to(middle - span, middle + span)) data-key="-" { "Wider" }
                    a href=(moved(-span / 2.0)) data-key="[" { "Earlier" }
                    a href=(moved(span / 2.0)) data-key="]" { "Later" }
                }
            }
        }
    }
}

fn findings(view: &CarView, cycle: &Cycle) -> Markup {
    html! {
        section.findings {
            h2 { "What was found" }
            @if cycle.findings.is_empty() { p.good { (icon(Shape::Sound)) (texts::NO_FINDINGS) } }
            ol {
                @for (n, finding) in cycle.findings.iter().enumerate() { (finding_item(view, cycle, n + 1, finding)) }
            }
        }
    }
}

fn finding_item(view: &CarView, cycle: &Cycle, n: usize, finding: &Finding) -> Markup {
    let at = seconds(cycle, &finding.at);
    let label = finding
        .signal
        .as_ref()
        .and_then(|id| view.profile.find(id))
        .map(|ix| view.profile.signal(ix).label.as_str());
    html! {
        li.finding.(finding.weight) id={ "finding-" (n) } {
            h3 { span.number { (n) } (weight(&finding.weight)) " " (texts::kind(&finding.kind)) @if let Some(phase) = &finding.phase { span.place { " " (phase) } } }
            p { (sentence(&finding.message)) }
            dl.facts {
                div { dt { "At" } dd { (format!("{at:.2} s")) } }
                div { dt { "Value" } dd { (texts::number(finding.value)) " " (finding.unit) } }
                @if let Some(limit) = finding.limit { div { dt { "Limit" } dd { (texts::number(limit)) " " (finding.unit) } } }
                div { dt { "How sure" } dd { (texts::sure(finding.sure)) } }
                @if let Some(label) = label { div { dt { "Signal" } dd { (label) } } }
            }
            p { a href={ "?from=" (format!("{:.2}", at - 1.5)) "&until=" (format!("{:.2}", at + 2.5)) "#run-sheet" } { "Show the place" } }
            (help(&finding.kind))
        }
    }
}

fn steps(cycle: &Cycle) -> Markup {
    html! {
        @if !cycle.phases.is_empty() {
            section {
                h2 { "Steps" }
                div.scroll tabindex="0" role="group" aria-label="steps" {
                    table {
                        thead { tr { th scope="col" { "Step" } th scope="col" { "Time, s" } th scope="col" { "Expected, s" } th scope="col" { "Limit, s" } th scope="col" { "At reference, s" } th scope="col" { "End" } th scope="col" { "Oil" } th scope="col" { "Supply" } } }
                        tbody { @for phase in &cycle.phases { (step(phase)) } }
                    }
                }
                p.quiet { "Time ± its standard uncertainty. Expected and limit hold for this oil temperature and supply; at reference is what the step would have taken at the profile's conditions." }
            }
        }
    }
}

fn step(phase: &Phase) -> Markup {
    let maybe = |v: Option<f64>| v.map_or("-".to_owned(), |v| format!("{v:.2}"));
    let slow = phase.limit_s.is_some_and(|l| phase.duration_s > l);
    html! {
        tr id={ "step-" (phase.index) } {
            th scope="row" { (phase.name) }
            td.num { (format!("{:.2}", phase.duration_s)) span.quiet { " ± " (texts::number(phase.u_duration_s)) } @if slow { " !" } }
            td.num { (maybe(phase.expected_s)) }
            td.num { (maybe(phase.limit_s)) }
            td.num { (maybe(phase.corrected_s)) }
            td { (texts::confirmation(&phase.confirmation)) }
            td.num { @match phase.oil_temperature_c { Some(c) => (format!("{c:.1} °C")), None => "-" } }
            td.num { @match phase.supply_v { Some(v) => (format!("{v:.1} V")), None => "-" } }
        }
    }
}

fn measures(cycle: &Cycle) -> Markup {
    let mut hidden: Vec<(String, &Measure)> = Vec::new();
    for phase in &cycle.phases {
        hidden.extend(phase.measures.iter().filter(|m| m.value.is_none()).map(|m| (phase.name.clone(), m)));
    }
    hidden.extend(cycle.measures.iter().filter(|m| m.value.is_none()).map(|m| ("whole cycle".to_owned(), m)));
    // The same reason for each step is told once.
    let mut reasons: Vec<(String, String, Vec<String>)> = Vec::new();
    for (place, m) in hidden {
        let why = m.not_observable.clone().unwrap_or_default();
        match reasons.iter_mut().find(|(name, reason, _)| *name == m.name && *reason == why) {
            Some((_, _, places)) => places.push(place),
            None => reasons.push((m.name.clone(), why, vec![place])),
        }
    }
    html! {
        section {
            h2 { "Measures" }
            (measure_list("Whole cycle", &cycle.measures, true))
            @for phase in &cycle.phases { (measure_list(&phase.name, &phase.measures, false)) }
            @if !reasons.is_empty() {
                details {
                    summary { "Not observable (" (reasons.len()) ")" }
                    ul { @for (name, why, places) in &reasons {
                        li { strong { (texts::measure(name)) } @if places.len() < 3 { " (" (places.join(", ")) ")" } ": " (why) "." }
                    } }
                }
            }
        }
    }
}

fn measure_list(title: &str, measures: &[Measure], open: bool) -> Markup {
    let seen: Vec<(&Measure, f64)> = measures.iter().filter_map(|m| Some((m, m.value?))).collect();
    html! {
        @if !seen.is_empty() {
            details open[open] {
                summary { (title) }
                dl.measures {
                    @for (m, value) in seen {
                        div { dt { (texts::measure(&m.name)) } dd { (texts::number(value)) @if let Some(u) = m.u { span.quiet { " ± " (texts::number(u)) } } " " (m.unit) } }
                    }
                }
            }
        }
    }
}
