//! Commissioning and guided tests: begun, looked at, answered, ended.

use axum::Json;
use axum::extract::rejection::JsonRejection;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use foldwatch_guide::Kind;
use foldwatch_report::rfc3339;
use serde::{Deserialize, Serialize};

use crate::app::App;
use crate::failure::{Failure, FailureBody};
use crate::gate::{self, Who};
use crate::guide::{self, GuideNow};
use crate::query;

/// The tests of a car.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub(crate) struct GuideRow {
    /// The one that is under way.
    under_way: Option<TestRow>,
    /// Those that there are.
    tests: Vec<OfferRow>,
}

/// A test that can be begun.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub(crate) struct OfferRow {
    /// `commissioning`, `hold-test`, `supply-under-load`, `end-switches`, `bleeding`.
    test: &'static str,
    /// Its name for people.
    title: &'static str,
    /// What it is for.
    purpose: &'static str,
    /// About how long it takes, in minutes.
    minutes: u32,
    /// When it was last kept with this car, RFC 3339, UTC.
    last_at: Option<String>,
    /// What it gave then: `passed`, `passed-with-remarks`, `failed`, `broken-off`.
    last_result: Option<String>,
}

/// A test that is under way.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub(crate) struct TestRow {
    /// Which.
    test: &'static str,
    /// Who began it.
    by: String,
    /// All its steps, in order.
    steps: Vec<StepRow>,
    /// The step that is due, from 0; as many as there are steps: all are answered.
    at: usize,
    /// What to do in it; null: all are answered.
    does: Option<String>,
    /// What can hurt in it; empty: nothing.
    caution: &'static str,
    /// What may be said of it: `did-not`, `wrong-way`, `skip`, `again`. What the signals show is seen by itself.
    answers: Vec<&'static str>,
    /// What is seen just now, in a sentence.
    says: String,
    /// foldwatch was started anew while this step was due: it begins again.
    resumed: bool,
    /// What would be kept: `passed`, `passed-with-remarks`, `failed`, `broken-off`.
    result: &'static str,
}

/// A step of a test.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub(crate) struct StepRow {
    /// Its name.
    name: String,
    /// `passed`, `left-out`, `remark` or `failed`, once it is answered.
    grade: Option<&'static str>,
    /// What was seen in it.
    says: Option<String>,
}

/// Which test to begin.
#[derive(Debug, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Begun {
    /// `commissioning`, `hold-test`, `supply-under-load`, `end-switches`, `bleeding`.
    test: String,
}

/// What a person says of a step, that no signal tells.
#[derive(Debug, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Said {
    /// The step that is spoken of, from 0: one that is over meanwhile is not answered twice.
    at: usize,
    /// One of the step's `answers`.
    answer: String,
}

/// How to end a test.
#[derive(Debug, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Stopped {
    /// Whether what was seen is kept with the car, as an entry of its record.
    keep: bool,
    /// Who did it; left out: whoever is signed in, or the token's name.
    #[serde(default)]
    author: String,
}

/// What came of a test.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub(crate) struct EndedRow {
    /// Which.
    test: &'static str,
    /// `passed`, `passed-with-remarks`, `failed`, `broken-off`.
    result: &'static str,
    /// A line a step.
    text: String,
    /// It stands in the car's record.
    kept: bool,
}

impl From<GuideNow> for TestRow {
    fn from(now: GuideNow) -> TestRow {
        let step = |(name, answer): (String, Option<(&'static str, String)>)| {
            let (grade, says) = answer.unzip();
            StepRow { name, grade, says }
        };
        TestRow {
            test: now.kind.as_str(),
            by: now.by,
            steps: now.steps.into_iter().map(step).collect(),
            at: now.at,
            does: now.does,
            caution: now.caution,
            answers: now.presses.iter().map(|press| press.as_str()).collect(),
            says: now.says,
            resumed: now.resumed,
            result: now.record.result,
        }
    }
}

fn json<T>(body: Result<Json<T>, JsonRejection>, right: &str) -> Result<T, Failure> {
    body.map(|Json(body)| body).map_err(|error| Failure::parameter("the body", &error.body_text(), right))
}

/// The tests of a car: the one under way as it stands, and what there is to begin.
#[utoipa::path(
    get,
    path = "/api/v1/cars/{car}/guide",
    tag = "guide",
    params(("car" = String, Path, description = "The car's id")),
    responses((status = 200, body = GuideRow), (status = 404, body = FailureBody))
)]
pub(crate) async fn state(
    State(app): State<App>,
    Path(car): Path<String>,
) -> Result<Json<GuideRow>, Failure> {
    app.ask(move |desk| {
        query::car(desk, &car)?;
        let last = guide::last(desk, &car)?;
        let offer = |kind: Kind| {
            let last = last.iter().find(|(k, _)| *k == kind).map(|(_, entry)| entry);
            OfferRow {
                test: kind.as_str(),
                title: kind.title(),
                purpose: kind.purpose(),
                minutes: kind.minutes(),
                last_at: last.map(|entry| rfc3339(entry.at)),
                last_result: last.map(|entry| entry.result.clone()),
            }
        };
        let under_way = desk.guides().now(&car).map(TestRow::from);
        Ok(Json(GuideRow { under_way, tests: Kind::ALL.map(offer).into() }))
    })
    .await
}

/// Begins a test. It watches the car's signals by itself; ask for its state, or listen to the car's live events.
#[utoipa::path(
    post,
    path = "/api/v1/cars/{car}/guide",
    tag = "guide",
    params(("car" = String, Path, description = "The car's id")),
    request_body = Begun,
    responses(
        (status = 201, body = TestRow),
        (status = 400, body = FailureBody),
        (status = 404, body = FailureBody),
        (status = 409, body = FailureBody)
    )
)]
pub(crate) async fn begin(
    State(app): State<App>,
    Path(car): Path<String>,
    Who(caller): Who,
    body: Result<Json<Begun>, JsonRejection>,
) -> Result<(StatusCode, Json<TestRow>), Failure> {
    let begun = json(body, "JSON with test")?;
    app.ask(move |desk| {
        query::car(desk, &car)?;
        guide::begin(desk, &car, &begun.test, &caller.name)?;
        Ok((StatusCode::CREATED, Json(guide::under_way(desk, &car)?.into())))
    })
    .await
}

/// Takes a person's word on the step that is due.
#[utoipa::path(
    post,
    path = "/api/v1/cars/{car}/guide/answer",
    tag = "guide",
    params(("car" = String, Path, description = "The car's id")),
    request_body = Said,
    responses(
        (status = 200, body = TestRow),
        (status = 400, body = FailureBody),
        (status = 404, body = FailureBody),
        (status = 409, body = FailureBody)
    )
)]
pub(crate) async fn answer(
    State(app): State<App>,
    Path(car): Path<String>,
    body: Result<Json<Said>, JsonRejection>,
) -> Result<Json<TestRow>, Failure> {
    let said = json(body, "JSON with at and answer")?;
    app.ask(move |desk| {
        query::car(desk, &car)?;
        if !guide::press(desk, &car, Some(said.at), &said.answer)? {
            return Err(Failure::step_over());
        }
        Ok(Json(guide::under_way(desk, &car)?.into()))
    })
    .await
}

/// Ends the test that is under way, and keeps what it gave with the car or not.
#[utoipa::path(
    post,
    path = "/api/v1/cars/{car}/guide/stop",
    tag = "guide",
    params(("car" = String, Path, description = "The car's id")),
    request_body = Stopped,
    responses(
        (status = 200, body = EndedRow),
        (status = 400, body = FailureBody),
        (status = 404, body = FailureBody),
        (status = 409, body = FailureBody)
    )
)]
pub(crate) async fn stop(
    State(app): State<App>,
    Path(car): Path<String>,
    Who(caller): Who,
    body: Result<Json<Stopped>, JsonRejection>,
) -> Result<Json<EndedRow>, Failure> {
    let stopped = json(body, "JSON with keep")?;
    let author = gate::author(&stopped.author, &caller);
    app.ask(move |desk| {
        query::car(desk, &car)?;
        let record = if stopped.keep {
            guide::keep(desk, &car, &author)?
        } else {
            let now = guide::under_way(desk, &car)?;
            desk.guides().end(&car);
            now.record
        };
        Ok(Json(EndedRow {
            test: record.subject,
            result: record.result,
            text: record.text,
            kept: stopped.keep,
        }))
    })
    .await
}
