//! Bags of evidence: listed, made, downloaded.

use std::io::{self, Read};

use axum::Json;
use axum::body::{Body, Bytes};
use axum::extract::rejection::JsonRejection;
use axum::extract::{Path, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use tokio_stream::wrappers::ReceiverStream;

use crate::app::{App, Desk};
use crate::evidence::{Bag, Stage, Wish};
use crate::failure::{Failure, FailureBody};
use crate::query;

/// The bags of evidence of a car, newest first.
#[utoipa::path(
    get,
    path = "/api/v1/cars/{car}/evidence",
    tag = "evidence",
    params(("car" = String, Path, description = "The car's id")),
    responses((status = 200, body = Vec<Bag>), (status = 404, body = FailureBody))
)]
pub(crate) async fn bags(State(app): State<App>, Path(car): Path<String>) -> Result<Json<Vec<Bag>>, Failure> {
    app.ask(move |desk| {
        query::car(desk, &car)?;
        Ok(Json(desk.evidence().bags(&car)))
    })
    .await
}

/// How it stands with one bag.
#[utoipa::path(
    get,
    path = "/api/v1/cars/{car}/evidence/{number}",
    tag = "evidence",
    params(
        ("car" = String, Path, description = "The car's id"),
        ("number" = u32, Path, description = "The bag's number")
    ),
    responses((status = 200, body = Bag), (status = 404, body = FailureBody))
)]
pub(crate) async fn bag(
    State(app): State<App>,
    Path((car, number)): Path<(String, String)>,
) -> Result<Json<Bag>, Failure> {
    app.ask(move |desk| {
        query::car(desk, &car)?;
        let bags = desk.evidence().bags(&car);
        let found = bags.into_iter().find(|bag| bag.number.to_string() == number);
        found.map(Json).ok_or_else(|| Failure::unknown_bag(&number))
    })
    .await
}

/// Begins to make a bag. It goes on by itself: ask for the bag until its stage is `made` or `failed`.
#[utoipa::path(
    post,
    path = "/api/v1/cars/{car}/evidence",
    tag = "evidence",
    params(("car" = String, Path, description = "The car's id")),
    request_body = Wish,
    responses(
        (status = 202, body = Bag),
        (status = 400, body = FailureBody),
        (status = 403, body = FailureBody),
        (status = 404, body = FailureBody),
        (status = 409, body = FailureBody)
    )
)]
pub(crate) async fn make(
    State(app): State<App>,
    Path(car): Path<String>,
    wish: Result<Json<Wish>, JsonRejection>,
) -> Result<(StatusCode, Json<Bag>), Failure> {
    let Json(wish) = wish.map_err(|error| {
        Failure::parameter("the body", &error.body_text(), "JSON that says what is wanted")
    })?;
    let wanted = wish.wanted()?;
    app.ask(move |desk| {
        query::car(desk, &car)?;
        Ok((StatusCode::ACCEPTED, Json(desk.evidence().make(&car, wanted)?)))
    })
    .await
}

/// Stops a bag that is being made: nothing of it is kept.
#[utoipa::path(
    post,
    path = "/api/v1/cars/{car}/evidence/{number}/stop",
    tag = "evidence",
    params(
        ("car" = String, Path, description = "The car's id"),
        ("number" = u32, Path, description = "The bag's number")
    ),
    responses(
        (status = 202, body = Bag),
        (status = 404, body = FailureBody),
        (status = 409, body = FailureBody)
    )
)]
pub(crate) async fn stop(
    State(app): State<App>,
    Path((car, number)): Path<(String, String)>,
) -> Result<(StatusCode, Json<Bag>), Failure> {
    app.ask(move |desk| Ok((StatusCode::ACCEPTED, Json(stopped(desk, &car, &number)?)))).await
}

/// The bag as it stands once it was told to stop.
pub(crate) fn stopped(desk: &Desk, car: &str, number: &str) -> Result<Bag, Failure> {
    query::car(desk, car)?;
    let find = || desk.evidence().bags(car).into_iter().find(|bag| bag.number.to_string() == number);
    let bag = find().ok_or_else(|| Failure::unknown_bag(number))?;
    if !desk.evidence().stop(car, bag.number) {
        return Err(Failure::refused("This bag is not being made any more. Look at its page of evidence."));
    }
    find().ok_or_else(|| Failure::unknown_bag(number))
}

/// A bag that is made, as a zip.
#[utoipa::path(
    get,
    path = "/api/v1/cars/{car}/evidence/{number}/bag.zip",
    tag = "evidence",
    params(
        ("car" = String, Path, description = "The car's id"),
        ("number" = u32, Path, description = "The bag's number")
    ),
    responses(
        (status = 200, body = Vec<u8>, content_type = "application/zip"),
        (status = 404, body = FailureBody),
        (status = 409, body = FailureBody)
    )
)]
pub(crate) async fn zip(
    State(app): State<App>,
    Path((car, number)): Path<(String, String)>,
) -> Result<Response, Failure> {
    let (from, size, name) = app
        .ask(move |desk| {
            query::car(desk, &car)?;
            let bags = desk.evidence().bags(&car);
            let bag = bags.iter().find(|bag| bag.number.to_string() == number);
            let bag = bag.ok_or_else(|| Failure::unknown_bag(&number))?;
            if bag.stage != Stage::Made {
                return Err(Failure::refused(&bag.says));
            }
            let (from, size) =
                desk.evidence().open(&car, bag.number).ok_or_else(|| Failure::unknown_bag(&number))?;
            Ok((from, size, format!("evidence-{car}-{}.zip", bag.number)))
        })
        .await?;
    let headers = [
        (header::CONTENT_TYPE, "application/zip".to_owned()),
        (header::CONTENT_LENGTH, size.to_string()),
        (header::CONTENT_DISPOSITION, format!("attachment; filename=\"{name}\"")),
    ];
    Ok((headers, Body::from_stream(pieces(from))).into_response())
}

const PIECE: usize = 64 * 1024;

/// What there is to read, in pieces; read on a thread that may block, no faster than it is taken.
fn pieces(mut from: Box<dyn Read + Send>) -> ReceiverStream<Result<Bytes, io::Error>> {
    let (sender, receiver) = tokio::sync::mpsc::channel(4);
    tokio::task::spawn_blocking(move || {
        let mut piece = vec![0; PIECE];
        loop {
            let sent = match from.read(&mut piece) {
                Ok(0) => return,
                Ok(n) => sender.blocking_send(Ok(Bytes::copy_from_slice(&piece[..n]))),
                Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
                Err(error) => {
                    let _ = sender.blocking_send(Err(error));
                    return;
                }
            };
            if sent.is_err() {
                return;
            }
        }
    });
    ReceiverStream::new(receiver)
}

/// The public key that bags are verified with, in PEM.
///
/// Hand it out by another way than the bags: whoever has only what came together can't tell who signed.
#[utoipa::path(
    get,
    path = "/api/v1/evidence/public.pem",
    tag = "evidence",
    responses((status = 200, body = String, content_type = "application/x-pem-file"))
)]
pub(crate) async fn key(State(app): State<App>) -> Result<Response, Failure> {
    let pem = app.ask(|desk| Ok(desk.evidence().key().map_err(Failure::internal)?.1)).await?;
    let headers = [
        (header::CONTENT_TYPE, "application/x-pem-file"),
        (header::CONTENT_DISPOSITION, "attachment; filename=\"public.pem\""),
    ];
    Ok((headers, pem).into_response())
}
