//! JSON under /api/v1, described from the code itself.

mod alarms;
mod cars;
mod causes;
mod cycles;
pub(crate) mod evidence;
mod export;
mod fleet;
pub(crate) mod guarded;
mod guide;
mod live;
mod machine;
mod record;
mod trail;
mod trend;

use utoipa::OpenApi;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use crate::app::App;

pub(crate) use alarms::{MatterRow, TellingRow, rows as matter_rows};
pub(crate) use fleet::{CompareAsked, FleetAsked, compared};

#[derive(OpenApi)]
#[openapi(
    info(
        title = "foldwatch",
        description = "What an electro-hydraulic folding roof did, step by step, and what is wrong with it. \
                       Moments are RFC 3339 in UTC; every number's name ends in its unit. Results are an aid to \
                       judgment and no release for use."
    ),
    tags(
        (name = "cars", description = "Cars, their loggers and trends"),
        (name = "cycles", description = "Movements of the roof and what was found in them"),
        (name = "export", description = "Tables as CSV (RFC 4180)"),
        (name = "evidence", description = "Signed bags for a claim"),
        (name = "guide", description = "Commissioning and guided tests"),
        (name = "live", description = "What happens now"),
        (name = "machine", description = "For whoever runs foldwatch")
    )
)]
struct Described;

/// Every route of the API.
pub(crate) fn router() -> OpenApiRouter<App> {
    OpenApiRouter::with_openapi(Described::openapi())
        .routes(routes!(cars::cars))
        .routes(routes!(cars::car))
        .routes(routes!(cars::loggers))
        .routes(routes!(causes::causes))
        .routes(routes!(causes::checks))
        .routes(routes!(cycles::cycles))
        .routes(routes!(cycles::cycle))
        .routes(routes!(cycles::traces))
        .routes(routes!(cycles::findings))
        .routes(routes!(trend::trend))
        .routes(routes!(fleet::fleet))
        .routes(routes!(fleet::compare))
        .routes(routes!(alarms::alarms))
        .routes(routes!(record::record, record::write))
        .routes(routes!(record::table))
        .routes(routes!(export::export))
        .routes(routes!(guide::state, guide::begin))
        .routes(routes!(guide::answer))
        .routes(routes!(guide::stop))
        .routes(routes!(evidence::bags, evidence::make))
        .routes(routes!(evidence::bag))
        .routes(routes!(evidence::stop))
        .routes(routes!(evidence::zip))
        .routes(routes!(evidence::key))
        .routes(routes!(live::live))
        .routes(routes!(machine::metrics))
        .routes(routes!(machine::health))
        .routes(routes!(machine::ready))
        .routes(routes!(trail::trail))
}

/// The description without serving anything: for documents and tests.
pub fn described() -> utoipa::openapi::OpenApi {
    let mut described = router().into_openapi();
    guarded::describe(&mut described);
    described
}
