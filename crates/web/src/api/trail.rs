//! Who did what.

use axum::Json;
use axum::extract::State;

use crate::app::App;
use crate::door::Deed;
use crate::failure::{Asked, Failure, FailureBody};

#[derive(Debug, serde::Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
pub(crate) struct TrailAsked {
    /// So many of the newest, 1 to 1000; 100 where nothing is said.
    count: Option<usize>,
}

/// Who did what: sign-ins, refusals, and everything that was entered. For those who administer.
#[utoipa::path(
    get,
    path = "/api/v1/trail",
    tag = "machine",
    params(TrailAsked),
    responses((status = 200, body = Vec<Deed>), (status = 400, body = FailureBody))
)]
pub(crate) async fn trail(
    State(app): State<App>,
    Asked(asked): Asked<TrailAsked>,
) -> Result<Json<Vec<Deed>>, Failure> {
    let count = asked.count.unwrap_or(100);
    if !(1..=1000).contains(&count) {
        return Err(Failure::parameter("count", &count.to_string(), "1 to 1000"));
    }
    let trail = std::sync::Arc::clone(app.door().trail());
    let newest = tokio::task::spawn_blocking(move || trail.newest(count)).await.map_err(Failure::internal)?;
    newest.map(Json).map_err(Failure::internal)
}
