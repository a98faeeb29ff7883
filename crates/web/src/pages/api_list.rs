//! The API for people: every address with what it gives, from the same description that programs read.

use maud::{Markup, html};
use utoipa::openapi::RefOr;
use utoipa::openapi::path::{Operation, Parameter};

use super::frame;

pub(super) async fn page() -> Markup {
    let described = crate::api::described();
    let body = html! {
        h1 { "For programs: the API" }
        p { "JSON over HTTP, described by " a href="/api/v1/openapi.json" { "openapi.json" } " (OpenAPI 3.1). A failure has a stable code and a sentence." }
        @for (path, item) in &described.paths.paths {
            @for (method, asked) in [("GET", &item.get), ("POST", &item.post)] {
                @if let Some(asked) = asked { (operation(method, path, asked)) }
            }
        }
    };
    frame("API", None, &[], &body)
}

fn operation(method: &str, path: &str, asked: &Operation) -> Markup {
    html! {
        section.operation {
            h2 { code { (method) " " (path) } }
            @if let Some(summary) = &asked.summary { p { (summary) } }
            @if let Some(more) = &asked.description { p.quiet { (more) } }
            @if let Some(parameters) = &asked.parameters {
                dl.facts { @for p in parameters.iter().filter_map(given) { div { dt { code { (p.name) } } dd { (p.description.clone().unwrap_or_default()) } } } }
            }
        }
    }
}

/// A parameter that stands in place; none of ours is told by reference.
fn given(parameter: &RefOr<Parameter>) -> Option<&Parameter> {
    match parameter {
        RefOr::T(parameter) => Some(parameter),
        RefOr::Ref(_) => None,
    }
}
