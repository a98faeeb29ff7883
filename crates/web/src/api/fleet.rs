//! Every car's trend: which comes first; and one car before against after.

use axum::Json;
use axum::extract::{Path, Query, State};
use foldwatch_fleet::{Asked, CarRow, List, Order, load, load_split};
use foldwatch_report::rfc3339;
use foldwatch_report::trend::Compared;
use serde::{Deserialize, Serialize};

use crate::app::App;
use crate::failure::{Failure, FailureBody};
use crate::query;

/// Cars where no number is asked for.
const USUAL_ROWS: usize = 100;

/// Which cars, in which order.
#[derive(Debug, Clone, Default, Deserialize, utoipa::IntoParams)]
pub(crate) struct FleetAsked {
    /// `days`: the fewest expected days to a limit first (if not given); `risk`: the highest risk first.
    pub order: Option<String>,
    /// Only this group.
    pub group: Option<String>,
    /// Only this kind: the id of a profile.
    pub kind: Option<String>,
    /// No more cars than this; 100 if not given.
    pub limit: Option<usize>,
}

impl FleetAsked {
    /// As the fleet takes it.
    pub fn asked(&self) -> Result<Asked, Failure> {
        let order = match self.order.as_deref() {
            None | Some("" | "days") => Order::Days,
            Some("risk") => Order::Risk,
            Some(other) => return Err(Failure::parameter("order", other, "`days` or `risk`")),
        };
        let some = |text: &Option<String>| text.clone().filter(|text| !text.is_empty());
        let most = Some(self.limit.unwrap_or(USUAL_ROWS));
        Ok(Asked { group: some(&self.group), kind: some(&self.kind), order, most })
    }
}

/// The cars, worst first.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub(crate) struct FleetList {
    /// The moment that it speaks of: the newest cycle of all cars; RFC 3339, UTC.
    as_of: Option<String>,
    /// Cars whose history is still to be read.
    waiting: usize,
    /// Cars that fit what was asked; those that follow may be fewer.
    count: usize,
    /// The cars.
    cars: Vec<CarRow>,
}

/// Every car that is followed, worst first.
#[utoipa::path(
    get,
    path = "/api/v1/fleet",
    tag = "cars",
    params(FleetAsked),
    responses((status = 200, body = FleetList), (status = 400, body = FailureBody))
)]
pub(crate) async fn fleet(
    State(app): State<App>,
    Query(asked): Query<FleetAsked>,
) -> Result<Json<FleetList>, Failure> {
    let which = asked.asked()?;
    app.ask(move |desk| {
        let fleet = desk.fleet();
        let List { count, cars } = fleet.list(&which);
        Ok(Json(FleetList { as_of: fleet.now().map(rfc3339), waiting: fleet.waiting, count, cars }))
    })
    .await
}

/// The moment between before and after.
#[derive(Debug, Clone, Default, Deserialize, utoipa::IntoParams)]
pub(crate) struct CompareAsked {
    /// RFC 3339; the last service entry, if not given.
    pub at: Option<String>,
}

/// One car's numbers before against after.
pub(crate) fn compared(
    desk: &crate::app::Desk,
    view: &query::CarView,
    at: Option<&str>,
) -> Result<Vec<Compared>, Failure> {
    let (id, profile) = (view.car.id.as_str(), std::sync::Arc::clone(&view.profile));
    let book = match at.filter(|text| !text.is_empty()) {
        Some(text) => load_split(&*desk.catalogue, id, profile, crate::entries::moment(text)?)?,
        None => load(&*desk.catalogue, id, profile)?,
    };
    Ok(book.compare(id))
}

/// What a repair brought: each step's time and what else is followed, before against after. Empty where nothing was done.
#[utoipa::path(
    get,
    path = "/api/v1/cars/{car}/compare",
    tag = "cars",
    params(("car" = String, Path, description = "The car's id"), CompareAsked),
    responses((status = 200, body = Vec<Compared>), (status = 400, body = FailureBody), (status = 404, body = FailureBody))
)]
pub(crate) async fn compare(
    State(app): State<App>,
    Path(car): Path<String>,
    Query(asked): Query<CompareAsked>,
) -> Result<Json<Vec<Compared>>, Failure> {
    app.ask(move |desk| {
        let view = query::car(desk, &car)?;
        Ok(Json(compared(desk, &view, asked.at.as_deref())?))
    })
    .await
}
