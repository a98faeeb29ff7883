//! Cycles, their traces and findings.

use axum::Json;
use axum::extract::{Path, State};
use foldwatch_report::{Cycle, rfc3339};
use foldwatch_store::{CycleQuery, FindingQuery};
use foldwatch_units::Direction;
use serde::{Deserialize, Serialize};

use super::cars::CycleRow;
use crate::app::App;
use crate::failure::{Asked, Failure, FailureBody};
use crate::query::{self, weight_of, weight_word};
use crate::reference;
use crate::traces::{MOST_POINTS, Traces};

/// Which cycles, newest first.
#[derive(Debug, Default, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
pub(crate) struct Wanted {
    /// That began at or after this moment, RFC 3339.
    from: Option<String>,
    /// That began before this moment, RFC 3339. For the next page: `next` of the page before.
    until: Option<String>,
    /// `opening` or `closing`.
    direction: Option<String>,
    /// That ended so: `completed`, `refused`, `stopped-by-operator`, ...
    outcome: Option<String>,
    /// With a finding of this kind: `slow-phase`, ...
    kind: Option<String>,
    /// With a finding of at least this weight: `note`, `attend` or `stop-using`.
    weight: Option<String>,
    /// No more than this: 1 to 500, 100 if not given.
    limit: Option<u32>,
}

impl Wanted {
    fn query(&self, car: String) -> Result<CycleQuery, Failure> {
        let direction = match self.direction.as_deref() {
            None | Some("") => None,
            Some("opening") => Some(Direction::Opening),
            Some("closing") => Some(Direction::Closing),
            Some(other) => return Err(Failure::parameter("direction", other, "opening or closing")),
        };
        let span = query::span(self.from.as_deref(), self.until.as_deref())?;
        let outcome = self.outcome.clone().filter(|o| !o.is_empty());
        let limit = limit(self.limit)?;
        let worst = weight(self.weight.as_deref())?;
        Ok(CycleQuery { car: Some(car), span, direction, outcome, worst, newest_first: true, limit })
    }
}

fn limit(limit: Option<u32>) -> Result<u32, Failure> {
    match limit.unwrap_or(100) {
        n @ 1..=500 => Ok(n),
        n => Err(Failure::parameter("limit", &n.to_string(), "1 to 500")),
    }
}

fn weight(word: Option<&str>) -> Result<Option<foldwatch_store::Weight>, Failure> {
    let right = "note, attend or stop-using";
    word.filter(|w| !w.is_empty())
        .map(|w| weight_of(w).ok_or_else(|| Failure::parameter("weight", w, right)))
        .transpose()
}

/// A page of cycles.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub(crate) struct Cycles {
    /// Newest first.
    cycles: Vec<CycleRow>,
    /// Ask again with this as `until` for the next page; null: there are no more.
    next: Option<String>,
}

/// The cycles of a car.
#[utoipa::path(
    get,
    path = "/api/v1/cars/{car}/cycles",
    tag = "cycles",
    params(("car" = String, Path, description = "The car's id"), Wanted),
    responses((status = 200, body = Cycles), (status = 400, body = FailureBody), (status = 404, body = FailureBody))
)]
pub(crate) async fn cycles(
    State(app): State<App>,
    Path(car): Path<String>,
    Asked(wanted): Asked<Wanted>,
) -> Result<Json<Cycles>, Failure> {
    app.ask(move |desk| {
        let view = query::car(desk, &car)?;
        let query = wanted.query(view.car.id)?;
        let list = query::cycles(desk, &query, wanted.kind.as_deref().filter(|k| !k.is_empty()))?;
        let full = list.len() >= query.limit as usize;
        let next = list.last().filter(|_| full).map(|c| rfc3339(c.start));
        Ok(Json(Cycles { cycles: list.into_iter().map(CycleRow::from).collect(), next }))
    })
    .await
}

/// One cycle with its steps, measures and findings.
#[utoipa::path(
    get,
    path = "/api/v1/cars/{car}/cycles/{start}",
    tag = "cycles",
    params(
        ("car" = String, Path, description = "The car's id"),
        ("start" = String, Path, description = "Start of the cycle, RFC 3339")
    ),
    responses((status = 200, body = Cycle), (status = 404, body = FailureBody))
)]
pub(crate) async fn cycle(
    State(app): State<App>,
    Path((car, start)): Path<(String, String)>,
) -> Result<Json<Cycle>, Failure> {
    app.ask(move |desk| {
        let view = query::car(desk, &car)?;
        query::cycle(desk, &view.car.id, &start).map(Json)
    })
    .await
}

/// Which part of the traces.
#[derive(Debug, Default, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
pub(crate) struct Window {
    /// From here on, in seconds from the cycle's start; from shortly before it if not given.
    from_s: Option<f64>,
    /// Up to here, in seconds from the cycle's start; to shortly after its end if not given.
    until_s: Option<f64>,
    /// At most so many points of each signal: 4 to 20000, 1000 if not given.
    points: Option<usize>,
    /// With a sound earlier cycle beside it.
    #[serde(default)]
    reference: bool,
}

/// The longest stretch of traces in one answer, in seconds.
const LONGEST_S: f64 = 3600.0;

/// What was recorded of a cycle. Ask with a narrower window for a finer picture of it.
#[utoipa::path(
    get,
    path = "/api/v1/cars/{car}/cycles/{start}/traces",
    tag = "cycles",
    params(
        ("car" = String, Path, description = "The car's id"),
        ("start" = String, Path, description = "Start of the cycle, RFC 3339"),
        Window
    ),
    responses((status = 200, body = Traces), (status = 400, body = FailureBody), (status = 404, body = FailureBody))
)]
pub(crate) async fn traces(
    State(app): State<App>,
    Path((car, start)): Path<(String, String)>,
    Asked(window): Asked<Window>,
) -> Result<Json<Traces>, Failure> {
    app.ask(move |desk| {
        let view = query::car(desk, &car)?;
        let cycle = query::cycle(desk, &view.car.id, &start)?;
        let ends = [("from_s", window.from_s), ("until_s", window.until_s)];
        if let Some((name, Some(end))) = ends.into_iter().find(|(_, end)| end.is_some_and(|s| !s.is_finite()))
        {
            return Err(Failure::parameter(name, &end.to_string(), "a number of seconds"));
        }
        let (begin, first, last) = reference::stretch(&cycle);
        let from = window.from_s.unwrap_or((first - begin).0);
        let until = window.until_s.unwrap_or((last - begin).0);
        let length = until - from;
        if !(length > 0.0 && length <= LONGEST_S) {
            let right = "after from_s, and at most an hour";
            return Err(Failure::parameter("until_s", &length.to_string(), right));
        }
        let points = window.points.unwrap_or(1000);
        if !(4..=MOST_POINTS).contains(&points) {
            return Err(Failure::parameter("points", &points.to_string(), "4 to 20000"));
        }
        let traces = reference::traces(desk, &view, &cycle, (from, until), points, window.reference)?;
        traces.map(Json).map_err(Failure::no_samples)
    })
    .await
}

/// Which findings, newest first.
#[derive(Debug, Default, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
pub(crate) struct WantedFindings {
    /// At or after this moment, RFC 3339.
    from: Option<String>,
    /// Before this moment, RFC 3339.
    until: Option<String>,
    /// Of this kind: `slow-phase`, ...
    kind: Option<String>,
    /// Of at least this weight: `note`, `attend` or `stop-using`.
    weight: Option<String>,
    /// No more than this: 1 to 500, 100 if not given.
    limit: Option<u32>,
}

/// A finding in a list.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub(crate) struct FindingRow {
    /// Start of its cycle, RFC 3339, UTC; null: it belongs to none.
    cycle: Option<String>,
    /// Its plain name.
    kind: String,
    /// `note`, `attend` or `stop-using`.
    weight: &'static str,
    /// The step it is about.
    phase: Option<String>,
    /// The signal it is about.
    signal: Option<String>,
    /// When, RFC 3339, UTC.
    at: String,
    /// How much.
    value: Option<f64>,
    /// Against which limit.
    limit: Option<f64>,
    /// The unit of both.
    unit: String,
    /// The sentence for the technician.
    message: String,
}

/// The findings of a car.
#[utoipa::path(
    get,
    path = "/api/v1/cars/{car}/findings",
    tag = "cycles",
    params(("car" = String, Path, description = "The car's id"), WantedFindings),
    responses((status = 200, body = Vec<FindingRow>), (status = 400, body = FailureBody), (status = 404, body = FailureBody))
)]
pub(crate) async fn findings(
    State(app): State<App>,
    Path(car): Path<String>,
    Asked(wanted): Asked<WantedFindings>,
) -> Result<Json<Vec<FindingRow>>, Failure> {
    app.ask(move |desk| {
        let view = query::car(desk, &car)?;
        let query = FindingQuery {
            car: Some(view.car.id),
            span: query::span(wanted.from.as_deref(), wanted.until.as_deref())?,
            kind: wanted.kind.filter(|k| !k.is_empty()),
            weight: weight(wanted.weight.as_deref())?,
            limit: limit(wanted.limit)?,
        };
        let row = |row: foldwatch_store::FindingRow| FindingRow {
            cycle: row.cycle.map(rfc3339),
            kind: row.finding.kind,
            weight: weight_word(row.finding.weight),
            phase: row.finding.phase,
            signal: row.finding.signal,
            at: rfc3339(row.finding.at),
            value: row.finding.value,
            limit: row.finding.limit,
            unit: row.finding.unit,
            message: row.finding.message,
        };
        Ok(Json(desk.catalogue.findings(&query)?.into_iter().map(row).collect()))
    })
    .await
}
