//! How each step's time develops over the cycles.

use axum::extract::{Path, State};
use foldwatch_report::rfc3339;
use maud::{Markup, html};

use super::{At, Failed, frame, time};
use crate::app::App;
use crate::charts::{self, Material, Page};
use crate::query;
use crate::texts;

pub(super) async fn page(State(app): State<App>, Path(car): Path<String>) -> Result<Markup, Failed> {
    let (view, found) = app
        .ask(move |desk| {
            let view = query::car(desk, &car)?;
            let found = query::trends(desk, &view)?;
            Ok((view, found))
        })
        .await?;
    let id = view.car.id.as_str();
    let name = view.car.name.as_str();
    let figures = |wanted: &str| {
        let some = found.numbers.iter().filter(|number| number.of.direction == wanted);
        let material = |trend| Material {
            car: id,
            cycles: &[],
            traces: Err(texts::NO_SAMPLES),
            window: (0.0, 0.0),
            trends: std::slice::from_ref(trend),
        };
        some.flat_map(|t| charts::figures(Page::Trend, &material(t))).collect::<Vec<_>>()
    };
    let body = html! {
        h1 { (texts::TAB_TREND) ", " (name) }
        p.lead { (texts::TREND_LEAD) }
        @if let Some(now) = found.now {
            p.quiet { (texts::AS_OF_NEWEST) (time(&rfc3339(now))) ". " (texts::TREND_SPLIT) }
            @for service in &found.services { p { (texts::WORK) " " (time(&rfc3339(service.at))) ": " (service.what) } }
        }
        @if found.now.is_none() { p.empty { (texts::NO_CYCLES) } }
        @else {
            @for word in ["opening", "closing"] {
                section { h2 { (texts::way(word)) } div.pair { @for figure in figures(word) { (charts::draw(&figure)) } } }
            }
        }
    };
    Ok(frame(texts::TAB_TREND, Some((id, name, At::Trend)), &app.hub().ports(), &body))
}
