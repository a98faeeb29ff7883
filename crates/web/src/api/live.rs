//! What happens now, as server-sent events.

use std::convert::Infallible;

use axum::extract::{Path, State};
use axum::response::Sse;
use axum::response::sse::{Event, KeepAlive};
use tokio_stream::wrappers::BroadcastStream;
use tokio_stream::wrappers::errors::BroadcastStreamRecvError;
use tokio_stream::{Stream, StreamExt};

use crate::app::App;
use crate::failure::{Failure, FailureBody};
use crate::live::LiveMessage;
use crate::query;

/// What happens now with one car: `samples`, `state`, `began`, `closed`, `settled` and `port`, each with a
/// `LiveMessage` as its data; `missed` with a count where the reader was too slow. The newest state comes first.
#[utoipa::path(
    get,
    path = "/api/v1/cars/{car}/live",
    tag = "live",
    params(("car" = String, Path, description = "The car's id")),
    responses(
        (status = 200, body = LiveMessage, content_type = "text/event-stream"),
        (status = 404, body = FailureBody)
    )
)]
pub(crate) async fn live(
    State(app): State<App>,
    Path(car): Path<String>,
) -> Result<Sse<impl Stream<Item = Result<Event, Infallible>>>, Failure> {
    let known = car.clone();
    app.ask(move |desk| query::car(desk, &known)).await?;
    // Subscribed before the newest state is read, so that nothing falls between the two.
    let receiver = app.hub().subscribe();
    let ports = app.hub().ports().into_iter().map(LiveMessage::Port);
    let newest: Vec<LiveMessage> =
        app.hub().state(&car).map(LiveMessage::State).into_iter().chain(ports).collect();
    let concerns = move |message: &LiveMessage| message.car().is_none_or(|about| about == car);
    let first = tokio_stream::iter(newest).map(Ok);
    let events = first.chain(BroadcastStream::new(receiver)).filter_map(move |message| match message {
        Ok(message) if concerns(&message) => Some(Ok(event(&message))),
        Ok(_) => None,
        Err(BroadcastStreamRecvError::Lagged(count)) => {
            Some(Ok(Event::default().event("missed").data(count.to_string())))
        }
    });
    Ok(Sse::new(events).keep_alive(KeepAlive::default()))
}

fn event(message: &LiveMessage) -> Event {
    match serde_json::to_string(message) {
        Ok(json) => Event::default().event(message.name()).data(json),
        Err(error) => Event::default().comment(error.to_string()),
    }
}
