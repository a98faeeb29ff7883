//! Each number of a car over the cycles.

use axum::Json;
use axum::extract::{Path, State};
use foldwatch_report::rfc3339;
use foldwatch_report::trend::{Of, Trend};
use serde::Serialize;

use crate::app::App;
use crate::failure::{Failure, FailureBody};
use crate::query::{self, CarTrend, CarTrends};

/// What is followed of a car.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub(crate) struct Trends {
    /// The newest cycle, RFC 3339, UTC: the moment that forecasts are seen from. Null without a cycle.
    as_of: Option<String>,
    /// Work that was done; what follows it is judged by itself.
    services: Vec<Work>,
    /// By direction, each step's time and use of the delivery, then the numbers of the whole cycle.
    series: Vec<OneTrend>,
}

/// Work that was done.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub(crate) struct Work {
    /// When, RFC 3339, UTC.
    at: String,
    /// What.
    what: String,
}

/// One number over the cycles.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub(crate) struct OneTrend {
    /// What it is of.
    of: Of,
    /// What it is held against, in its unit.
    #[serde(skip_serializing_if = "Option::is_none")]
    limit: Option<f64>,
    /// The newest cycles, oldest first.
    points: Vec<TrendPoint>,
    /// Runs left out because their time can't be corrected.
    left_out: usize,
    /// Where it stands and where it goes; left out where nothing was measured since the last work.
    #[serde(skip_serializing_if = "Option::is_none")]
    trend: Option<Trend>,
}

/// One cycle's number.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub(crate) struct TrendPoint {
    /// The count of cycles of its direction.
    cycle: u64,
    /// Start of the cycle, RFC 3339, UTC.
    start: String,
    /// At reference conditions.
    corrected: f64,
    /// As measured.
    measured: f64,
}

/// Everything that is followed of a car: steps' times, use of the delivery, hold, run-on; at reference conditions.
#[utoipa::path(
    get,
    path = "/api/v1/cars/{car}/trend",
    tag = "cars",
    params(("car" = String, Path, description = "The car's id")),
    responses((status = 200, body = Trends), (status = 404, body = FailureBody))
)]
pub(crate) async fn trend(State(app): State<App>, Path(car): Path<String>) -> Result<Json<Trends>, Failure> {
    app.ask(move |desk| {
        let view = query::car(desk, &car)?;
        Ok(Json(Trends::from(query::trends(desk, &view)?)))
    })
    .await
}

impl From<CarTrends> for Trends {
    fn from(found: CarTrends) -> Trends {
        Trends {
            as_of: found.now.map(rfc3339),
            services: found
                .services
                .into_iter()
                .map(|service| Work { at: rfc3339(service.at), what: service.what })
                .collect(),
            series: found.numbers.into_iter().map(OneTrend::from).collect(),
        }
    }
}

impl From<CarTrend> for OneTrend {
    fn from(number: CarTrend) -> OneTrend {
        let point = |p: &foldwatch_trend::Point| TrendPoint {
            cycle: p.cycle,
            start: rfc3339(p.at),
            corrected: p.value,
            measured: p.raw,
        };
        OneTrend {
            points: number.points.iter().map(point).collect(),
            of: number.of,
            limit: number.limit,
            left_out: number.left_out,
            trend: number.trend,
        }
    }
}
