//! Every request goes through here: who asks, whether that is enough, and a line in the trail for what changes something.

use std::time::Instant;

use axum::body::to_bytes;
use axum::extract::{FromRequestParts, Request, State};
use axum::http::request::Parts;
use axum::http::{HeaderMap, HeaderValue, Method, Uri, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};
use foldwatch_access::{By, Caller, Need, Refusal, need};

use crate::app::App;
use crate::door::{Deed, From, Peer};
use crate::failure::Failure;
use crate::own;
use crate::pages::Failed;
use crate::pages::sign_in::{Kept, form};

/// More than this of a form is not kept while somebody signs in.
const KEPT_FORM_BYTES: usize = 64 << 10;

/// Who asks, for handlers.
pub(crate) struct Who(pub Caller);

impl<S: Sync> FromRequestParts<S> for Who {
    type Rejection = Failure;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Failure> {
        // Where nobody is known the gate has let in for something that needs nobody.
        parts.extensions.get::<Caller>().cloned().map(Who).ok_or_else(Failure::sign_in)
    }
}

tokio::task_local! { static SIGNED_IN: String; }

/// The name of whoever is signed in, for what a page writes; empty: nobody is.
pub(crate) fn signed_in() -> String {
    SIGNED_IN.try_with(String::clone).unwrap_or_default()
}

/// Who did it: as it was said, else whoever is signed in.
pub(crate) fn author(said: &str, caller: &Caller) -> String {
    let said = said.trim();
    if said.is_empty() { caller.name.clone() } else { said.to_owned() }
}

/// The gate.
pub(crate) async fn gate(State(app): State<App>, mut request: Request, next: Next) -> Response {
    let peer = request.extensions().get::<Peer>().copied().unwrap_or(Peer::UNKNOWN);
    let from = From::of(peer, request.uri(), request.headers());
    let needed = need(request.method().as_str(), request.uri().path());
    let changes = !matches!(*request.method(), Method::GET | Method::HEAD);
    let admitted = app.door().guard().admit(from.shown(), needed, Instant::now());
    let caller = match admitted {
        Ok(caller) => caller,
        Err(refusal) => {
            if refusal == Refusal::Token || matches!(refusal, Refusal::Role(_)) {
                let what = format!("{} {}", request.method(), request.uri().path());
                app.door().note(Deed::new("?", &peer.address.to_string(), &what, "refused")).await;
            }
            return refused(refusal, request).await;
        }
    };
    // A browser adds its cookie to whatever page makes it ask; a token it does not.
    let by_browser = caller.as_ref().is_none_or(|caller| caller.by != By::Token);
    if changes
        && by_browser
        && let Err(failure) = own::page(request.headers())
    {
        return failed(failure, request.uri(), request.headers());
    }
    let deed = changes.then(|| (request.method().clone(), request.uri().path().to_owned()));
    if let Some(caller) = caller.clone() {
        request.extensions_mut().insert(caller);
    }
    request.extensions_mut().insert(from);
    let name = caller.as_ref().filter(|caller| caller.by != By::Machine).map(|caller| caller.name.clone());
    let response = SIGNED_IN.scope(name.unwrap_or_default(), next.run(request)).await;
    if let (Some((method, path)), Some(caller), Need::Role(_)) = (deed, caller, needed) {
        let outcome = response.status().as_u16().to_string();
        let what = format!("{method} {path}");
        app.door().note(Deed::new(&caller.name, &peer.address.to_string(), &what, &outcome)).await;
    }
    response
}

/// Programs are told in JSON, people by a page that leads on.
async fn refused(refusal: Refusal, request: Request) -> Response {
    let (uri, headers) = (request.uri().clone(), request.headers().clone());
    if refusal == Refusal::SignIn && !is_program(&uri, &headers) {
        if matches!(*request.method(), Method::GET | Method::HEAD) {
            let then = uri.path_and_query().map_or("/", |path| path.as_str());
            return Redirect::to(&format!("/sign-in?then={}", crate::pages::escaped(then))).into_response();
        }
        // What was typed is kept: it is shown again once it is known who sends it.
        let kept = match own::page(&headers) {
            Ok(()) => to_bytes(request.into_body(), KEPT_FORM_BYTES).await.ok(),
            Err(_) => None,
        };
        let kept = kept.and_then(|body| String::from_utf8(body.to_vec()).ok());
        let kept = kept.map(|body| Kept { to: uri.path().to_owned(), body });
        let then = came_from(&headers).unwrap_or_else(|| "/".to_owned());
        return form(&then, kept.as_ref(), Some(&Failure::sign_in()));
    }
    let failure = match refusal {
        Refusal::SignIn | Refusal::Password => Failure::sign_in(),
        Refusal::Token => Failure::no_such_token(),
        Refusal::Role(least) => Failure::role(least),
        Refusal::Wait(wait) => Failure::too_fast(wait),
    };
    failed(failure, &uri, &headers)
}

fn failed(failure: Failure, uri: &Uri, headers: &HeaderMap) -> Response {
    if is_program(uri, headers) { failure.into_response() } else { Failed::from(failure).into_response() }
}

/// Whether JSON is wanted rather than a page.
fn is_program(uri: &Uri, headers: &HeaderMap) -> bool {
    let accepts = headers.get(header::ACCEPT).map(|value| value.to_str().unwrap_or_default());
    let path = uri.path();
    path.starts_with("/api/")
        || matches!(path, "/metrics" | "/health" | "/ready")
        || accepts.is_some_and(|kinds| !kinds.contains("text/html") && kinds.contains("json"))
}

/// The page of ours that a form was on.
fn came_from(headers: &HeaderMap) -> Option<String> {
    let referer: Uri = headers.get(header::REFERER)?.to_str().ok()?.parse().ok()?;
    let host = headers.get(header::HOST)?.to_str().ok()?;
    let ours = referer.authority().is_some_and(|authority| authority.as_str() == host);
    ours.then(|| referer.path_and_query().map(|path| path.as_str().to_owned())).flatten()
}

/// Adds what a refusal must say beside its body.
pub(crate) fn with_advice(mut response: Response, failure: &Failure) -> Response {
    if let Some(wait) = failure.wait
        && let Ok(value) = HeaderValue::from_str(&wait.as_secs().saturating_add(1).to_string())
    {
        response.headers_mut().insert(header::RETRY_AFTER, value);
    }
    if failure.status == axum::http::StatusCode::UNAUTHORIZED {
        let value = HeaderValue::from_static("Bearer realm=\"foldwatch\"");
        response.headers_mut().insert(header::WWW_AUTHENTICATE, value);
    }
    response
}
