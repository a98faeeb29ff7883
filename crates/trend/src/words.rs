//! What is said to a person about a forecast or a comparison. English, dates in UTC.

use crate::compare::{Comparison, Verdict};
use crate::forecast::Forecast;
use foldwatch_units::Micros;
use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

/// An interval up to this long is named by its middle; a longer one by its two ends.
const ONE_MONTH_WILL_DO: i32 = 75;

fn date(at: Micros) -> Date {
    // A moment outside of the calendar is far past any roof; the calendar's end stands for it.
    let stamp =
        Timestamp::from_microsecond(at.0).unwrap_or(if at.0 < 0 { Timestamp::MIN } else { Timestamp::MAX });
    TimeZone::UTC.to_datetime(stamp).date()
}

fn day(date: Date) -> String {
    date.strftime("%-d %B %Y").to_string()
}

fn month(date: Date) -> String {
    date.strftime("%B %Y").to_string()
}

/// A forecast in words, seen from a moment.
///
/// ```
/// use foldwatch_trend::{words, Forecast, When};
/// use foldwatch_units::Micros;
/// let now = Micros::from_secs(1_798_761_600.0); // 1 January 2027
/// let day = |day: f64| When { cycle: 0, at: Micros::from_secs(1_798_761_600.0 + day * 86_400.0) };
/// let likely = Forecast::Likely { earliest: day(122.0), middle: day(160.0), latest: day(190.0) };
/// assert_eq!(words::forecast(&likely, now), "likely June 2027; not before 3 May 2027, not after 10 July 2027");
/// let early = Forecast::TooEarly { more_cycles: 40 };
/// assert_eq!(words::forecast(&early, now), "too early to say, it takes 40 more cycles");
/// ```
pub fn forecast(forecast: &Forecast, now: Micros) -> String {
    match forecast {
        Forecast::NoLimit => "no limit is set".to_owned(),
        Forecast::Past { probability } if *probability >= 0.95 => "past the limit".to_owned(),
        Forecast::Past { .. } => "about at the limit, more likely past it".to_owned(),
        Forecast::NotBefore { earliest } => format!("not before {}", day(date(earliest.at))),
        Forecast::TooEarly { more_cycles: 1 } => "too early to say, it takes 1 more cycle".to_owned(),
        Forecast::TooEarly { more_cycles } => format!("too early to say, it takes {more_cycles} more cycles"),
        Forecast::Likely { earliest, middle, latest } => {
            let (first, likely, last) = (date(earliest.at), date(middle.at), date(latest.at));
            let ends = if first <= date(now) {
                format!("may be any day, not after {}", day(last))
            } else {
                format!("not before {}, not after {}", day(first), day(last))
            };
            if (last - first).get_days() <= ONE_MONTH_WILL_DO {
                format!("likely {}; {ends}", month(likely))
            } else {
                format!("likely between {} and {}; {ends}", month(first), month(last))
            }
        }
    }
}

/// A comparison in words; `unit` stands after the numbers.
pub fn comparison(found: &Comparison, unit: &str) -> String {
    let size = format!(
        "{:+.2} {unit} ({:+.2} to {:+.2}, {:.0} %)",
        found.shift.value,
        found.shift.low,
        found.shift.high,
        100.0 * found.confidence
    );
    match found.verdict {
        Verdict::Better => format!("better: {size}"),
        Verdict::Worse => format!("worse: {size}"),
        Verdict::NoChangeShown => format!("no change shown: {size}"),
        Verdict::CannotTell { more_cycles: Some(1) } => format!("can't tell yet: about 1 more cycle; {size}"),
        Verdict::CannotTell { more_cycles: Some(more) } => {
            format!("can't tell yet: about {more} more cycles; {size}")
        }
        Verdict::CannotTell { more_cycles: None } => {
            format!("can't tell, and more cycles after won't help: too few before; {size}")
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::forecast::When;

    const NEW_YEAR: f64 = 1_798_761_600.0; // 1 January 2027

    fn at(day: f64) -> When {
        When { cycle: 0, at: Micros::from_secs(NEW_YEAR + day * 86_400.0) }
    }

    #[test]
    fn what_is_said() {
        let now = at(0.0).at;
        let say = |f: Forecast| forecast(&f, now);
        assert_eq!(say(Forecast::NotBefore { earliest: at(122.0) }), "not before 3 May 2027");
        assert_eq!(
            say(Forecast::Likely { earliest: at(0.3), middle: at(10.0), latest: at(31.0) }),
            "likely January 2027; may be any day, not after 1 February 2027"
        );
        assert_eq!(
            say(Forecast::Likely { earliest: at(122.0), middle: at(200.0), latest: at(400.0) }),
            "likely between May 2027 and February 2028; not before 3 May 2027, not after 5 February 2028"
        );
        assert_eq!(say(Forecast::Past { probability: 0.99 }), "past the limit");
        assert_eq!(say(Forecast::TooEarly { more_cycles: 1 }), "too early to say, it takes 1 more cycle");
    }

    #[test]
    fn moments_outside_of_the_calendar() {
        let far = Forecast::NotBefore { earliest: When { cycle: 0, at: Micros::MAX } };
        assert_eq!(forecast(&far, Micros::MIN), "not before 30 December 9999");
    }
}
