//! Writing only from our own pages: a foreign page in the same browser reaches this server, too.

use axum::http::{HeaderMap, header};
use foldwatch_units::Micros;

use crate::failure::Failure;

/// Refuses what another site's page sends. A browser says where a request comes from (Fetch Metadata, `Origin`); what
/// says neither is not let in by a browser's cookie. Programs show a token, and are not asked this.
pub(crate) fn page(headers: &HeaderMap) -> Result<(), Failure> {
    let text = |name: &str| headers.get(name).and_then(|value| value.to_str().ok());
    if let Some(site) = text("sec-fetch-site") {
        return if matches!(site, "same-origin" | "none") { Ok(()) } else { Err(Failure::foreign()) };
    }
    let host = text(header::HOST.as_str());
    let Some(origin) = headers.get(header::ORIGIN) else { return Err(Failure::foreign()) };
    let from = origin.to_str().ok().and_then(|origin| origin.split_once("://")).map(|(_, host)| host);
    if from.is_some() && from == host { Ok(()) } else { Err(Failure::foreign()) }
}

/// Now, by this machine's clock, in UTC.
pub(crate) fn now() -> Micros {
    Micros(jiff::Timestamp::now().as_microsecond())
}
