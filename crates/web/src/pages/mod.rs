//! The pages: made on the server, whole without any script.

mod api_list;
mod bench;
mod car;
mod cars;
mod causes;
mod compare;
mod cycle;
mod evidence;
mod fleet;
mod guide;
mod ports;
mod record;
pub(crate) mod sign_in;
mod trend;

use axum::Router;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use maud::{DOCTYPE, Markup, html};

use crate::app::App;
use crate::charts::Shape;
use crate::charts::mark;
use crate::failure::Failure;
use crate::gate::{self, with_advice};
use crate::live::PortState;
use crate::reading::{self, Dates};
use crate::texts;

const STYLE: &str = include_str!("../style.css");
const SCRIPT: &str = concat!(
    include_str!("../script/start.js"),
    include_str!("../script/cycle.js"),
    include_str!("../script/bench.js"),
    include_str!("../script/guide.js"),
    include_str!("../script/evidence.js"),
);

/// Every page and what they are made up with.
pub(crate) fn router() -> Router<App> {
    Router::new()
        .route("/", get(cars::page))
        .route("/cars/{car}", get(car::page))
        .route("/cars/{car}/cycles/{start}", get(cycle::page))
        .route("/cars/{car}/cycles/{start}/sheet", get(cycle::sheet))
        .route("/cars/{car}/cycles/{start}/picture.svg", get(cycle::picture))
        .route("/cars/{car}/checks", post(causes::enter))
        .route("/cars/{car}/bench", get(bench::page))
        .route("/cars/{car}/guide", get(guide::page))
        .route("/cars/{car}/guide/begin", post(guide::begin))
        .route("/cars/{car}/guide/press", post(guide::press))
        .route("/cars/{car}/guide/keep", post(guide::keep))
        .route("/cars/{car}/guide/drop", post(guide::drop))
        .route("/cars/{car}/trend", get(trend::page))
        .route("/cars/{car}/compare", get(compare::page))
        .route("/cars/{car}/record", post(record::write))
        .route("/ports", get(ports::page))
        .route("/ports/listen", post(ports::listen))
        .route("/ports/fit", post(ports::fit))
        .route("/fleet", get(fleet::page))
        .route("/reading", get(reading::choose))
        .route("/cars/{car}/evidence", get(evidence::page).post(evidence::make))
        .route("/cars/{car}/evidence/stop", post(evidence::stop))
        .route("/sign-in", get(sign_in::page).post(sign_in::sign_in))
        .route("/sign-out", post(sign_in::sign_out))
        .route("/api", get(api_list::page))
        .route("/style.css", get(|| asset("text/css; charset=utf-8", STYLE)))
        .route("/script.js", get(|| asset("text/javascript; charset=utf-8", SCRIPT)))
        .fallback(|| async { Failed(Failure::unknown_page()) })
}

async fn asset(kind: &'static str, text: &'static str) -> impl IntoResponse {
    ([(header::CONTENT_TYPE, kind), (header::CACHE_CONTROL, "no-cache")], text)
}

/// A failure as a page.
pub(crate) struct Failed(Failure);

impl From<Failure> for Failed {
    fn from(failure: Failure) -> Failed {
        Failed(failure)
    }
}

impl IntoResponse for Failed {
    fn into_response(self) -> Response {
        let body = html! {
            section.notice role="alert" {
                h1 { (texts::CANNOT_SHOW) }
                p { (self.0.message) }
                p { a.button href="/" { (texts::TO_THE_CARS) } }
                p.quiet { (texts::FOR_THE_KEEPER) (self.0.code) }
            }
        };
        let response = (self.0.status, frame(texts::CANNOT_SHOW, None, &[], &body)).into_response();
        with_advice(response, &self.0)
    }
}

/// Where one is, in a car.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum At {
    Car,
    Bench,
    Guide,
    Trend,
    Compare,
    Cycle,
    Evidence,
}

/// The frame of every page.
fn frame(title: &str, car: Option<(&str, &str, At)>, ports: &[PortState], body: &Markup) -> Markup {
    let reading = reading::now();
    html! {
        (DOCTYPE)
        html lang="en" data-comma=[reading.comma.then_some("yes")] data-psi=[reading.psi.then_some("yes")] data-fahrenheit=[reading.fahrenheit.then_some("yes")] {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (title) " - " (texts::NAME) }
                link rel="icon" href="data:,";
                link rel="stylesheet" href="/style.css";
                script src="/script.js" defer {}
            }
            body {
                a.skip href="#content" { (texts::SKIP) }
                header.top {
                    a.name href="/" { (texts::NAME) }
                    nav aria-label=(texts::PAGES) {
                        a href="/" aria-current=[(car.is_none() && title == texts::CARS).then_some("page")] { (texts::CARS) }
                        a href="/fleet" aria-current=[(title == texts::FLEET).then_some("page")] { (texts::FLEET) }
                        a href="/ports" aria-current=[(title == texts::PORTS).then_some("page")] { (texts::PORTS) }
                    }
                    @if let Some((id, name, at)) = car { (car_pages(id, name, at)) }
                }
                @for port in ports.iter().filter(|p| !p.well) {
                    p.lost role="status" { strong { (port.port) } " " (port.words) " " (texts::SINCE) " " (texts::moment(&port.since)) "." }
                }
                main id="content" { (body) }
                footer {
                    p { (texts::CAUTION) }
                    (reading_form(reading))
                    p { a href="/sign-in" { (texts::SIGN_IN_OR_OUT) } " · " a href="/api" { (texts::API) } }
                }
            }
        }
    }
}

/// The pages of a car: a line of their own on a phone.
fn car_pages(id: &str, name: &str, at: At) -> Markup {
    let pages = [
        (At::Car, "", texts::TAB_RECORD),
        (At::Bench, "/bench", texts::BENCH),
        (At::Guide, "/guide", texts::GUIDE),
        (At::Trend, "/trend", texts::TAB_TREND),
        (At::Compare, "/compare", texts::COMPARE),
        (At::Evidence, "/evidence", texts::TAB_EVIDENCE),
    ];
    html! {
        nav.car aria-label=(name) {
            span.of aria-hidden="true" { (name) }
            @for (page, path, word) in pages {
                a href={ (car_href(id)) (path) } aria-current=[(at == page).then_some("page")] { (word) }
            }
        }
    }
}

/// How numbers, dates and units are read on this browser.
fn reading_form(reading: reading::Reading) -> Markup {
    let choice = |name: &str, label: &str, options: &[(&str, &str, bool)]| {
        html! {
            label { (label) " " select name=(name) {
                @for (value, text, chosen) in options { option value=(value) selected[*chosen] { (text) } }
            } }
        }
    };
    html! {
        form.reading action="/reading" method="get" {
            (choice("numbers", texts::READ_NUMBERS, &[("point", "1.5", !reading.comma), ("comma", "1,5", reading.comma)]))
            (choice("dates", texts::READ_DATES, &[
                ("day", "2 Jun 2025", reading.dates == Dates::Day),
                ("month", "Jun 2, 2025", reading.dates == Dates::Month),
                ("year", "2025-06-02", reading.dates == Dates::Year),
            ]))
            (choice("pressure", texts::READ_PRESSURE, &[("bar", "bar", !reading.psi), ("psi", "psi", reading.psi)]))
            (choice("temperature", texts::READ_TEMPERATURE, &[("celsius", "°C", !reading.fahrenheit), ("fahrenheit", "°F", reading.fahrenheit)]))
            button type="submit" { (texts::READ_SO) }
        }
    }
}

/// Address of a car.
pub(crate) fn car_href(car: &str) -> String {
    format!("/cars/{}", escaped(car))
}

/// Address of a cycle.
pub(crate) fn cycle_href(car: &str, start: &str) -> String {
    format!("/cars/{}/cycles/{}", escaped(car), escaped(start))
}

/// Percent-encoding of one part of a path (RFC 3986, sections 2.3 and 3.3).
pub(crate) fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for byte in text.bytes() {
        match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' | b':' => {
                out.push(byte as char)
            }
            _ => out.push_str(&format!("%{byte:02X}")),
        }
    }
    out
}

/// A weight as mark and words.
fn weight(word: &str) -> Markup {
    html! {
        span.weight.(word) { (icon(Shape::of_weight(Some(word)))) (texts::weight(word)) }
    }
}

/// A mark in a line of text.
fn icon(shape: Shape) -> Markup {
    html! { svg.icon viewBox="0 0 16 16" width="16" height="16" aria-hidden="true" { (mark(shape, 8.0, 8.0, 5.5, "", None)) } }
}

/// A sentence of a finding: what stands between back quotes is a name.
fn sentence(text: &str) -> Markup {
    html! {
        @for (n, part) in text.split('`').enumerate() {
            @if n % 2 == 1 { b.said { (part) } } @else { (texts::said(part)) }
        }
    }
}

/// Who did it: the name of whoever is signed in stands there already.
fn who(label: &str) -> Markup {
    html! { label { (label) " " input type="text" name="author" maxlength="100" autocomplete="name" value=(gate::signed_in()); } }
}

/// A moment for people and programs.
fn time(text: &str) -> Markup {
    html! { time datetime=(text) { (texts::moment(text)) } }
}

/// The same without its year.
fn short_time(text: &str) -> Markup {
    html! { time datetime=(text) { (texts::short_moment(text)) } }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paths_carry_any_name() {
        assert_eq!(
            cycle_href("a/b ü", "2025-06-02T08:00:00.000000Z"),
            "/cars/a%2Fb%20%C3%BC/cycles/2025-06-02T08:00:00.000000Z"
        );
    }

    #[test]
    fn nothing_comes_from_elsewhere() {
        for text in [STYLE, SCRIPT] {
            assert!(!text.contains("http://") && !text.contains("https://") && !text.contains("@import"));
        }
    }
}
