//! Each step's time over the cycles.

use axum::Json;
use axum::extract::{Path, State};
use foldwatch_report::rfc3339;
use foldwatch_trend::{Forecast, words};
use serde::Serialize;

use crate::app::App;
use crate::failure::{Failure, FailureBody};
use crate::query::{self, StepTrend};

/// One step's time over the cycles.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub(crate) struct Trend {
    /// `opening` or `closing`.
    direction: String,
    /// Its place in the sequence, from 0.
    index: usize,
    /// Its name.
    phase: String,
    /// Longer than this at reference conditions is slow, in seconds.
    limit_s: f64,
    /// The newest cycles, oldest first.
    points: Vec<TrendPoint>,
    /// Runs left out because their time can't be corrected.
    left_out: usize,
    /// Service entries, RFC 3339, UTC, with what was done.
    services: Vec<(String, String)>,
    /// Where the time stands now, in seconds at reference conditions; since the last change or service.
    level_s: Option<f64>,
    /// Change of the time in seconds per 100 cycles: best value, lower and upper end of the 95 % interval.
    slope_s_per_100_cycles: Option<(f64, f64, f64)>,
    /// When the limit will be crossed, in words.
    forecast: Option<String>,
    /// Not before this moment, RFC 3339, UTC (1 in 20 that it is earlier).
    not_before: Option<String>,
    /// Not after this moment, RFC 3339, UTC (1 in 20 that it is later).
    not_after: Option<String>,
}

/// One cycle's time of a step.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub(crate) struct TrendPoint {
    /// The car's count of cycles.
    cycle: u64,
    /// Start of the cycle, RFC 3339, UTC.
    start: String,
    /// At reference conditions, in seconds.
    corrected_s: f64,
    /// As measured, in seconds.
    duration_s: f64,
}

/// The trend of every step of a car, opening first. Times are at reference oil temperature and supply.
#[utoipa::path(
    get,
    path = "/api/v1/cars/{car}/trend",
    tag = "cars",
    params(("car" = String, Path, description = "The car's id")),
    responses((status = 200, body = Vec<Trend>), (status = 404, body = FailureBody))
)]
pub(crate) async fn trend(
    State(app): State<App>,
    Path(car): Path<String>,
) -> Result<Json<Vec<Trend>>, Failure> {
    app.ask(move |desk| {
        let view = query::car(desk, &car)?;
        Ok(Json(query::trends(desk, &view)?.into_iter().map(Trend::from).collect()))
    })
    .await
}

impl From<StepTrend> for Trend {
    fn from(trend: StepTrend) -> Trend {
        let assessment = trend.assessment.as_ref();
        let (not_before, not_after) = match assessment.map(|a| a.forecast) {
            Some(Forecast::Likely { earliest, latest, .. }) => (Some(earliest.at), Some(latest.at)),
            Some(Forecast::NotBefore { earliest }) => (Some(earliest.at), None),
            _ => (None, None),
        };
        Trend {
            direction: trend.direction.to_string(),
            index: trend.index,
            limit_s: trend.limit_s,
            left_out: trend.left_out,
            services: trend.services.iter().map(|s| (rfc3339(s.at), s.what.clone())).collect(),
            level_s: assessment.map(|a| a.level),
            slope_s_per_100_cycles: assessment.and_then(|a| a.slope).map(|s| {
                let per = s.per_100_cycles;
                (per.value, per.low, per.high)
            }),
            forecast: assessment.map(|a| words::forecast(&a.forecast, trend.now)),
            not_before: not_before.map(rfc3339),
            not_after: not_after.map(rfc3339),
            points: trend
                .points
                .iter()
                .map(|p| TrendPoint {
                    cycle: p.cycle,
                    start: rfc3339(p.at),
                    corrected_s: p.value,
                    duration_s: p.raw,
                })
                .collect(),
            phase: trend.name,
        }
    }
}
