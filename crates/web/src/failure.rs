//! What went wrong with a request: a stable code, a sentence for the reader, details for the log only.

use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use axum::Json;
use axum::extract::rejection::QueryRejection;
use axum::extract::{FromRequestParts, Query};
use axum::http::StatusCode;
use axum::http::request::Parts;
use axum::response::{IntoResponse, Response};
use foldwatch_access::Role;
use foldwatch_store::StoreError;
use serde::Serialize;
use serde::de::DeserializeOwned;

use crate::gate::with_advice;

/// An answer that could not be given.
#[derive(Debug)]
pub(crate) struct Failure {
    pub status: StatusCode,
    pub code: &'static str,
    pub message: String,
    /// It may go after so long.
    pub wait: Option<Duration>,
}

/// The parameters of a request; what can't be read of them fails as everything else does.
pub(crate) struct Asked<T>(pub T);

impl<T: DeserializeOwned, S: Sync> FromRequestParts<S> for Asked<T> {
    type Rejection = Failure;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Failure> {
        let query = Query::try_from_uri(&parts.uri).map_err(|error: QueryRejection| {
            let message = format!("The address can't be understood: {}.", error.body_text());
            Failure::new(StatusCode::BAD_REQUEST, "bad-parameter", message)
        });
        query.map(|Query(asked)| Asked(asked))
    }
}

/// How a failure looks in the API.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub(crate) struct FailureBody {
    /// Stable, for programs: `unknown-car`.
    code: &'static str,
    /// For people: what is wrong and what to do.
    message: String,
}

impl Failure {
    fn new(status: StatusCode, code: &'static str, message: impl Into<String>) -> Failure {
        Failure { status, code, message: message.into(), wait: None }
    }

    pub fn unknown_page() -> Failure {
        Failure::new(StatusCode::NOT_FOUND, "unknown-page", "There is no such page. Go back to the cars.")
    }

    pub fn unknown_car(id: &str) -> Failure {
        let message = format!("There is no car “{id}” here. Go back to the cars and pick one.");
        Failure::new(StatusCode::NOT_FOUND, "unknown-car", message)
    }

    pub fn unknown_cycle(start: &str) -> Failure {
        let message = format!(
            "This car has no cycle that began at {start}. It may have been judged anew: look at the car."
        );
        Failure::new(StatusCode::NOT_FOUND, "unknown-cycle", message)
    }

    pub fn no_profile(id: &str) -> Failure {
        let message =
            format!("The roof profile “{id}” was never entered. Enter it and start foldwatch again.");
        Failure::new(StatusCode::CONFLICT, "no-profile", message)
    }

    pub fn bad_profile(id: &str) -> Failure {
        let message =
            format!("The roof profile “{id}” can't be read. Run `foldwatch check` on it and correct it.");
        Failure::new(StatusCode::CONFLICT, "bad-profile", message)
    }

    /// A parameter of the request is not what it should be.
    pub fn parameter(name: &str, found: &str, right: &str) -> Failure {
        let message = format!("{name} is “{found}”; it should be {right}.");
        Failure::new(StatusCode::BAD_REQUEST, "bad-parameter", message)
    }

    /// A guided test that this car's roof can't carry, and why.
    pub fn cannot_test(why: &str) -> Failure {
        Failure::new(StatusCode::CONFLICT, "cannot-test", why)
    }

    /// No guided test is under way.
    pub fn no_test() -> Failure {
        let message =
            "No test is under way on this car: it was kept or dropped before, or foldwatch was started anew.";
        Failure::new(StatusCode::CONFLICT, "no-test", message)
    }

    /// The step that is spoken of is not the one that is due.
    pub fn step_over() -> Failure {
        let message = "This step is not the one that is due: the signals, or somebody else, have answered it. Look again.";
        Failure::new(StatusCode::CONFLICT, "step-over", message)
    }

    /// A page of another site tried to write here.
    pub fn foreign() -> Failure {
        let message =
            "This came from a page of another site and was not taken. Enter it on foldwatch's own page.";
        Failure::new(StatusCode::FORBIDDEN, "foreign-page", message)
    }

    pub fn unknown_bag(number: &str) -> Failure {
        let message = format!("This car has no bag “{number}”. Look at its page of evidence.");
        Failure::new(StatusCode::NOT_FOUND, "unknown-bag", message)
    }

    /// One is at work already.
    pub fn busy() -> Failure {
        let message = "Another bag is being made. Wait until it is there, and ask again.";
        Failure::new(StatusCode::CONFLICT, "busy", message)
    }

    /// It can't be done as asked, and why.
    pub fn refused(why: &str) -> Failure {
        Failure::new(StatusCode::CONFLICT, "refused", why)
    }

    /// Nobody is signed in.
    pub fn sign_in() -> Failure {
        let message = "For this somebody must be signed in. On the pages: sign in. For a program: show a token \
                       (`Authorization: Bearer TOKEN`), which `foldwatch access token` makes.";
        Failure::new(StatusCode::UNAUTHORIZED, "sign-in", message)
    }

    /// Name and password don't fit.
    pub fn password() -> Failure {
        let message = "Name and password don't fit. Try again; after some misses it takes longer each time.";
        Failure::new(StatusCode::UNAUTHORIZED, "wrong-password", message)
    }

    /// The token is none.
    pub fn no_such_token() -> Failure {
        let message =
            "This token is not valid here (or any more). `foldwatch access token` makes another one.";
        Failure::new(StatusCode::UNAUTHORIZED, "wrong-token", message)
    }

    /// Somebody may do less than this takes.
    pub fn role(least: Role) -> Failure {
        let message = format!("This takes somebody who may {least}. Ask whoever administers foldwatch here.");
        Failure::new(StatusCode::FORBIDDEN, "not-allowed", message)
    }

    /// Too many requests or guesses.
    pub fn too_fast(wait: Duration) -> Failure {
        let seconds = wait.as_secs().saturating_add(1);
        let message = format!("That was too often in a short time. Try again in {seconds} s.");
        Failure { wait: Some(wait), ..Failure::new(StatusCode::TOO_MANY_REQUESTS, "too-fast", message) }
    }

    /// There is nothing to show for this time, and why.
    pub fn no_samples(why: &str) -> Failure {
        Failure::new(StatusCode::NOT_FOUND, "no-samples", why)
    }

    /// What stands in the store of one cycle is no verdict. The error is for the log.
    pub fn bad_verdict(car: &str, start: &str, error: impl std::fmt::Display) -> Failure {
        tracing::error!(car, start, %error, "a verdict can't be read");
        let message = format!(
            "The verdict of the cycle that began at {start} can't be read: its record is damaged. Its samples are \
             kept apart from it: take them along as a table, which `foldwatch analyze` judges."
        );
        Failure::new(StatusCode::INTERNAL_SERVER_ERROR, "bad-verdict", message)
    }

    /// Our fault, or the disk's: the reader gets a number, the log the details under the same number.
    pub fn internal(error: impl std::fmt::Display) -> Failure {
        static COUNT: AtomicU64 = AtomicU64::new(1);
        let number = COUNT.fetch_add(1, Ordering::Relaxed);
        tracing::error!(number, %error, "a request failed");
        let message = format!("This could not be answered. The log tells why, under failure {number}.");
        Failure::new(StatusCode::INTERNAL_SERVER_ERROR, "internal", message)
    }
}

impl From<StoreError> for Failure {
    fn from(error: StoreError) -> Failure {
        if error.is_passing() {
            let failure = Failure::internal(error);
            let message = format!("The records can't be read just now; try again. {}", failure.message);
            return Failure::new(StatusCode::SERVICE_UNAVAILABLE, "store-busy", message);
        }
        Failure::internal(error)
    }
}

impl IntoResponse for Failure {
    fn into_response(self) -> Response {
        let body = FailureBody { code: self.code, message: self.message.clone() };
        with_advice((self.status, Json(body)).into_response(), &self)
    }
}
