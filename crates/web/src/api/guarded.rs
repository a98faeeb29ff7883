//! What the gate may answer, in the description of every address it stands before.

use foldwatch_access::{Need, need};
use utoipa::openapi::path::Operation;
use utoipa::openapi::security::{Http, HttpAuthScheme, SecurityRequirement, SecurityScheme};
use utoipa::openapi::{Components, OpenApi, Ref, RefOr, ResponseBuilder, content::ContentBuilder};

/// The name of the way to show a token.
const TOKEN: &str = "token";

/// Adds to each address what it needs and how a refusal looks.
pub(crate) fn describe(described: &mut OpenApi) {
    let components = described.components.get_or_insert_with(Components::new);
    components.add_security_scheme(TOKEN, SecurityScheme::Http(Http::new(HttpAuthScheme::Bearer)));
    for (path, item) in &mut described.paths.paths {
        let methods: [(&str, &mut Option<Operation>); 5] = [
            ("GET", &mut item.get),
            ("POST", &mut item.post),
            ("PUT", &mut item.put),
            ("PATCH", &mut item.patch),
            ("DELETE", &mut item.delete),
        ];
        for (method, operation) in methods {
            let Some(operation) = operation else { continue };
            if need(method, path) == Need::Nothing {
                continue;
            }
            // Whoever is on the machine itself needs nothing to look; hence the empty requirement beside the token's.
            let mut ways = vec![SecurityRequirement::new(TOKEN, Vec::<String>::new())];
            if method == "GET" {
                ways.insert(0, SecurityRequirement::default());
            }
            operation.security = Some(ways);
            for (status, words) in [
                ("401", "Nobody is signed in, or the token is not valid"),
                ("403", "Somebody is known who may not do this, or another site's page asked"),
                ("429", "Too often in a short time; Retry-After says how long to wait"),
            ] {
                operation.responses.responses.entry(status.to_owned()).or_insert_with(|| refusal(words));
            }
        }
    }
}

fn refusal(words: &str) -> RefOr<utoipa::openapi::Response> {
    let body = ContentBuilder::new().schema(Some(Ref::from_schema_name("FailureBody"))).build();
    RefOr::T(ResponseBuilder::new().description(words).content("application/json", body).build())
}
