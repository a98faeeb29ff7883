//! The page to sign in and out.

use axum::Form;
use axum::extract::{Extension, State};
use axum::http::header;
use axum::response::{AppendHeaders, IntoResponse, Redirect, Response};
use foldwatch_access::{By, Caller, Refusal};
use maud::{Markup, html};
use serde::Deserialize;

use super::api_list::typed;
use super::{Failed, frame};
use crate::app::App;
use crate::door::{Deed, From, Peer, cookie};
use crate::failure::{Asked, Failure};
use crate::gate::with_advice;
use crate::texts;

/// A browser is known for so long.
const DEVICE_DAYS: u32 = 180;
/// The session's cookie goes after so long; the session itself may end earlier.
const SESSION_DAYS: u32 = 8;

#[derive(Debug, Deserialize)]
pub(super) struct Then {
    #[serde(default)]
    then: String,
}

/// What somebody entered before it was known who they are.
#[derive(Debug, Clone, Deserialize)]
pub(crate) struct Kept {
    /// Where it was to go.
    pub to: String,
    /// The form's fields as they were sent.
    pub body: String,
}

#[derive(Deserialize)]
pub(super) struct SignIn {
    name: String,
    password: String,
    #[serde(default)]
    then: String,
    #[serde(default)]
    to: String,
    #[serde(default)]
    body: String,
}

/// Who is signed in, or the form.
pub(super) async fn page(caller: Option<Extension<Caller>>, Asked(asked): Asked<Then>) -> Response {
    match caller {
        Some(Extension(caller)) if caller.by == By::Session => known(&caller).into_response(),
        _ => form(&asked.then, None, None),
    }
}

fn known(caller: &Caller) -> Markup {
    let (before, after) = texts::signed_in_as(caller.role.as_str());
    let body = html! {
        section {
            h1 { (texts::SIGNED_IN) }
            p { (before) strong { (caller.name) } (after) }
            form.entry method="post" action="/sign-out" { button type="submit" { (texts::SIGN_OUT) } }
            p { a href="/" { (texts::TO_THE_CARS) } }
        }
    };
    frame(texts::SIGNED_IN, None, &[], &body)
}

/// The form, with what is to come after it and why it is shown again.
pub(crate) fn form(then: &str, kept: Option<&Kept>, failure: Option<&Failure>) -> Response {
    let body = html! {
        section {
            h1 { (texts::SIGN_IN) }
            @if let Some(failure) = failure { p.notice role="alert" { (failure.message) } }
            @if kept.is_some() { p { (texts::NOT_LOST) } }
            form.entry.sign-in method="post" action="/sign-in" {
                label { (texts::SIGN_IN_NAME) " " input type="text" name="name" required maxlength="64" autocomplete="username"; }
                label { (texts::SIGN_IN_PASSWORD) " " input type="password" name="password" required maxlength="1024" autocomplete="current-password"; }
                input type="hidden" name="then" value=(then);
                @if let Some(kept) = kept {
                    input type="hidden" name="to" value=(kept.to);
                    input type="hidden" name="body" value=(kept.body);
                }
                button type="submit" { (texts::SIGN_IN) }
            }
            p.quiet { (typed(texts::SIGN_IN_HELP)) }
        }
    };
    let status = failure.map_or(axum::http::StatusCode::OK, |failure| failure.status);
    let response = (status, frame(texts::SIGN_IN, None, &[], &body)).into_response();
    match failure {
        Some(failure) => with_advice(response, failure),
        None => response,
    }
}

/// Takes name and password.
pub(super) async fn sign_in(
    State(app): State<App>,
    peer: Option<Extension<Peer>>,
    Extension(from): Extension<From>,
    Form(entered): Form<SignIn>,
) -> Response {
    let peer = peer.map_or(Peer::UNKNOWN, |Extension(peer)| peer);
    let kept = (!entered.to.is_empty()).then(|| Kept { to: entered.to.clone(), body: entered.body.clone() });
    let signed = match app.door().sign_in(peer, &from, entered.name, entered.password).await {
        Ok(signed) => signed,
        Err(refusal) => {
            let failure = match refusal {
                Refusal::Wait(wait) => Failure::too_fast(wait),
                _ => Failure::password(),
            };
            return form(&entered.then, kept.as_ref(), Some(&failure));
        }
    };
    let cookies = AppendHeaders([
        (header::SET_COOKIE, cookie("session", &signed.session, peer, SESSION_DAYS)),
        (header::SET_COOKIE, cookie("browser", &signed.device, peer, DEVICE_DAYS)),
    ]);
    match kept.filter(|kept| is_ours(&kept.to)) {
        Some(kept) => (cookies, again(&kept)).into_response(),
        None => {
            let then = if is_ours(&entered.then) { &entered.then } else { "/" };
            (cookies, Redirect::to(then)).into_response()
        }
    }
}

/// What was entered before, to be sent now.
fn again(kept: &Kept) -> Markup {
    let fields: Vec<(String, String)> = serde_urlencoded::from_str(&kept.body).unwrap_or_default();
    let body = html! {
        section {
            h1 { (texts::SIGNED_IN) }
            p { (texts::ENTERED_BEFORE) }
            form.entry method="post" action=(kept.to) {
                dl { @for (name, value) in fields.iter().filter(|(_, value)| !value.is_empty()) { dt { (texts::field(name)) } dd { (value) } } }
                @for (name, value) in &fields { input type="hidden" name=(name) value=(value); }
                button type="submit" { (texts::SEND_IT) }
            }
            p { a href="/" { (texts::LEAVE_IT) } }
        }
    };
    frame(texts::SIGNED_IN, None, &[], &body)
}

/// Ends the session.
pub(super) async fn sign_out(
    State(app): State<App>,
    peer: Option<Extension<Peer>>,
    Extension(from): Extension<From>,
) -> Result<Response, Failed> {
    let peer = peer.map_or(Peer::UNKNOWN, |Extension(peer)| peer);
    let ended = from.session.and_then(|session| app.door().guard().sign_out(&session));
    if let Some(name) = ended {
        app.door().note(Deed::new(&name, &peer.address.to_string(), "sign out", "signed out")).await;
    }
    let cookies = AppendHeaders([(header::SET_COOKIE, cookie("session", "", peer, 0))]);
    Ok((cookies, Redirect::to("/")).into_response())
}

/// A path here, and nothing that a browser takes for another site's address.
fn is_ours(path: &str) -> bool {
    path.starts_with('/')
        && !path.starts_with("//")
        && !path.contains('\\')
        && !path.chars().any(char::is_control)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nobody_is_led_to_another_site() {
        for path in ["/", "/cars/oak?x=//y#causes"] {
            assert!(is_ours(path), "{path}");
        }
        for path in
            ["", "//evil.example", "https://evil.example", "/\\evil.example", "\\/evil", "/\t/evil", "cars"]
        {
            assert!(!is_ours(path), "{path}");
        }
    }
}
