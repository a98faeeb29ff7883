//! What people outside were told.

use axum::Json;
use axum::extract::State;
use foldwatch_alarm::{Delivery, Ledger, Matter, Subject, Urgency};
use foldwatch_report::rfc3339;
use serde::Serialize;

use crate::app::App;
use crate::failure::{Failure, FailureBody};

/// Every matter.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub(crate) struct Matters {
    /// Whether anybody is named who is told.
    somebody: bool,
    /// Newest first.
    matters: Vec<MatterRow>,
}

/// A matter: one message by each way, however often it shows.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub(crate) struct MatterRow {
    /// The car's id.
    pub car: String,
    /// Its name for people.
    pub name: String,
    /// `wear`, or the kind of the findings.
    pub about: String,
    /// The step of the findings.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub phase: Option<String>,
    /// Their signal.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub signal: Option<String>,
    /// Told at the first time; otherwise once it has shown in several cycles.
    pub at_once: bool,
    /// The how-many-eth time that this is a matter of the car.
    pub occasion: u32,
    /// First cycle that showed it, RFC 3339, UTC.
    pub first: String,
    /// Last cycle that showed it.
    pub last: String,
    /// Cycles that showed it.
    pub cycles: u32,
    /// A short line.
    pub title: String,
    /// Sentences.
    pub words: String,
    /// When it ended; left out while it stands.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ended: Option<String>,
    /// What became of its messages.
    pub told: Vec<TellingRow>,
}

/// What became of one message.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub(crate) struct TellingRow {
    /// The way: `mail`, or `webhook:` and a name.
    pub way: String,
    /// Tries so far.
    pub tries: u32,
    /// When it arrived.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub arrived: Option<String>,
    /// When it is tried again; left out where it is not.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub next: Option<String>,
    /// Why the last try failed.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub trouble: String,
}

impl From<&Matter> for MatterRow {
    fn from(matter: &Matter) -> Self {
        let (about, phase, signal) = match &matter.subject {
            Subject::Wear => ("wear".to_owned(), None, None),
            Subject::Trial => ("trial".to_owned(), None, None),
            Subject::Finding { kind, phase, signal } => (kind.clone(), phase.clone(), signal.clone()),
        };
        MatterRow {
            car: matter.car.clone(),
            name: matter.name.clone(),
            about,
            phase,
            signal,
            at_once: matter.urgency == Urgency::AtOnce,
            occasion: matter.occasion,
            first: rfc3339(matter.first),
            last: rfc3339(matter.last),
            cycles: matter.cycles,
            title: matter.title.clone(),
            words: matter.words.clone(),
            ended: matter.ended.map(rfc3339),
            told: matter.told.iter().map(telling).collect(),
        }
    }
}

fn telling((way, delivery): (&String, &Delivery)) -> TellingRow {
    TellingRow {
        way: way.clone(),
        tries: delivery.tries,
        arrived: delivery.arrived.map(rfc3339),
        next: delivery.next.map(rfc3339),
        trouble: delivery.trouble.clone(),
    }
}

/// Newest first.
pub(crate) fn rows(ledger: &Ledger) -> Vec<MatterRow> {
    ledger.matters().iter().rev().map(MatterRow::from).collect()
}

/// What people outside were told, and what they will be.
#[utoipa::path(
    get,
    path = "/api/v1/alarms",
    tag = "cars",
    responses((status = 200, body = Matters), (status = 503, body = FailureBody))
)]
pub(crate) async fn alarms(State(app): State<App>) -> Result<Json<Matters>, Failure> {
    app.ask(|desk| {
        let told = desk.told();
        Ok(Json(Matters {
            somebody: told.is_some(),
            matters: told.map(|ledger| rows(&ledger)).unwrap_or_default(),
        }))
    })
    .await
}
