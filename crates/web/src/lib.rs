//! JSON under /api/v1, live events and the pages.
//!
//! In: readers of the catalogue, a source of samples, a hub of what happens now. Out: a router, and [`serve`]. Every
//! answer of the API is described by OpenAPI 3.1 from the code; pages are whole without a script and take nothing from
//! elsewhere. What a person enters goes to the daemon, which keeps it. Not here: ports, judging, the folder; no way to
//! drive anything.

mod api;
mod app;
mod causes;
mod charts;
mod entries;
mod evidence;
mod failure;
mod guide;
mod live;
mod own;
mod pages;
mod query;
mod reading;
mod record;
mod reference;
#[cfg(test)]
mod tests;
mod texts;
mod traces;

use std::io;

use axum::http::{HeaderName, HeaderValue, header};
use axum::routing::get;
use axum::{Json, Router};
use tokio::net::TcpListener;
use tower_http::compression::CompressionLayer;
use tower_http::compression::predicate::{DefaultPredicate, NotForContentType, Predicate};
use tower_http::set_header::SetResponseHeaderLayer;

pub use api::described;
pub use app::{App, NoTraces, Open, Parts, Traces};
pub use causes::Causes;
pub use evidence::{Bag, Evidence, NoEvidence, NotMade, Stage, Stretch, Wanted};
pub use guide::{GuideNow, Guides};
pub use live::{
    Hub, LiveCycle, LiveGuide, LiveMessage, LiveSamples, LiveState, LiveStep, PortState, Waiting,
};
pub use record::record;

/// Only our own files, no script or style inside a page, nobody may frame it.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; \
                      connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'self'";

/// Every page and the API.
pub fn router(app: App) -> Router {
    let (api, described) = api::router().split_for_parts();
    let always = |name: HeaderName, value: &'static str| {
        SetResponseHeaderLayer::if_not_present(name, HeaderValue::from_static(value))
    };
    api.route("/api/v1/openapi.json", get(|| async move { Json(described) }))
        .merge(pages::router())
        .with_state(app)
        .layer(axum::middleware::from_fn(reading::within))
        .layer(always(header::CONTENT_SECURITY_POLICY, POLICY))
        .layer(always(header::X_CONTENT_TYPE_OPTIONS, "nosniff"))
        // Without any referrer a browser would not say that a form comes from here.
        .layer(always(header::REFERRER_POLICY, "same-origin"))
        .layer(always(header::CACHE_CONTROL, "no-store"))
        // A bag is compressed already, and says how long it is.
        .layer(
            CompressionLayer::new()
                .compress_when(DefaultPredicate::new().and(NotForContentType::const_new("application/zip"))),
        )
}

/// Serves until `shutdown` comes, then ends the live streams and what is being answered.
///
/// # Errors
/// When the listener fails.
pub async fn serve(
    listener: TcpListener,
    app: App,
    shutdown: impl Future<Output = ()> + Send + 'static,
) -> io::Result<()> {
    let hub = std::sync::Arc::clone(app.hub());
    axum::serve(listener, router(app))
        .with_graceful_shutdown(async move {
            shutdown.await;
            hub.close();
        })
        .await
}
