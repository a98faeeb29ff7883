//! The bench: what the roof does now, big enough to be read from two metres.

use axum::extract::{Path, State};
use maud::{Markup, html};

use super::{At, Failed, car_href, frame};
use crate::app::App;
use crate::live::LiveState;
use crate::query;
use crate::texts;

pub(super) async fn page(State(app): State<App>, Path(car): Path<String>) -> Result<Markup, Failed> {
    let view = app.ask(move |desk| query::car(desk, &car)).await?;
    let id = view.car.id.as_str();
    let name = view.car.name.as_str();
    let state = app.hub().state(id);
    let profile = &view.profile;
    let numbers = profile.signals.iter().filter(|s| !s.kind.is_binary());
    let states = profile.signals.iter().filter(|s| s.kind.is_binary());
    let body = html! {
        h1.aside { "Bench, " (name) }
        p.caution { (texts::CAUTION_BENCH) }
        div.bench data-live={ "/api/v1" (car_href(id)) "/live" } {
            p.link data-part="link" role="status" {
                @match &state { Some(state) => { "As of " (texts::moment(&state.at)) ". " }, None => (texts::NO_LIVE) }
            }
            noscript { p { "This page goes on by itself only with scripts; load it again for the newest state." } }
            (figures(state.as_ref()))
            ol.steps data-part="steps" aria-label="steps" {
                @for step in state.iter().flat_map(|s| &s.steps) {
                    li.(step.state) {
                        span { (step.name) }
                        span { @match step.duration_s { Some(s) => (texts::secs(s)), None => (format!("({:.1} s)", step.expected_s)) } }
                    }
                }
            }
            section.lanes aria-label="signals" {
                @for (n, signal) in numbers.enumerate() {
                    div.lane data-signal=(signal.id) data-kind=(signal.kind.as_str()) data-place=(n) {
                        span.lane-label { (signal.label) }
                        output.lane-value { "-" } span.quiet { " " (signal.unit.symbol) }
                        canvas width="600" height="72" aria-hidden="true" {}
                    }
                }
                ul.lamps {
                    @for signal in states {
                        li data-signal=(signal.id) data-kind=(signal.kind.as_str()) { span.lamp aria-hidden="true" {} span { (signal.label) } span.lamp-word { "-" } }
                    }
                }
            }
            section {
                h2 { "Just now" }
                ul.news data-part="news" aria-live="polite" { li.quiet { "The verdict of each cycle appears here when it is over." } }
            }
        }
    };
    Ok(frame("Bench", Some((id, name, At::Bench)), &app.hub().ports(), &body))
}

/// The big figures.
fn figures(state: Option<&LiveState>) -> Markup {
    let s = |v: Option<f64>| v.map_or("-".to_owned(), |v| format!("{v:.1}"));
    let phase = match state {
        Some(LiveState { phase: Some(phase), .. }) => phase.clone(),
        Some(LiveState { moving: true, .. }) => "done, holding".to_owned(),
        Some(_) => "at rest".to_owned(),
        None => "not heard yet".to_owned(),
    };
    let waiting: Vec<String> = state
        .iter()
        .flat_map(|s| &s.waiting_for)
        .map(|w| format!("{} {}", w.label, if w.made { "to be made" } else { "to let go" }))
        .collect();
    html! {
        div.big {
            div.now {
                p.what data-part="direction" { (state.and_then(|s| s.direction.clone()).unwrap_or_default()) }
                p.phase data-part="phase" { (phase) }
                p.what { "waiting for " span data-part="waiting" { (if waiting.is_empty() { "nothing".to_owned() } else { waiting.join(", ") }) } }
            }
            dl {
                div { dt { "this step" } dd { span data-part="elapsed" { (s(state.and_then(|s| s.elapsed_s))) } small { " s" } } }
                div { dt { "expected" } dd.lesser { span data-part="expected" { (s(state.and_then(|s| s.expected_s))) } small { " s" } } }
                div { dt { "limit" } dd.lesser { span data-part="limit" { (s(state.and_then(|s| s.limit_s))) } small { " s" } } }
                div { dt { "pump may run" } dd { span data-part="pump-left" { (s(state.and_then(|s| s.pump_left_s))) } small { " s" } } }
            }
            meter data-part="meter" min="0" max="1" value="0" aria-label="this step against its limit" {}
        }
    }
}
