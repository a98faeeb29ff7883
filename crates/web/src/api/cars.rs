//! Cars and their loggers.

use axum::Json;
use axum::extract::{Path, State};
use foldwatch_report::rfc3339;
use foldwatch_store::CycleQuery;
use serde::Serialize;

use crate::app::App;
use crate::failure::{Failure, FailureBody};
use crate::live::PortState;
use crate::query::{self, weight_word};

/// A car.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub(crate) struct Car {
    /// Short name, for addresses.
    id: String,
    /// Name for people.
    name: String,
    /// Id of its roof profile.
    profile: String,
    /// Its newest cycle.
    newest_cycle: Option<CycleRow>,
}

/// A cycle in a list.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub(crate) struct CycleRow {
    /// Its car.
    car: String,
    /// First drive, RFC 3339, UTC. With the car, where the cycle is found.
    start: String,
    /// Last drive, RFC 3339, UTC.
    end: String,
    /// `opening` or `closing`.
    direction: String,
    /// How it ended.
    outcome: String,
    /// How many findings it has.
    findings: u32,
    /// The heaviest of them: `note`, `attend` or `stop-using`.
    worst: Option<&'static str>,
}

impl From<foldwatch_store::CycleSummary> for CycleRow {
    fn from(cycle: foldwatch_store::CycleSummary) -> CycleRow {
        CycleRow {
            car: cycle.car,
            start: rfc3339(cycle.start),
            end: rfc3339(cycle.end),
            direction: cycle.direction.to_string(),
            outcome: cycle.outcome,
            findings: cycle.findings,
            worst: cycle.worst.map(weight_word),
        }
    }
}

/// One car with its roof.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub(crate) struct CarDetail {
    /// Short name, for addresses.
    id: String,
    /// Name for people.
    name: String,
    /// Id of its roof profile.
    profile: String,
    /// The roof's name.
    roof: String,
    /// Its signals.
    signals: Vec<Signal>,
    /// Its steps, opening first.
    steps: Vec<Step>,
}

/// A signal of a roof.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub(crate) struct Signal {
    /// Its id.
    id: String,
    /// Its name for people.
    label: String,
    /// What it is.
    kind: &'static str,
    /// The unit of its numbers; empty for on or off.
    unit: &'static str,
}

/// A step of a roof's sequence.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub(crate) struct Step {
    /// `opening` or `closing`.
    direction: String,
    /// Its place in the sequence, from 0.
    index: usize,
    /// Its name.
    name: String,
    /// What it should take at reference conditions, in seconds.
    expected_s: f64,
    /// Longer than this at reference conditions is slow, in seconds.
    limit_s: f64,
}

/// Every car.
#[utoipa::path(get, path = "/api/v1/cars", tag = "cars", responses((status = 200, body = Vec<Car>)))]
pub(crate) async fn cars(State(app): State<App>) -> Result<Json<Vec<Car>>, Failure> {
    app.ask(|desk| {
        let mut cars = Vec::new();
        for car in desk.catalogue.cars()? {
            let query = CycleQuery { car: Some(car.id.clone()), limit: 1, ..CycleQuery::default() };
            let newest_cycle = desk.catalogue.cycles(&query)?.pop().map(CycleRow::from);
            cars.push(Car { id: car.id, name: car.name, profile: car.profile, newest_cycle });
        }
        Ok(Json(cars))
    })
    .await
}

/// One car, the signals and steps of its roof.
#[utoipa::path(
    get,
    path = "/api/v1/cars/{car}",
    tag = "cars",
    params(("car" = String, Path, description = "The car's id")),
    responses((status = 200, body = CarDetail), (status = 404, body = FailureBody))
)]
pub(crate) async fn car(State(app): State<App>, Path(car): Path<String>) -> Result<Json<CarDetail>, Failure> {
    app.ask(move |desk| {
        let view = query::car(desk, &car)?;
        let steps = [foldwatch_units::Direction::Opening, foldwatch_units::Direction::Closing]
            .into_iter()
            .flat_map(|direction| {
                view.profile.sequence(direction).iter().enumerate().map(move |(index, phase)| Step {
                    direction: direction.to_string(),
                    index,
                    name: phase.name.clone(),
                    expected_s: phase.expected.0,
                    limit_s: phase.limit.0,
                })
            })
            .collect();
        let signals = view
            .profile
            .signals
            .iter()
            .map(|s| Signal {
                id: s.id.clone(),
                label: s.label.clone(),
                kind: s.kind.as_str(),
                unit: s.unit.symbol,
            })
            .collect();
        Ok(Json(CarDetail {
            id: view.car.id,
            name: view.car.name,
            profile: view.car.profile,
            roof: view.profile.name.clone(),
            signals,
            steps,
        }))
    })
    .await
}

/// Loggers and the ports they hang on.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub(crate) struct Loggers {
    /// Every logger that was ever attached to a car.
    loggers: Vec<Logger>,
    /// Every port that is listened to.
    ports: Vec<PortState>,
}

/// A logger.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub(crate) struct Logger {
    /// Its id.
    id: String,
    /// The car that it is attached to.
    car: String,
    /// Since when, RFC 3339, UTC.
    attached: String,
    /// When its latest frame came, by the host's clock; RFC 3339, UTC.
    last_seen: Option<String>,
}

/// Loggers and ports, and how they are.
#[utoipa::path(get, path = "/api/v1/loggers", tag = "cars", responses((status = 200, body = Loggers)))]
pub(crate) async fn loggers(State(app): State<App>) -> Result<Json<Loggers>, Failure> {
    let ports = app.hub().ports();
    let loggers = app
        .ask(|desk| {
            let logger = |l: foldwatch_store::Logger| Logger {
                id: l.id,
                car: l.car,
                attached: rfc3339(l.attached),
                last_seen: l.last_seen.map(rfc3339),
            };
            Ok(desk.catalogue.loggers()?.into_iter().map(logger).collect())
        })
        .await?;
    Ok(Json(Loggers { loggers, ports }))
}
