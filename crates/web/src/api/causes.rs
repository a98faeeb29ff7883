//! What may be behind it, and what to look at next.

use axum::Json;
use axum::extract::rejection::JsonRejection;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use foldwatch_report::Diagnosis;

use crate::app::App;
use crate::causes::{self, Looked};
use crate::failure::{Failure, FailureBody};
use crate::gate::Who;
use crate::{own, query};

/// The causes of what was found on a car, ranked, and the next check.
#[utoipa::path(
    get,
    path = "/api/v1/cars/{car}/causes",
    tag = "cars",
    params(("car" = String, Path, description = "The car's id")),
    responses((status = 200, body = Diagnosis), (status = 404, body = FailureBody))
)]
pub(crate) async fn causes(
    State(app): State<App>,
    Path(car): Path<String>,
) -> Result<Json<Diagnosis>, Failure> {
    app.ask(move |desk| {
        query::car(desk, &car)?;
        Ok(Json(causes::diagnosis(desk, &car)?))
    })
    .await
}

/// Enters what a check gave: it is kept with the car, and the ranking moves.
#[utoipa::path(
    post,
    path = "/api/v1/cars/{car}/checks",
    tag = "cars",
    params(("car" = String, Path, description = "The car's id")),
    request_body = Looked,
    responses(
        (status = 201, body = Diagnosis),
        (status = 400, body = FailureBody),
        (status = 404, body = FailureBody)
    )
)]
pub(crate) async fn checks(
    State(app): State<App>,
    Path(car): Path<String>,
    Who(caller): Who,
    looked: Result<Json<Looked>, JsonRejection>,
) -> Result<(StatusCode, Json<Diagnosis>), Failure> {
    let Json(looked) = looked
        .map_err(|error| Failure::parameter("the body", &error.body_text(), "JSON with check and result"))?;
    app.ask(move |desk| {
        query::car(desk, &car)?;
        let found = causes::enter(desk, &car, looked.by(&caller), own::now())?;
        Ok((StatusCode::CREATED, Json(found)))
    })
    .await
}
