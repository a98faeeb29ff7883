//! Numbers, units and moments as this reader wants them: the same in every language but for the names of months and days.

use foldwatch_report::no_signed_zero;
use foldwatch_units::Micros;
use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::reading::{self, Dates};

/// Seconds as they are read.
pub fn secs(value: f64) -> String {
    format!("{} s", fixed(value, 2))
}

/// A number with so many decimals, with the reader's decimal sign.
pub fn fixed(value: f64, decimals: usize) -> String {
    reading::now().sign(no_signed_zero(format!("{value:.decimals$}")))
}

/// A number and its unit, in the reader's units.
pub fn quantity(value: f64, unit: &str) -> String {
    let (name, factor, offset) = reading::now().unit(unit);
    let text = number(value * factor + offset);
    if name.is_empty() { text } else { format!("{text} {name}") }
}

/// A value with its standard uncertainty, both to the place that the uncertainty reaches: two figures of it where the
/// first is 1 or 2, else one (GUM, 7.2.6: no more than two).
pub fn with_spread(value: f64, spread: f64, unit: &str) -> (String, String) {
    let (name, factor, offset) = reading::now().unit(unit);
    let spread = (spread * factor).abs();
    let place = spread.log10().floor();
    let figures = if spread / 10f64.powf(place) < 3.0 { 1.0 } else { 0.0 };
    let decimals = (figures - place).clamp(0.0, 6.0) as usize;
    let text = fixed(value * factor + offset, decimals);
    (if name.is_empty() { text } else { format!("{text} {name}") }, fixed(spread, decimals))
}

/// A sentence that was written with a decimal point, bar and °C, as this reader wants it.
pub fn said(text: &str) -> String {
    let reading = reading::now();
    if reading == reading::USUAL {
        return text.to_owned();
    }
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(begin) = rest.find(|c: char| c.is_ascii_digit()) {
        let inside_a_word =
            rest[..begin].chars().next_back().is_some_and(|c| c.is_alphanumeric() || c == '_');
        let length = number_length(&rest[begin..]);
        let (before, found) = (&rest[..begin], &rest[begin..begin + length]);
        rest = &rest[begin + length..];
        let unit = ["bar", "°C"].into_iter().find(|unit| {
            let after = rest.strip_prefix(' ').and_then(|r| r.strip_prefix(unit));
            after.is_some_and(|r| !r.starts_with(char::is_alphanumeric))
        });
        match (unit, found.parse::<f64>()) {
            (Some(unit), Ok(value)) if !inside_a_word => {
                let (name, factor, offset) = reading.unit(unit);
                let negative = before.ends_with('-');
                out.push_str(if negative { &before[..before.len() - 1] } else { before });
                let value = if negative { -value } else { value } * factor + offset;
                let decimals = found.split_once('.').map_or(0, |(_, d)| d.len());
                // One psi is a fifteenth of a bar: a decimal fewer says as much.
                let decimals =
                    if unit == "bar" && reading.psi { decimals.saturating_sub(1) } else { decimals };
                out.push_str(&fixed(value, decimals));
                out.push(' ');
                out.push_str(&name);
                rest = &rest[1 + unit.len()..];
            }
            _ => {
                out.push_str(before);
                out.push_str(&if inside_a_word { found.to_owned() } else { reading.sign(found.to_owned()) });
            }
        }
    }
    out.push_str(rest);
    out
}

/// Digits, and a point with digits behind it.
fn number_length(text: &str) -> usize {
    let digits = |t: &str| t.bytes().take_while(u8::is_ascii_digit).count();
    let whole = digits(text);
    match text.get(whole + 1..).map(digits) {
        Some(n) if n > 0 && text[whole..].starts_with('.') => whole + 1 + n,
        _ => whole,
    }
}

/// A number to three figures, as it is read.
pub fn number(value: f64) -> String {
    let size = value.abs();
    let text = match size {
        s if s >= 100.0 => format!("{value:.0}"),
        s if s >= 10.0 => format!("{value:.1}"),
        s if s >= 0.1 || s == 0.0 => format!("{value:.2}"),
        _ => format!("{value:.4}"),
    };
    let text = match text.contains('.') {
        true => text.trim_end_matches('0').trim_end_matches('.').to_owned(),
        false => text,
    };
    reading::now().sign(text)
}

/// A change with its sign, in the reader's way.
pub fn signed(value: f64, decimals: usize) -> String {
    reading::now().sign(no_signed_zero(format!("{value:+.decimals$}")))
}

/// A moment, RFC 3339, as it is read.
pub fn moment(text: &str) -> String {
    date(
        text,
        match reading::now().dates {
            Dates::Day => "%-d %b %Y, %H:%M:%S UTC",
            Dates::Month => "%b %-d, %Y, %H:%M:%S UTC",
            Dates::Year => "%Y-%m-%d, %H:%M:%S UTC",
        },
    )
}

/// A moment without its year.
pub fn short_moment(text: &str) -> String {
    date(
        text,
        match reading::now().dates {
            Dates::Day => "%a %-d %b, %H:%M",
            Dates::Month => "%a %b %-d, %H:%M",
            Dates::Year => "%a %m-%d, %H:%M",
        },
    )
}

fn date(text: &str, format: &str) -> String {
    match text.parse::<Timestamp>() {
        Ok(stamp) => TimeZone::UTC.to_datetime(stamp).strftime(format).to_string(),
        Err(_) => text.to_owned(),
    }
}

/// A day.
pub fn day_of_week(at: Micros) -> String {
    let format = match reading::now().dates {
        Dates::Day => "%a %-d %b",
        Dates::Month => "%a %b %-d",
        Dates::Year => "%a %m-%d",
    };
    date(&foldwatch_report::rfc3339(at), format)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_read_to_three_figures() {
        let read: Vec<String> = [0.0, 0.0012, 0.25, 3.0, 12.34, 151.6, -4.5].map(number).to_vec();
        assert_eq!(read, ["0", "0.0012", "0.25", "3", "12.3", "152", "-4.5"]);
    }

    #[test]
    fn a_value_is_as_fine_as_its_uncertainty() {
        for (value, spread, read) in [
            (10.3012, 0.0041, ("10.301 s", "0.004")),
            (0.5391, 0.0228, ("0.539 s", "0.023")),
            (2596.4, 12.0, ("2596 s", "12")),
            (-0.052, 0.13, ("-0.05 s", "0.13")),
        ] {
            let (a, b) = with_spread(value, spread, "s");
            assert_eq!((a.as_str(), b.as_str()), read);
        }
    }

    #[tokio::test]
    async fn sentences_are_read_in_the_readers_way() {
        let psi = reading::Reading { comma: true, psi: true, fahrenheit: true, ..reading::USUAL };
        let written = "At -2.5 °C `p1.x` fell from 150.0 bar to 12 bar in 1.25 s, 3 bars. 7.";
        let read = "At 27,5 °F `p1.x` fell from 2176 psi to 174 psi in 1,25 s, 3 bars. 7.";
        assert_eq!(reading::as_if(psi, || said(written)), read);
        assert_eq!(said(written), written);
    }

    #[test]
    fn moments_are_read_in_utc() {
        assert_eq!(moment("2025-06-02T08:03:04.250000Z"), "2 Jun 2025, 08:03:04 UTC");
        assert_eq!(moment("rubbish"), "rubbish");
    }
}
