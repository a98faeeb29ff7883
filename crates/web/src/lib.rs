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
mod door;
mod entries;
mod evidence;
mod failure;
mod gate;
mod guide;
mod live;
mod own;
mod pages;
mod places;
mod query;
mod reading;
mod record;
mod reference;
mod serving;
#[cfg(test)]
mod tests;
mod texts;
mod tls;
mod traces;

use std::io;
use std::sync::Arc;

use axum::extract::DefaultBodyLimit;
use axum::http::{HeaderName, HeaderValue, StatusCode, header};
use axum::middleware::from_fn_with_state;
use axum::routing::get;
use axum::{Json, Router};
use tokio::net::TcpListener;
use tower_http::compression::CompressionLayer;
use tower_http::compression::predicate::{DefaultPredicate, NotForContentType, Predicate};
use tower_http::set_header::SetResponseHeaderLayer;
use tower_http::timeout::TimeoutLayer;

pub use api::described;
pub use app::{App, NoTraces, Open, Parts, Traces};
pub use causes::Causes;
pub use door::{Deed, Door, Peer, Trail};
pub use evidence::{Bag, Evidence, NoEvidence, NotMade, Stage, Stretch, Wanted};
pub use guide::{GuideNow, Guides};
pub use live::{
    Hub, LiveCycle, LiveGuide, LiveMessage, LiveSamples, LiveState, LiveStep, PortState, Waiting,
};
pub use places::{MachinePort, NoPlaces, Places};
pub use record::record;
pub use serving::Bounds;
pub use tls::{Tls, only_ours};

/// Only our own files, no script or style inside a page, nobody may frame it.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; \
                      connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'self'";

/// Every page and the API.
pub fn router(app: App) -> Router {
    router_within(app, &Bounds::default())
}

fn router_within(app: App, bounds: &Bounds) -> Router {
    let (api, mut described) = api::router().split_for_parts();
    api::guarded::describe(&mut described);
    let always = |name: HeaderName, value: &'static str| {
        SetResponseHeaderLayer::if_not_present(name, HeaderValue::from_static(value))
    };
    api.route("/api/v1/openapi.json", get(|| async move { Json(described) }))
        .merge(pages::router())
        .with_state(app.clone())
        .layer(DefaultBodyLimit::max(bounds.body_bytes))
        // Inside: what takes too long to answer is given up. Outside: who asks.
        .layer(TimeoutLayer::with_status_code(StatusCode::SERVICE_UNAVAILABLE, bounds.answer))
        .layer(from_fn_with_state(app, gate::gate))
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

/// Serves within bounds until `shutdown` comes, then ends the live streams and what is being answered; encrypted where
/// `tls` is given.
///
/// # Errors
/// None at present: what can't be taken is waited out.
pub async fn serve(
    listener: TcpListener,
    app: App,
    tls: Option<Arc<Tls>>,
    bounds: Bounds,
    shutdown: impl Future<Output = ()> + Send + 'static,
) -> io::Result<()> {
    let hub = Arc::clone(app.hub());
    let shutdown = async move {
        shutdown.await;
        hub.close();
    };
    serving::run(listener, router_within(app, &bounds), tls, bounds, shutdown).await
}
