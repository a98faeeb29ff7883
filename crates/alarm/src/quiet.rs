//! Hours in which nobody is told anything.

use foldwatch_units::Micros;
use jiff::Timestamp;
use jiff::civil::Time;
use jiff::tz::TimeZone;

/// From a time of day until another, past midnight where the second is the earlier one.
#[derive(Debug, Clone, PartialEq)]
pub struct Quiet {
    from: Time,
    until: Time,
    zone: TimeZone,
}

/// Why hours are none.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NotQuiet {
    /// Not two times of day.
    #[error("`{0}` are no hours; as `21:00-07:00`")]
    Hours(String),
    /// The whole day, or none of it.
    #[error("`{0}`: begins when it ends; leave quiet hours out, or name two different times")]
    Empty(String),
    /// An unknown zone.
    #[error("`{0}` is no time zone; as `Europe/Berlin` or `UTC`")]
    Zone(String),
}

impl Quiet {
    /// From `21:00-07:00` and a zone of the IANA database.
    ///
    /// # Errors
    /// What is wrong with them.
    pub fn new(hours: &str, zone: &str) -> Result<Self, NotQuiet> {
        let time = |text: &str| Time::strptime("%H:%M", text.trim()).ok();
        let (from, until) = hours
            .split_once('-')
            .and_then(|(from, until)| Some((time(from)?, time(until)?)))
            .ok_or_else(|| NotQuiet::Hours(hours.to_owned()))?;
        if from == until {
            return Err(NotQuiet::Empty(hours.to_owned()));
        }
        let zone = TimeZone::get(zone).map_err(|_| NotQuiet::Zone(zone.to_owned()))?;
        Ok(Quiet { from, until, zone })
    }

    /// The first moment, not before `now`, at which somebody may be told.
    pub fn over(&self, now: Micros) -> Micros {
        let Ok(stamp) = Timestamp::from_microsecond(now.0) else { return now };
        let here = stamp.to_zoned_datetime(self.zone.clone());
        let time = here.time();
        let past_midnight = self.from > self.until;
        let quiet = if past_midnight {
            time >= self.from || time < self.until
        } else {
            time >= self.from && time < self.until
        };
        if !quiet {
            return now;
        }
        let day = if past_midnight && time >= self.from { here.date().tomorrow() } else { Ok(here.date()) };
        let end = day.and_then(|day| day.to_datetime(self.until).to_zoned_datetime(self.zone.clone()));
        end.map_or(now, |end| now.max(Micros(end.timestamp().as_microsecond())))
    }
}

impl std::fmt::Display for Quiet {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let zone = self.zone.iana_name().unwrap_or("");
        write!(f, "{} to {} {zone}", self.from.strftime("%H:%M"), self.until.strftime("%H:%M"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn over(quiet: &Quiet, now: &str) -> String {
        let now: Timestamp = now.parse().unwrap();
        let over = quiet.over(Micros(now.as_microsecond()));
        Timestamp::from_microsecond(over.0).unwrap().to_string()
    }

    #[test]
    fn a_night_ends_in_the_morning() {
        let night = Quiet::new("21:00-07:00", "UTC").unwrap();
        for (now, next) in [
            ("2027-01-10T20:59:59Z", "2027-01-10T20:59:59Z"),
            ("2027-01-10T21:00:00Z", "2027-01-11T07:00:00Z"),
            ("2027-01-11T03:00:00Z", "2027-01-11T07:00:00Z"),
            ("2027-01-11T07:00:00Z", "2027-01-11T07:00:00Z"),
        ] {
            assert_eq!(over(&night, now), next, "{now}");
        }
        let noon = Quiet::new("12:00 - 13:30", "UTC").unwrap();
        assert_eq!(over(&noon, "2027-01-10T12:10:00Z"), "2027-01-10T13:30:00Z");
        assert_eq!(over(&noon, "2027-01-10T23:10:00Z"), "2027-01-10T23:10:00Z");
    }

    #[test]
    fn the_clock_on_the_wall_counts() {
        // Clocks go forward on 28 March 2027 in this zone: the night has an hour less (IANA time zone database).
        let night = Quiet::new("22:00-06:00", "Europe/Berlin").unwrap();
        assert_eq!(over(&night, "2027-03-27T21:00:00Z"), "2027-03-28T04:00:00Z");
        assert_eq!(over(&night, "2027-01-10T21:00:00Z"), "2027-01-11T05:00:00Z");
        // An end that the clock leaps over is the moment after the leap.
        let short = Quiet::new("22:00-02:30", "Europe/Berlin").unwrap();
        assert_eq!(over(&short, "2027-03-27T23:00:00Z"), "2027-03-28T01:30:00Z");
    }

    #[test]
    fn what_is_no_hours_is_told() {
        assert_eq!(Quiet::new("late", "UTC"), Err(NotQuiet::Hours("late".into())));
        assert_eq!(Quiet::new("25:00-07:00", "UTC"), Err(NotQuiet::Hours("25:00-07:00".into())));
        assert_eq!(Quiet::new("07:00-07:00", "UTC"), Err(NotQuiet::Empty("07:00-07:00".into())));
        assert_eq!(Quiet::new("21:00-07:00", "Nowhere/At"), Err(NotQuiet::Zone("Nowhere/At".into())));
    }
}
