//! One cycle: its run sheet and traces on one time axis, its findings, causes, steps and measures.

mod found;
mod tables;

use axum::extract::{Path, Query, State};
use axum::http::{HeaderValue, header};
use axum::response::IntoResponse;
use foldwatch_report::{Cycle, Diagnosis, rfc3339};
use foldwatch_units::Seconds;
use maud::{Markup, html};
use serde::Deserialize;

use super::{At, Failed, STYLE, car_href, cycle_href, frame, time};
use crate::app::{App, Desk};
use crate::causes;
use crate::charts::{self, Figure, Material, Page, seconds};
use crate::failure::Failure;
use crate::query::{self, CarView};
use crate::reference::{self, stretch};
use crate::texts;
use crate::traces::Traces;

/// Which stretch of the cycle, in seconds from its start.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Window {
    from: Option<f64>,
    until: Option<f64>,
    /// `no`: without the sound cycle beside it.
    reference: Option<String>,
}

impl Window {
    fn with_reference(&self) -> bool {
        self.reference.as_deref() != Some("no")
    }
}

/// Points of one signal in a picture: more than a wide screen has pixels for its lowest and highest, so that each extreme
/// keeps its place; fewer where many signals share the page, which is to stay small on the line.
const POINTS: usize = 1600;
const POINTS_OF_ALL: usize = 13_000;
/// The narrowest stretch to look at, in seconds.
const NARROWEST: f64 = 0.2;

/// A cycle in a window.
struct Seen {
    view: CarView,
    cycle: Cycle,
    traces: Result<Traces, &'static str>,
    whole: (f64, f64),
    window: (f64, f64),
    with_reference: bool,
}

impl Seen {
    fn ask(desk: &Desk, car: &str, start: &str, asked: &Window) -> Result<Seen, Failure> {
        let view = query::car(desk, car)?;
        let cycle = query::cycle(desk, &view.car.id, start)?;
        let (begin, from, until) = stretch(&cycle);
        let whole = ((from - begin).0, (until - begin).0);
        let window = window(asked, whole);
        let with_reference = asked.with_reference();
        let numbers = view.profile.signals.iter().filter(|s| !s.kind.is_binary()).count();
        let points = (POINTS_OF_ALL / numbers.max(1)).min(POINTS);
        let traces = reference::traces(desk, &view, &cycle, window, points, with_reference)?;
        Ok(Seen { view, cycle, traces, whole, window, with_reference })
    }

    fn figures(&self) -> Vec<Figure> {
        let material = Material {
            car: &self.view.car.id,
            cycles: std::slice::from_ref(&self.cycle),
            traces: self.traces.as_ref().map_err(|why| *why),
            window: self.window,
            trends: &[],
        };
        charts::figures(Page::Cycle, &material)
    }

    fn href(&self) -> String {
        cycle_href(&self.view.car.id, &self.cycle.start)
    }

    fn title(&self) -> String {
        format!("{}, {}", texts::way(&self.cycle.direction), texts::outcome(&self.cycle.outcome))
    }
}

pub(super) async fn page(
    State(app): State<App>,
    Path((car, start)): Path<(String, String)>,
    Query(asked): Query<Window>,
) -> Result<Markup, Failed> {
    let (seen, diagnosis) = app
        .ask(move |desk| {
            let seen = Seen::ask(desk, &car, &start, &asked)?;
            let diagnosis = causes::diagnosis(desk, &seen.view.car.id)?;
            Ok((seen, diagnosis))
        })
        .await?;
    let id = seen.view.car.id.as_str();
    let cycle = &seen.cycle;
    let body = html! {
        p.trail { a href=(car_href(id)) { (seen.view.car.name) } }
        h1 { (seen.title()) }
        p.lead {
            (time(&cycle.start)) ", " (texts::fixed(seconds(cycle, &cycle.end), 1)) " s"
            @if cycle.from_part_way { ". " (texts::FROM_PART_WAY) }
            @if !cycle.refused_by.is_empty() { ". " (texts::MISSING) ": " (cycle.refused_by.join(", ")) }
            "."
        }
        (found::findings(&seen.view, cycle))
        (sheet_of(&seen))
        (behind(id, cycle, &diagnosis))
        (tables::steps(cycle))
        (tables::measures(cycle))
        (along(&seen))
    };
    let way = texts::way(&cycle.direction);
    Ok(frame(way, Some((id, &seen.view.car.name, At::Cycle)), &app.hub().ports(), &body))
}

/// The pictures alone: what the script puts in the place of the others after zooming.
pub(super) async fn sheet(
    State(app): State<App>,
    Path((car, start)): Path<(String, String)>,
    Query(asked): Query<Window>,
) -> Result<Markup, Failed> {
    let seen = app.ask(move |desk| Seen::ask(desk, &car, &start, &asked)).await?;
    Ok(sheet_of(&seen))
}

/// The pictures as one file, for a report or a message.
pub(super) async fn picture(
    State(app): State<App>,
    Path((car, start)): Path<(String, String)>,
    Query(asked): Query<Window>,
) -> Result<impl IntoResponse, Failed> {
    let seen = app.ask(move |desk| Seen::ask(desk, &car, &start, &asked)).await?;
    let title = format!("{}, {}: {}", seen.view.car.name, texts::moment(&seen.cycle.start), seen.title());
    let drawn = charts::alone(&title, &seen.figures(), &looks());
    let name =
        format!("attachment; filename=\"{}-{}.svg\"", seen.view.car.id, seen.cycle.start.replace(':', ""));
    Ok((
        [
            (header::CONTENT_TYPE, HeaderValue::from_static("image/svg+xml")),
            (header::CONTENT_DISPOSITION, HeaderValue::from_str(&name).map_err(Failure::internal)?),
            // Its looks are in it; it has no script, and takes nothing from elsewhere.
            (
                header::CONTENT_SECURITY_POLICY,
                HeaderValue::from_static("default-src 'none'; style-src 'unsafe-inline'"),
            ),
        ],
        drawn,
    ))
}

/// What a picture on its own needs of the style sheet: the colours on paper, and what is said of SVG.
fn looks() -> String {
    let root =
        STYLE.split_once(":root {").and_then(|(_, rest)| rest.split_once('}')).map_or("", |(root, _)| root);
    let of_svg = STYLE.lines().filter(|line| line.starts_with("svg "));
    let mut out = format!(
        "svg {{{root}}}\n.paper {{ fill: var(--sheet); }} .title, .figure-title {{ font-weight: 700; }}\n"
    );
    for line in of_svg {
        out.push_str(line);
        out.push('\n');
    }
    out
}

/// The stretch asked for, kept within the cycle and not too narrow.
fn window(asked: &Window, whole: (f64, f64)) -> (f64, f64) {
    let clean = |v: Option<f64>, or: f64| v.filter(|v| v.is_finite()).unwrap_or(or).clamp(whole.0, whole.1);
    let (from, until) = (clean(asked.from, whole.0), clean(asked.until, whole.1));
    if until - from >= NARROWEST { (from, until) } else { whole }
}

fn sheet_of(seen: &Seen) -> Markup {
    let href = seen.href();
    let reference = if seen.with_reference { "yes" } else { "no" };
    html! {
        div.sheet id="sheet" data-page=(href) data-traces={ "/api/v1" (href) "/traces" } data-reference=(reference)
            data-lost=(texts::NOT_FINER) data-at=(texts::CURSOR_AT) data-on=(texts::CURSOR_ON) data-nothing=(texts::CURSOR_NOTHING)
            data-first=(seen.whole.0) data-last=(seen.whole.1) data-from=(seen.window.0) data-until=(seen.window.1) {
            (zoom(seen))
            @for figure in seen.figures() { (charts::draw(&figure)) }
            (take(seen))
        }
    }
}

/// Links that look closer, wider, earlier, later: without a script, for any finger and key.
fn zoom(seen: &Seen) -> Markup {
    let (href, whole, window, cycle) = (seen.href(), seen.whole, seen.window, &seen.cycle);
    let span = window.1 - window.0;
    let middle = 0.5 * (window.0 + window.1);
    let also = if seen.with_reference { "" } else { "&reference=no" };
    let to = |from: f64, until: f64| {
        let (from, until) = (from.max(whole.0), until.min(whole.1));
        format!("{href}?from={from:.2}&until={until:.2}{also}#sheet")
    };
    let is_whole = span >= whole.1 - whole.0 - 0.01;
    let moved = |by: f64| {
        let by = by.clamp(whole.0 - window.0, whole.1 - window.1);
        to(window.0 + by, window.1 + by)
    };
    html! {
        nav.zoom aria-label=(texts::PART_OF_CYCLE) {
            a.whole href=(to(whole.0, whole.1)) aria-current=[is_whole.then_some("true")] data-key="0" data-from=(whole.0) data-until=(whole.1) { (texts::WHOLE_CYCLE) }
            span.parts { @for phase in &cycle.phases {
                @let (from, until) = (seconds(cycle, &phase.start), seconds(cycle, &phase.end));
                @let margin = 0.15 * (until - from) + 0.2;
                a href=(to(from - margin, until + margin)) data-from=(from - margin) data-until=(until + margin) { (phase.name) }
            } }
            span.keys {
                a href=(to(middle - span / 4.0, middle + span / 4.0)) data-key="+" data-by="0.5" { (texts::CLOSER) }
                @if !is_whole {
                    a href=(to(middle - span, middle + span)) data-key="-" data-by="2" { (texts::WIDER) }
                    a href=(moved(-span / 2.0)) data-key="[" data-along="-0.5" { (texts::EARLIER) }
                    a href=(moved(span / 2.0)) data-key="]" data-along="0.5" { (texts::LATER) }
                }
            }
        }
        p.quiet.hint { (texts::ZOOM_HINT) }
    }
}

/// What is shown, to be taken along.
fn take(seen: &Seen) -> Markup {
    let (from, until) = seen.window;
    let (begin, ..) = stretch(&seen.cycle);
    let href = seen.href();
    let also = if seen.with_reference { "" } else { "&reference=no" };
    let picture = format!("{href}/picture.svg?from={from:.3}&until={until:.3}{also}");
    let samples = format!(
        "/api/v1{}/export/samples.csv?from={}&until={}",
        car_href(&seen.view.car.id),
        rfc3339(begin + Seconds(from)),
        rfc3339(begin + Seconds(until))
    );
    let has_reference = seen.traces.as_ref().is_ok_and(|t| t.reference.is_some());
    html! {
        @if seen.traces.is_ok() {
            ul.inline.take {
                li { (texts::TAKE_SHOWN) }
                li { a href=(samples) download { "CSV" } }
                li { a href=(picture) download { "SVG" } }
                li { button type="button" data-png=(picture) hidden { "PNG" } }
                @if has_reference { li { a href={ (href) "?from=" (from) "&until=" (until) "&reference=no#sheet" } { (texts::WITHOUT_REFERENCE) } } }
                @else if !seen.with_reference { li { a href={ (href) "?from=" (from) "&until=" (until) "#sheet" } { (texts::WITH_REFERENCE) } } }
                @else { li.quiet { (texts::NO_REFERENCE) } }
            }
        }
    }
}

/// What may be behind the car's findings, on the page of a cycle that has some.
fn behind(car: &str, cycle: &Cycle, diagnosis: &Diagnosis) -> Markup {
    html! { @if !cycle.findings.is_empty() { (super::causes::section(car, diagnosis)) } }
}

fn along(seen: &Seen) -> Markup {
    html! {
        section {
            h2 { (texts::TAKE_ALONG) }
            ul.inline { li { a href={ "/api/v1" (seen.href()) } { (texts::VERDICT_JSON) } } }
        }
    }
}
