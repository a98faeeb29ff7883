//! What people wrote about a car, and the way to write it.

use axum::Json;
use axum::body::Bytes;
use axum::extract::{Path, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::IntoResponse;

use crate::app::App;
use crate::entries::{self, EntryRow, Written};
use crate::failure::{Failure, FailureBody};
use crate::gate::Who;
use crate::{own, query};

/// The service record of a car: work, notes, checks; oldest first.
#[utoipa::path(
    get,
    path = "/api/v1/cars/{car}/record",
    tag = "cars",
    params(("car" = String, Path, description = "The car's id")),
    responses((status = 200, body = Vec<EntryRow>), (status = 404, body = FailureBody))
)]
pub(crate) async fn record(
    State(app): State<App>,
    Path(car): Path<String>,
) -> Result<Json<Vec<EntryRow>>, Failure> {
    app.ask(move |desk| {
        query::car(desk, &car)?;
        Ok(Json(entries::list(desk, &car)?))
    })
    .await
}

/// Enters work that was done, or a note: JSON for one, `text/csv` for many. It is kept, and splits the history.
#[utoipa::path(
    post,
    path = "/api/v1/cars/{car}/record",
    tag = "cars",
    params(("car" = String, Path, description = "The car's id")),
    request_body(content((Written = "application/json"), (String = "text/csv"))),
    responses(
        (status = 201, body = Vec<EntryRow>),
        (status = 400, body = FailureBody),
        (status = 403, body = FailureBody),
        (status = 404, body = FailureBody)
    )
)]
pub(crate) async fn write(
    State(app): State<App>,
    Path(car): Path<String>,
    Who(caller): Who,
    headers: HeaderMap,
    body: Bytes,
) -> Result<(StatusCode, Json<Vec<EntryRow>>), Failure> {
    let kind = headers.get(header::CONTENT_TYPE).and_then(|kind| kind.to_str().ok()).unwrap_or_default();
    let written = if kind.starts_with("text/csv") {
        let text = std::str::from_utf8(&body)
            .map_err(|error| Failure::parameter("the CSV", &error.to_string(), "text in UTF-8"))?;
        entries::from_csv(text)?
    } else {
        let one: Written = serde_json::from_slice(&body).map_err(|error| {
            Failure::parameter("the body", &error.to_string(), "JSON with subject, or text/csv")
        })?;
        vec![one]
    };
    let written = entries::by(&caller, written);
    app.ask(move |desk| {
        query::car(desk, &car)?;
        entries::enter(desk, &car, written, own::now())?;
        Ok((StatusCode::CREATED, Json(entries::list(desk, &car)?)))
    })
    .await
}

/// The service record as CSV (RFC 4180).
#[utoipa::path(
    get,
    path = "/api/v1/cars/{car}/record.csv",
    tag = "export",
    params(("car" = String, Path, description = "The car's id")),
    responses((status = 200, content_type = "text/csv", body = String), (status = 404, body = FailureBody))
)]
pub(crate) async fn table(
    State(app): State<App>,
    Path(car): Path<String>,
) -> Result<impl IntoResponse, Failure> {
    let text = app
        .ask(move |desk| {
            query::car(desk, &car)?;
            entries::to_csv(&entries::list(desk, &car)?)
        })
        .await?;
    Ok(([(header::CONTENT_TYPE, "text/csv; charset=utf-8; header=present")], text))
}
