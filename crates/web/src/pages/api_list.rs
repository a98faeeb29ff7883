//! The API for people: every address with what it gives, from the same description that programs read.

use maud::{Markup, html};
use utoipa::openapi::RefOr;
use utoipa::openapi::path::{Operation, Parameter};

use super::frame;
use crate::texts;

pub(super) async fn page() -> Markup {
    let described = crate::api::described();
    let body = html! {
        h1 { (texts::API) }
        p { (texts::API_LEAD[0]) a href="/api/v1/openapi.json" { "openapi.json" } (texts::API_LEAD[1]) }
        @for (path, item) in &described.paths.paths {
            @for (method, asked) in [("GET", &item.get), ("POST", &item.post)] {
                @if let Some(asked) = asked { (operation(method, path, asked)) }
            }
        }
    };
    frame(texts::API, None, &[], &body)
}

fn operation(method: &str, path: &str, asked: &Operation) -> Markup {
    html! {
        section.operation {
            h2 { code { (method) " " (path) } }
            @if let Some(summary) = &asked.summary { p { (typed(summary)) } }
            @if let Some(more) = &asked.description { p.quiet { (typed(more)) } }
            @if let Some(parameters) = &asked.parameters {
                dl.facts { @for p in parameters.iter().filter_map(given) { div { dt { code { (p.name) } } dd { (typed(p.description.as_deref().unwrap_or_default())) } } } }
            }
        }
    }
}

/// What stands between back quotes is written as it is typed.
pub(super) fn typed(text: &str) -> Markup {
    html! {
        @for (n, part) in text.split('`').enumerate() {
            @if n % 2 == 1 { code { (part) } } @else { (part) }
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
