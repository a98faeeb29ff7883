//! Moments as RFC 3339 in UTC.

use foldwatch_units::Micros;
use jiff::Timestamp;

/// From a log's own time to UTC. Where a log knows no date its zero is taken for 1970-01-01T00:00:00Z.
pub type Utc<'a> = &'a dyn Fn(Micros) -> Micros;

/// A moment in UTC with all its microseconds: `2026-05-01T08:00:00.250000Z` (RFC 3339, section 5.6).
///
/// ```
/// use foldwatch_units::Micros;
/// assert_eq!(foldwatch_report::rfc3339(Micros(250_000)), "1970-01-01T00:00:00.250000Z");
/// ```
pub fn rfc3339(at: Micros) -> String {
    // Years 1 to 9999, which is what RFC 3339 can write.
    let within = at.0.clamp(-62_135_596_800_000_000, 253_402_300_799_999_999);
    match Timestamp::from_microsecond(within) {
        Ok(stamp) => format!("{stamp:.6}"),
        Err(_) => String::from("1970-01-01T00:00:00.000000Z"),
    }
}

/// The other way round; any offset, any number of decimals.
pub fn parse_utc(text: &str) -> Option<Micros> {
    let stamp: Timestamp = text.trim().parse().ok()?;
    Some(Micros(stamp.as_microsecond()))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 3339, section 5.8.
    #[test]
    fn the_examples_of_the_standard() {
        let micros = |text: &str| parse_utc(text).map(|m| m.0);
        assert_eq!(micros("1985-04-12T23:20:50.52Z"), Some(482_196_050_520_000));
        assert_eq!(micros("1996-12-19T16:39:57-08:00"), Some(851_042_397_000_000));
        assert_eq!(micros("1937-01-01T12:00:27.87+00:20"), Some(-1_041_337_172_130_000));
        assert_eq!(micros("1990-12-31T23:59:60Z").map(|m| m / 1_000_000), Some(662_687_999));
        assert_eq!(rfc3339(Micros(482_196_050_520_000)), "1985-04-12T23:20:50.520000Z");
    }

    #[test]
    fn no_moment_is_too_far_out_to_print() {
        assert!(rfc3339(Micros::MIN).ends_with('Z') && rfc3339(Micros::MAX).ends_with('Z'));
    }
}
