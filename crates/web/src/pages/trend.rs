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
    let (view, trends) = app
        .ask(move |desk| {
            let view = query::car(desk, &car)?;
            let trends = query::trends(desk, &view)?;
            Ok((view, trends))
        })
        .await?;
    let id = view.car.id.as_str();
    let name = view.car.name.as_str();
    let figures = |wanted: &str| {
        let some: Vec<_> = trends.iter().filter(|t| t.direction.as_str() == wanted).collect();
        let material = |trend| Material {
            car: id,
            cycles: &[],
            traces: Err(texts::NO_SAMPLES),
            window: (0.0, 0.0),
            trends: std::slice::from_ref(trend),
        };
        some.into_iter().flat_map(|t| charts::figures(Page::Trend, &material(t))).collect::<Vec<_>>()
    };
    let any = trends.iter().any(|t| !t.points.is_empty());
    let body = html! {
        h1 { "Trend of the steps, " (name) }
        p.lead {
            "Each ring is a cycle's time, corrected to the profile's oil temperature and supply; the small cross is the \
             time as measured. Dashed: the limit. Solid: where it goes."
        }
        @if let Some(trend) = trends.first().filter(|_| any) {
            p.quiet { "As of the newest cycle, " (time(&rfc3339(trend.now))) ". A service entry splits the history: what follows it is judged by itself." }
            @for service in &trend.services { p { "Service " (time(&rfc3339(service.at))) ": " (service.what) } }
        }
        @if !any { p.empty { (texts::NO_CYCLES) } }
        @else {
            @for (word, title) in [("opening", "Opening"), ("closing", "Closing")] {
                section { h2 { (title) } div.pair { @for figure in figures(word) { (charts::svg::draw(&figure)) } } }
            }
        }
    };
    Ok(frame("Trend", Some((id, name, At::Trend)), &app.hub().ports(), &body))
}
