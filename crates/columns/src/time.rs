//! Time stamps to microseconds, exactly.

use crate::number::{Decimal, plain, scaled};
use crate::stamp::{Field, Said, by_fields, by_pattern, date, stamp};
use jiff::civil;
use jiff::tz::TimeZone;

pub(crate) const SECOND: i64 = 1_000_000;
const DAY: i64 = 86_400 * SECOND;
/// Nearer to the ends of an `i64` than this a stamp is rubbish, and sums could overflow.
const FARTHEST: i64 = i64::MAX / 4;

/// The unit of a time column that holds plain numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TimeUnit {
    /// Nanoseconds.
    Nanoseconds,
    /// Microseconds.
    Microseconds,
    /// Milliseconds.
    Milliseconds,
    /// Seconds.
    Seconds,
    /// Minutes.
    Minutes,
    /// Hours.
    Hours,
    /// Days, as spreadsheets count them.
    Days,
}

impl TimeUnit {
    /// Every unit with the ways of writing it; the first one is how it stands in a map.
    pub(crate) const SPELLINGS: [(TimeUnit, &'static [&'static str]); 7] = [
        (TimeUnit::Nanoseconds, &["ns", "nsec", "nanoseconds"]),
        (TimeUnit::Microseconds, &["us", "µs", "μs", "usec", "micros", "microseconds"]),
        (TimeUnit::Milliseconds, &["ms", "msec", "millis", "milliseconds"]),
        (TimeUnit::Seconds, &["s", "sec", "secs", "second", "seconds"]),
        (TimeUnit::Minutes, &["min", "mins", "minute", "minutes"]),
        (TimeUnit::Hours, &["h", "hr", "hour", "hours"]),
        (TimeUnit::Days, &["d", "day", "days"]),
    ];

    pub(crate) fn find(text: &str) -> Option<TimeUnit> {
        let wanted = text.trim().to_lowercase();
        Self::SPELLINGS.iter().find(|(_, names)| names.contains(&wanted.as_str())).map(|(unit, _)| *unit)
    }

    /// How it stands in a map.
    pub fn symbol(self) -> &'static str {
        Self::SPELLINGS.iter().find(|(unit, _)| *unit == self).map_or("", |(_, names)| names[0])
    }

    /// One of these in microseconds, as a ratio.
    fn ratio(self) -> (u64, u64) {
        match self {
            TimeUnit::Nanoseconds => (1, 1000),
            TimeUnit::Microseconds => (1, 1),
            TimeUnit::Milliseconds => (1000, 1),
            TimeUnit::Seconds => (1_000_000, 1),
            TimeUnit::Minutes => (60_000_000, 1),
            TimeUnit::Hours => (3_600_000_000, 1),
            TimeUnit::Days => (86_400_000_000, 1),
        }
    }
}

/// How the time cells are written.
#[derive(Debug, Clone)]
pub(crate) enum Form {
    /// Plain numbers.
    Number(Number),
    /// Date and time as in RFC 3339, or a time of day alone.
    Stamp,
    /// A pattern of fields of fixed width.
    Fields(Vec<Field>),
    /// Any other pattern.
    Pattern(String),
}

/// Plain numbers in a unit.
#[derive(Debug, Clone)]
pub(crate) struct Number {
    pub decimal: Decimal,
    unit: TimeUnit,
    /// Microseconds of the last digit, by the count of digits after the mark; 0: not a whole number of them.
    tick: [u64; 10],
}

impl Number {
    pub fn new(unit: TimeUnit, decimal: Decimal) -> Self {
        let (numerator, denominator) = unit.ratio();
        let mut tick = [0; 10];
        for (places, tick) in (0..).zip(&mut tick) {
            let divisor = denominator * 10u64.pow(places);
            if numerator % divisor == 0 {
                *tick = numerator / divisor;
            }
        }
        Number { decimal, unit, tick }
    }

    pub fn unit(&self) -> TimeUnit {
        self.unit
    }

    /// Reads the number that `text` begins with; `None`: not one of the plain ones, look closer.
    #[inline]
    fn quick(&self, text: &[u8]) -> Option<(i64, usize)> {
        let found = plain(text, self.decimal)?;
        let tick = *self.tick.get(found.fraction)?;
        let micros = i64::try_from(found.digits.checked_mul(tick)?).ok()?;
        (tick != 0 && micros < FARTHEST).then_some((micros, found.used))
    }

    #[inline]
    fn read(&self, cell: &[u8]) -> Option<i64> {
        match self.quick(cell) {
            Some((micros, used)) if used == cell.len() => Some(micros),
            _ => self.closely(cell),
        }
    }

    #[cold]
    fn closely(&self, cell: &[u8]) -> Option<i64> {
        let (numerator, denominator) = self.unit.ratio();
        scaled(cell, self.decimal, numerator, denominator)
    }
}

/// Reads the time cells of one log. Each thread has its own.
#[derive(Debug, Clone)]
pub(crate) struct Clock {
    form: Form,
    /// Form of the cells of a separate date column.
    date_form: Option<Form>,
    origin: i64,
    zone: Zone,
    /// Before a fraction in a cell whose end is not known yet: a comma may as well be the delimiter.
    mark: Decimal,
    /// The date cell read last, and its days.
    date: (Vec<u8>, i64),
}

impl Clock {
    pub fn new(form: Form, date_form: Option<Form>, origin: i64, zone: Zone, mark: Decimal) -> Self {
        Clock { form, date_form, origin, zone, mark, date: (Vec::new(), 0) }
    }

    /// Reads the date cell that holds for the next times.
    pub fn set_date(&mut self, cell: &[u8]) -> Option<()> {
        if self.date.0 == cell && !cell.is_empty() {
            return Some(());
        }
        let days = match self.date_form.as_ref()? {
            Form::Number(number) => number.read(cell)?.div_euclid(DAY),
            Form::Stamp => date(cell)?.0,
            Form::Fields(fields) => whole(by_fields(fields, cell, Decimal::Either)?, cell)?.days?,
            Form::Pattern(pattern) => by_pattern(pattern, cell)?.days?,
        };
        self.date.0.clear();
        self.date.0.extend_from_slice(cell);
        self.date.1 = days;
        Some(())
    }

    /// Reads the time that `text` begins with, if it is written the common way; the byte after it decides whether it
    /// was all of the cell. `guess`: how long the cell of the row before was.
    #[inline]
    pub fn quick(&mut self, text: &[u8], guess: usize) -> Option<(i64, usize)> {
        match &self.form {
            Form::Number(number) => {
                let (micros, used) = number.quick(text)?;
                Some((self.base()?.checked_add(micros)?, used))
            }
            Form::Stamp => {
                let said = stamp(text, self.mark)?;
                Some((self.place(said)?, said.used))
            }
            Form::Fields(fields) => {
                let said = by_fields(fields, text, self.mark)?;
                Some((self.place(said)?, said.used))
            }
            Form::Pattern(pattern) => {
                let said = by_pattern(pattern, text.get(..guess)?)?;
                Some((self.place(said)?, guess))
            }
        }
    }

    /// Reads a whole time cell.
    pub fn read(&mut self, cell: &[u8]) -> Option<i64> {
        let said = match &self.form {
            Form::Number(number) => {
                let micros = number.read(cell)?;
                return in_range(self.base()?.checked_add(micros)?);
            }
            Form::Stamp => whole(stamp(cell, Decimal::Either)?, cell)?,
            Form::Fields(fields) => whole(by_fields(fields, cell, Decimal::Either)?, cell)?,
            Form::Pattern(pattern) => by_pattern(pattern, cell)?,
        };
        self.place(said)
    }

    /// Where plain numbers count from.
    #[inline]
    fn base(&mut self) -> Option<i64> {
        if self.date_form.is_none() {
            return Some(self.origin);
        }
        self.zone.utc_of(self.date.1.checked_mul(DAY)?)
    }

    fn place(&mut self, said: Said) -> Option<i64> {
        let days = match (said.days, self.date_form.is_some()) {
            (Some(days), false) => days,
            (_, true) => self.date.1,
            (None, false) => return in_range(self.origin.checked_add(said.of_day)?),
        };
        let local = in_range(days.checked_mul(DAY)?.checked_add(said.of_day)?)?;
        match said.offset {
            Some(offset) => local.checked_sub(offset),
            None => self.zone.utc_of(local),
        }
    }
}

fn in_range(micros: i64) -> Option<i64> {
    (-FARTHEST..FARTHEST).contains(&micros).then_some(micros)
}

fn whole(said: Said, cell: &[u8]) -> Option<Said> {
    (said.used == cell.len()).then_some(said)
}

/// From local time to UTC.
#[derive(Debug, Clone)]
pub(crate) struct Zone {
    zone: Option<TimeZone>,
    /// A quarter of an hour of local time, and its offset in microseconds: no zone changes within one.
    seen: (i64, i64),
}

impl Zone {
    /// `None`: the stamps are UTC.
    pub fn new(zone: Option<TimeZone>) -> Self {
        Zone { zone, seen: (i64::MIN, 0) }
    }

    fn utc_of(&mut self, local: i64) -> Option<i64> {
        let Some(zone) = &self.zone else { return Some(local) };
        let quarter = local.div_euclid(900 * SECOND);
        if self.seen.0 != quarter {
            let start = civil::DateTime::constant(1970, 1, 1, 0, 0, 0, 0)
                .checked_add(jiff::SignedDuration::from_secs(quarter.checked_mul(900)?))
                .ok()?;
            let stamp = zone.to_ambiguous_timestamp(start).compatible().ok()?;
            self.seen = (quarter, quarter * 900 * SECOND - stamp.as_microsecond());
        }
        local.checked_sub(self.seen.1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stamp::fields;
    use proptest::prelude::*;

    fn read(form: Form, zone: Option<&str>, cell: &str) -> Option<i64> {
        let zone = zone.map(|name| jiff::tz::TimeZoneDatabase::bundled().get(name).unwrap());
        let mut clock = Clock::new(form, None, 0, Zone::new(zone), Decimal::Point);
        let whole = clock.read(cell.as_bytes());
        // The quick way, followed by something, agrees wherever it answers.
        let mut followed = cell.as_bytes().to_vec();
        followed.extend_from_slice(b",1,2\n");
        if let (Some(whole), Some((quick, used))) = (whole, clock.quick(&followed, cell.len())) {
            assert!(used < cell.len() || quick == whole, "{cell}");
        }
        whole
    }

    fn secs(secs: i64, micros: i64) -> Option<i64> {
        Some(secs * SECOND + micros)
    }

    /// Times of RFC 3339, 5.8.
    #[test]
    fn internet_times() {
        let stamp = |text| read(Form::Stamp, None, text);
        assert_eq!(stamp("1985-04-12T23:20:50.52Z"), secs(482_196_050, 520_000));
        assert_eq!(stamp("1996-12-19T16:39:57-08:00"), secs(851_042_397, 0));
        assert_eq!(stamp("1990-12-31T23:59:60Z"), secs(662_688_000, 0));
        assert_eq!(stamp("1990-12-31T15:59:60-08:00"), secs(662_688_000, 0));
        assert_eq!(stamp("1937-01-01T12:00:27.87+00:20"), secs(-1_041_337_173, 870_000));
    }

    #[test]
    fn stamps_written_loosely() {
        let stamp = |text| read(Form::Stamp, None, text);
        let whole = secs(1_777_622_400, 0);
        for text in [
            "2026-05-01 08:00",
            "2026/05/01 08:00:00",
            "2026-05-01 08:00:00.000000 UTC",
            "2026-05-01T10:00:00+0200",
        ] {
            assert_eq!(stamp(text), whole, "{text}");
        }
        assert_eq!(stamp("08:00:01.5"), secs(28_801, 500_000));
        for text in [
            "",
            "2026-05-01",
            "2026-02-30 08:00",
            "2026-05-01 24:00",
            "2026-05-01 08:60",
            "8:00",
            "2026-05-01T08:00:00X",
        ] {
            assert_eq!(stamp(text), None, "{text}");
        }
    }

    #[test]
    fn local_times() {
        let berlin = |text| read(Form::Stamp, Some("Europe/Berlin"), text);
        assert_eq!(berlin("2026-05-01 10:00"), secs(1_777_622_400, 0));
        assert_eq!(berlin("2026-01-01 01:00:00.25"), secs(1_767_225_600, 250_000));
        // An offset in the stamp goes before the zone.
        assert_eq!(berlin("2026-05-01 08:00Z"), secs(1_777_622_400, 0));
    }

    #[test]
    fn patterns() {
        let by = |pattern: &str, cell: &str| {
            let form = fields(pattern).map_or(Form::Pattern(pattern.into()), Form::Fields);
            read(form, None, cell)
        };
        let whole = secs(1_777_622_400, 10_000);
        assert_eq!(by("%d.%m.%Y %H:%M:%S%.f", "01.05.2026 08:00:00.010"), whole);
        assert_eq!(by("%d.%m.%Y %H:%M:%S%.f", "01.05.2026 08:00:00,01"), whole);
        assert_eq!(by("%y%m%d-%H%M%S-%f", "260501-080000-010"), whole);
        assert_eq!(by("%d %b %Y %I:%M:%S%.f %p", "01 May 2026 08:00:00.01 AM"), whole);
        assert_eq!(by("%F %T%.f %z", "2026-05-01 10:00:00.01 +0200"), whole);
        assert_eq!(by("%d.%m.%Y", "32.05.2026"), None);
        assert!(fields("%d %b").is_none());
    }

    #[test]
    fn date_and_time_apart() {
        let mut clock = Clock::new(Form::Stamp, Some(Form::Stamp), 0, Zone::new(None), Decimal::Point);
        assert_eq!(clock.set_date(b"2026-05-01"), Some(()));
        assert_eq!(clock.read(b"08:00:00"), secs(1_777_622_400, 0));
        assert_eq!(clock.set_date(b"soon"), None);
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(256))]
        /// The time library is the independent reader of dates.
        #[test]
        fn stamps_as_the_library_reads_them(micros in -2_000_000_000_000_000i64..4_000_000_000_000_000) {
            let text = jiff::Timestamp::from_microsecond(micros).unwrap().to_string();
            prop_assert_eq!(read(Form::Stamp, None, &text), Some(micros));
        }

        #[test]
        fn quick_numbers_are_exact(micros in 0i64..9_000_000_000_000_000, places in 6usize..9) {
            let text = format!("{}.{:06}{:0>width$}", micros / SECOND, micros % SECOND, "", width = places - 6);
            prop_assert_eq!(read(Form::Number(Number::new(TimeUnit::Seconds, Decimal::Point)), None, &text), Some(micros));
        }

        #[test]
        fn rubbish_is_no_panic(cell in proptest::collection::vec(any::<u8>(), 0..40), digits in "[0-9:.+Ze -]{0,30}") {
            for cell in [&cell[..], digits.as_bytes()] {
                for form in [Form::Stamp, Form::Fields(fields("%F %T%.f").unwrap()), Form::Pattern("%d %b %y".into()), Form::Number(Number::new(TimeUnit::Days, Decimal::Either))] {
                    let mut clock = Clock::new(form.clone(), Some(form), 0, Zone::new(None), Decimal::Point);
                    clock.set_date(cell);
                    clock.read(cell);
                    clock.quick(cell, 7);
                }
            }
        }
    }
}
