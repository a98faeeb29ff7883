//! How a reader wants numbers, dates and units: by their browser's languages, or as they chose.
//!
//! The choice is a cookie of the reader's own browser. It holds for one request: whatever writes a number on a page
//! asks [`now`].

use axum::extract::{Query, Request};
use axum::http::{HeaderMap, HeaderValue, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};
use serde::Deserialize;

/// How to write.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Reading {
    /// A comma parts whole and fraction; else a point.
    pub comma: bool,
    pub dates: Dates,
    pub psi: bool,
    pub fahrenheit: bool,
}

/// The order of a date.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Dates {
    /// 2 Jun 2025
    Day,
    /// Jun 2, 2025
    Month,
    /// 2025-06-02 (ISO 8601)
    Year,
}

/// What is written when nobody asks, as in tests.
pub(crate) const USUAL: Reading = Reading { comma: false, dates: Dates::Day, psi: false, fahrenheit: false };

/// The choice's cookie, and how long it is kept: a year, in seconds.
const COOKIE: &str = "reading";
const KEPT_S: u32 = 31_536_000;

tokio::task_local! { static READING: Reading; }

/// How the reader of this request wants it.
pub(crate) fn now() -> Reading {
    READING.try_with(|reading| *reading).unwrap_or(USUAL)
}

/// What is written as if for a reader who wants it so.
#[cfg(test)]
pub(crate) fn as_if<T>(reading: Reading, write: impl FnOnce() -> T) -> T {
    READING.sync_scope(reading, write)
}

/// Answers a request in the reader's way.
pub(crate) async fn within(request: Request, next: Next) -> Response {
    let reading = Reading::of(request.headers());
    READING.scope(reading, next.run(request)).await
}

impl Reading {
    /// What the languages say, then what was chosen.
    fn of(headers: &HeaderMap) -> Reading {
        let text = |name| headers.get(name).and_then(|v: &HeaderValue| v.to_str().ok()).unwrap_or_default();
        let mut reading = Reading::of_languages(text(header::ACCEPT_LANGUAGE));
        let chosen = text(header::COOKIE)
            .split(';')
            .filter_map(|pair| pair.trim().split_once('='))
            .find(|(name, _)| *name == COOKIE);
        for word in chosen.map(|(_, value)| value.split('.')).into_iter().flatten() {
            reading.choose(word);
        }
        reading
    }

    /// The first language decides. Which ones write a decimal point, and who puts the month first, is common knowledge
    /// of their locales (from memory); all others write a comma.
    fn of_languages(accepted: &str) -> Reading {
        let first = accepted.split([',', ';']).next().unwrap_or_default().trim().to_ascii_lowercase();
        let language = first.split('-').next().unwrap_or_default();
        let american = first == "en-us";
        let point = ["", "*", "en", "ja", "ko", "zh", "th", "he", "hi", "ga", "cy"].contains(&language)
            || ["de-ch", "es-mx"].contains(&first.as_str());
        Reading {
            comma: !point,
            dates: match language {
                _ if american => Dates::Month,
                "" | "*" | "en" => Dates::Day,
                _ => Dates::Year,
            },
            psi: american,
            fahrenheit: american,
        }
    }

    fn choose(&mut self, word: &str) {
        match word {
            "point" => self.comma = false,
            "comma" => self.comma = true,
            "day" => self.dates = Dates::Day,
            "month" => self.dates = Dates::Month,
            "year" => self.dates = Dates::Year,
            "bar" => self.psi = false,
            "psi" => self.psi = true,
            "celsius" => self.fahrenheit = false,
            "fahrenheit" => self.fahrenheit = true,
            // Of another version, or not ours: as if not chosen.
            _ => {}
        }
    }

    /// A unit as it is read: its name, and factor and offset that take a value there.
    pub fn unit(self, unit: &str) -> (String, f64, f64) {
        if self.psi && (unit == "bar" || unit.starts_with("bar/")) {
            return (unit.replacen("bar", "psi", 1), PSI_PER_BAR, 0.0);
        }
        if self.fahrenheit && unit == "°C" {
            return ("°F".to_owned(), 1.8, 32.0);
        }
        let shown = match unit {
            "deg" => "°",
            "Ohm" => "Ω",
            other => other,
        };
        (shown.to_owned(), 1.0, 0.0)
    }

    /// A written number with the reader's decimal sign.
    pub fn sign(self, text: String) -> String {
        if self.comma { text.replace('.', ",") } else { text }
    }
}

/// 1 bar is 1e5 Pa; 1 psi is 6894.757 Pa (NIST SP 811, appendix B.8, from memory).
const PSI_PER_BAR: f64 = 1e5 / 6_894.757;

/// What the form at the foot of each page sends.
#[derive(Debug, Deserialize)]
pub(crate) struct Chosen {
    numbers: String,
    dates: String,
    pressure: String,
    temperature: String,
}

/// Keeps a choice in the reader's browser and goes back to the page where it was made.
pub(crate) async fn choose(headers: HeaderMap, Query(chosen): Query<Chosen>) -> Response {
    let words = [chosen.numbers, chosen.dates, chosen.pressure, chosen.temperature];
    let kept: Vec<&str> = words
        .iter()
        .map(String::as_str)
        .filter(|word| !word.is_empty() && word.bytes().all(|b| b.is_ascii_lowercase()))
        .collect();
    let cookie = format!("{COOKIE}={}; Path=/; Max-Age={KEPT_S}; SameSite=Lax; HttpOnly", kept.join("."));
    let mut answer = Redirect::to(&came_from(&headers)).into_response();
    if let Ok(value) = HeaderValue::from_str(&cookie) {
        answer.headers_mut().insert(header::SET_COOKIE, value);
    }
    answer
}

/// The page of ours that a request comes from; the list of cars where that is not known.
fn came_from(headers: &HeaderMap) -> String {
    let text = |name| headers.get(name).and_then(|v: &HeaderValue| v.to_str().ok());
    let path = text(header::REFERER)
        .and_then(|from| from.split_once("://"))
        .and_then(|(_, rest)| rest.strip_prefix(text(header::HOST)?))
        // "//host" and "/\\host" would be other sites.
        .filter(|path| path.starts_with('/') && !path.starts_with("//") && !path.contains('\\'));
    path.unwrap_or("/").to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(languages: &'static str, cookie: &'static str) -> Reading {
        let mut headers = HeaderMap::new();
        headers.insert(header::ACCEPT_LANGUAGE, HeaderValue::from_static(languages));
        headers.insert(header::COOKIE, HeaderValue::from_static(cookie));
        Reading::of(&headers)
    }

    #[test]
    fn the_language_proposes_and_the_reader_chooses() {
        assert_eq!(of("", ""), USUAL);
        let german = of("de-DE,de;q=0.9,en;q=0.5", "");
        assert_eq!((german.comma, german.dates, german.psi), (true, Dates::Year, false));
        assert_eq!(of("en-US", "").dates, Dates::Month);
        let chosen = of("de", "other=1; reading=point.day.psi.fahrenheit.rubbish");
        assert_eq!(chosen, Reading { comma: false, dates: Dates::Day, psi: true, fahrenheit: true });
    }

    #[test]
    fn one_goes_back_to_a_page_of_ours_only() {
        for (from, to) in [
            ("http://shop:8765/cars/a?x=1", "/cars/a?x=1"),
            ("http://shop:8765//elsewhere", "/"),
            ("http://shop:8765.elsewhere/cars", "/"),
            ("http://elsewhere/cars", "/"),
            ("rubbish", "/"),
        ] {
            let mut headers = HeaderMap::new();
            headers.insert(header::HOST, HeaderValue::from_static("shop:8765"));
            headers.insert(header::REFERER, HeaderValue::from_static(from));
            assert_eq!(came_from(&headers), to, "{from}");
        }
    }

    #[test]
    fn units_are_converted_by_published_factors() {
        let psi = Reading { psi: true, fahrenheit: true, ..USUAL };
        let (name, factor, offset) = psi.unit("bar");
        // 10 MPa are 1450.377 psi (NIST SP 811, from memory).
        assert!(name == "psi" && (100.0 * factor + offset - 1450.377).abs() < 1e-3);
        assert_eq!(psi.unit("bar/s").0, "psi/s");
        let (name, factor, offset) = psi.unit("°C");
        assert!(name == "°F" && (40.0 * factor + offset - 104.0).abs() < 1e-9);
        assert_eq!(psi.unit("A"), ("A".to_owned(), 1.0, 0.0));
    }
}
