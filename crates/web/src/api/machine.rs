//! For whoever runs foldwatch: counters, health, readiness.

use axum::Json;
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::IntoResponse;
use serde::Serialize;

use crate::app::App;
use crate::failure::{Failure, FailureBody};
use crate::live::PortState;

/// The counters in Prometheus' text format.
#[utoipa::path(
    get,
    path = "/metrics",
    tag = "machine",
    responses((status = 200, body = String, content_type = "text/plain"))
)]
pub(crate) async fn metrics(State(app): State<App>) -> impl IntoResponse {
    ([(header::CONTENT_TYPE, "text/plain; version=0.0.4; charset=utf-8")], app.metrics())
}

/// How foldwatch is, in words.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub(crate) struct Health {
    /// Nobody needs to do anything.
    well: bool,
    /// The same in a sentence.
    words: String,
    /// Cars known.
    cars: usize,
    /// Every port that is listened to.
    ports: Vec<PortState>,
}

/// How foldwatch is, in words. 503 where a person is needed.
#[utoipa::path(
    get,
    path = "/health",
    tag = "machine",
    responses((status = 200, body = Health), (status = 503, body = Health))
)]
pub(crate) async fn health(State(app): State<App>) -> impl IntoResponse {
    let ports = app.hub().ports();
    let cars = app.ask(|desk| Ok(desk.catalogue.cars()?.len())).await;
    let (well, words) = match (&cars, app.hub().standing()) {
        (Err(failure), _) => (false, failure.message.clone()),
        (Ok(0), (true, _)) => (true, "Running. No car has been entered yet.".to_owned()),
        (Ok(_), standing) => standing,
    };
    let status = if well { StatusCode::OK } else { StatusCode::SERVICE_UNAVAILABLE };
    (status, Json(Health { well, words, cars: cars.unwrap_or(0), ports }))
}

/// Whether requests can be answered: the catalogue can be read.
#[utoipa::path(
    get,
    path = "/ready",
    tag = "machine",
    responses((status = 200, body = String), (status = 503, body = FailureBody))
)]
pub(crate) async fn ready(State(app): State<App>) -> Result<&'static str, Failure> {
    app.ask(|desk| Ok(desk.catalogue.cars().map(drop)?)).await?;
    Ok("ready\n")
}
