//! The bench: what the roof does now, big enough to be read from two metres.

use axum::extract::{Path, State};
use maud::{Markup, html};

use super::{At, Failed, car_href, frame};
use crate::app::App;
use crate::live::LiveState;
use crate::query;
use crate::reading;
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
        h1.aside { (texts::BENCH) ", " (name) }
        p.caution { (texts::CAUTION_BENCH) }
        div.bench data-live={ "/api/v1" (car_href(id)) "/live" } data-open=(texts::LIVE) data-lost=(texts::LIVE_LOST)
            data-rest=(texts::AT_REST) data-holding=(texts::HOLDING) data-make=(texts::TO_BE_MADE)
            data-free=(texts::TO_LET_GO) data-slow=(texts::STEP_TOO_LONG) data-long=(texts::PUMP_TOO_LONG)
            data-first=(texts::FIRST_VERDICT) data-verdict=(texts::VERDICT) data-none=(texts::NO_FINDINGS) data-states=(state_words()) {
            p.link data-part="link" role="status" {
                @match &state { Some(state) => (texts::as_of(&texts::moment(&state.at))), None => (texts::NO_LIVE) }
            }
            noscript { p { (texts::WITHOUT_SCRIPT) } }
            (figures(state.as_ref()))
            ol.steps data-part="steps" aria-label=(texts::STEPS) {
                @for step in state.iter().flat_map(|s| &s.steps) {
                    li.(step.state) {
                        span { (step.name) }
                        span { @match step.duration_s { Some(s) => (texts::secs(s)), None => { "(" (texts::fixed(step.expected_s, 1)) " s)" } } }
                    }
                }
            }
            section.lanes aria-label=(texts::SIGNALS) {
                @for signal in numbers {
                    @let (unit, ..) = reading::now().unit(signal.unit.symbol);
                    div.lane data-signal=(signal.id) data-kind=(signal.kind.as_str()) data-unit=(signal.unit.symbol) {
                        p { span.lane-label { (signal.label) } span { output.lane-value { "-" } span.quiet { " " (unit) } } }
                        canvas aria-hidden="true" {}
                    }
                }
            }
            section.lanes.states aria-label=(texts::STATES) {
                @for signal in states {
                    div.lane.state data-signal=(signal.id) data-kind=(signal.kind.as_str()) {
                        p { span.lamp aria-hidden="true" {} span.lane-label { (signal.label) } output.lamp-word { "-" } }
                        canvas aria-hidden="true" {}
                    }
                }
            }
            section {
                h2 { (texts::JUST_NOW) }
                ul.news data-part="news" aria-live="polite" { li.quiet { (texts::JUST_NOW_EMPTY) } }
            }
        }
    };
    Ok(frame(texts::BENCH, Some((id, name, At::Bench)), &app.hub().ports(), &body))
}

/// What each kind of state is called, for the script: `switch:made:free`.
fn state_words() -> String {
    texts::STATE_WORDS.map(|(kind, on, off)| format!("{kind}:{on}:{off}")).join(" ")
}

/// The big figures.
fn figures(state: Option<&LiveState>) -> Markup {
    let s = |v: Option<f64>| v.map_or("-".to_owned(), |v| texts::fixed(v, 1));
    let phase = match state {
        Some(LiveState { phase: Some(phase), .. }) => phase.clone(),
        Some(LiveState { moving: true, .. }) => texts::HOLDING.to_owned(),
        Some(_) => texts::AT_REST.to_owned(),
        None => texts::NOT_HEARD.to_owned(),
    };
    let waiting: Vec<String> = state
        .iter()
        .flat_map(|s| &s.waiting_for)
        .map(|w| format!("{} {}", w.label, if w.made { texts::TO_BE_MADE } else { texts::TO_LET_GO }))
        .collect();
    html! {
        div.big {
            div.now {
                p.what data-part="direction" { (state.and_then(|s| s.direction.clone()).unwrap_or_default()) }
                p.phase data-part="phase" { (phase) }
                p.what.waits.idle[waiting.is_empty()] { (texts::WAITING_FOR) " " span data-part="waiting" { (waiting.join(", ")) } }
            }
            dl {
                div { dt { (texts::THIS_STEP) } dd { span data-part="elapsed" { (s(state.and_then(|s| s.elapsed_s))) } small { " s" } } }
                div { dt { (texts::EXPECTED) } dd.lesser { span data-part="expected" { (s(state.and_then(|s| s.expected_s))) } small { " s" } } }
                div { dt { (texts::LIMIT) } dd.lesser { span data-part="limit" { (s(state.and_then(|s| s.limit_s))) } small { " s" } } }
                div { dt { (texts::PUMP_MAY_RUN) } dd { span data-part="pump-left" { (s(state.and_then(|s| s.pump_left_s))) } small { " s" } } }
            }
            meter data-part="meter" min="0" max="1" value="0" aria-label=(texts::STEP_AGAINST_LIMIT) {}
            p.past data-part="over" role="status" {}
        }
    }
}
