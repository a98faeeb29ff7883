//! Time stamps to microseconds, exactly.

use crate::number::{Decimal, plain, scaled};
use jiff::civil;
use jiff::tz::TimeZone;

const SECOND: i64 = 1_000_000;
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

/// One piece of a pattern.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Field {
    Literal(u8),
    Year,
    ShortYear,
    Month,
    Day,
    Hour,
    Minute,
    Second,
    /// A mark and digits, or nothing.
    Fraction,
    /// Digits alone.
    Digits,
}

/// What a pattern or a stamp said: days since the epoch, microseconds of the day, offset from UTC.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Said {
    pub days: Option<i64>,
    pub of_day: i64,
    /// Microseconds east.
    pub offset: Option<i64>,
    pub used: usize,
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

/// Days from the epoch to a date of the Gregorian calendar; `None` for a date that does not exist.
fn days(year: i64, month: i64, day: i64) -> Option<i64> {
    const LONG: [i64; 12] = [31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31];
    const BEFORE: [i64; 12] = [0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334];
    let index = usize::try_from(month - 1).ok()?;
    let leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
    let longest = LONG.get(index)? + i64::from(leap && month == 2);
    if day < 1 || day > longest {
        return None;
    }
    let past = year - 1;
    let leap_days = past.div_euclid(4) - past.div_euclid(100) + past.div_euclid(400);
    // 719162 days lie between 0001-01-01 and 1970-01-01.
    Some(past * 365 + leap_days - 719_162 + BEFORE[index] + i64::from(leap && month > 2) + day - 1)
}

#[inline]
fn digits(text: &[u8], at: usize, count: usize) -> Option<i64> {
    let mut value = 0i64;
    for byte in text.get(at..at + count)? {
        let digit = byte.wrapping_sub(b'0');
        if digit > 9 {
            return None;
        }
        value = value * 10 + i64::from(digit);
    }
    Some(value)
}

/// Digits of a second's fraction in microseconds, cut (not rounded: a stamp must not jump into the next second), and
/// how many digits there were.
#[inline]
fn fraction(text: &[u8]) -> (i64, usize) {
    let (mut micros, mut at) = (0i64, 0);
    while let Some(digit) = text.get(at).map(|b| b.wrapping_sub(b'0')).filter(|d| *d < 10) {
        if at < 6 {
            micros = micros * 10 + i64::from(digit);
        }
        at += 1;
    }
    for _ in at..6 {
        micros *= 10;
    }
    (micros, at)
}

fn of_day(hour: i64, minute: i64, second: i64, micros: i64) -> Option<i64> {
    // 60 is a leap second: it reads as the first of the next minute (RFC 3339, 5.7).
    let real = hour < 24 && minute < 60 && second <= 60;
    real.then_some((hour * 3600 + minute * 60 + second) * SECOND + micros)
}

/// A date at the beginning: year, month, day with `-`, `/` or `.` between them. Gives its days and its length.
fn date(text: &[u8]) -> Option<(i64, usize)> {
    let mark = *text.get(4)?;
    if !matches!(mark, b'-' | b'/' | b'.') || text.get(7) != Some(&mark) {
        return None;
    }
    Some((days(digits(text, 0, 4)?, digits(text, 5, 2)?, digits(text, 8, 2)?)?, 10))
}

/// RFC 3339, also with a blank between date and time, without seconds, without a zone, or a time of day alone.
#[inline]
pub(crate) fn stamp(text: &[u8], mark: Decimal) -> Option<Said> {
    let (days, mut at) = match date(text) {
        Some((days, length)) => match text.get(length) {
            Some(b'T' | b't' | b' ' | b'_') => (Some(days), length + 1),
            _ => return None,
        },
        None => (None, 0),
    };
    let hour = digits(text, at, 2)?;
    if text.get(at + 2) != Some(&b':') {
        return None;
    }
    let minute = digits(text, at + 3, 2)?;
    at += 5;
    let (mut second, mut micros) = (0, 0);
    if text.get(at) == Some(&b':') {
        second = digits(text, at + 1, 2)?;
        at += 3;
        if text.get(at).is_some_and(|b| mark.is_mark(*b)) {
            let (found, used) = fraction(&text[at + 1..]);
            micros = found;
            at += 1 + used;
        }
    }
    let (offset, used) = zone_offset(&text[at..]);
    Some(Said { days, of_day: of_day(hour, minute, second, micros)?, offset, used: at + used })
}

/// `Z`, `+02:00`, `+0200`, ` UTC`, or nothing.
fn zone_offset(text: &[u8]) -> (Option<i64>, usize) {
    let blank = usize::from(text.first() == Some(&b' '));
    let rest = &text[blank..];
    let (east, found) = match rest.first() {
        Some(b'Z' | b'z') => return (Some(0), blank + 1),
        Some(b'U') if rest.starts_with(b"UTC") => return (Some(0), blank + 3),
        Some(b'+') => (1, true),
        Some(b'-') => (-1, true),
        _ => (0, false),
    };
    let parts = || {
        let hours = digits(rest, 1, 2)?;
        let colon = usize::from(rest.get(3) == Some(&b':'));
        Some((hours, digits(rest, 3 + colon, 2)?, 5 + colon))
    };
    match found.then(parts).flatten() {
        Some((hours, minutes, used)) if hours < 24 && minutes < 60 => {
            (Some(east * (hours * 60 + minutes) * 60 * SECOND), blank + used)
        }
        _ => (None, 0),
    }
}

/// Splits a pattern into fields where every one of them has a fixed width.
pub(crate) fn fields(pattern: &str) -> Option<Vec<Field>> {
    let mut out = Vec::new();
    let mut rest = pattern.as_bytes();
    while let [first, tail @ ..] = rest {
        rest = tail;
        if *first != b'%' {
            out.push(Field::Literal(*first));
            continue;
        }
        if let [b'.', b'f', tail @ ..] = rest {
            out.push(Field::Fraction);
            rest = tail;
            continue;
        }
        let [letter, tail @ ..] = rest else { return None };
        rest = tail;
        use Field::{Day, Digits, Hour, Literal, Minute, Month, Second, ShortYear, Year};
        match letter {
            b'Y' => out.push(Year),
            b'y' => out.push(ShortYear),
            b'm' => out.push(Month),
            b'd' => out.push(Day),
            b'H' => out.push(Hour),
            b'M' => out.push(Minute),
            b'S' => out.push(Second),
            b'f' => out.push(Digits),
            b'F' => out.extend([Year, Literal(b'-'), Month, Literal(b'-'), Day]),
            b'T' => out.extend([Hour, Literal(b':'), Minute, Literal(b':'), Second]),
            b'%' => out.push(Literal(b'%')),
            _ => return None,
        }
    }
    Some(out)
}

/// Reads the fields that `text` begins with.
#[inline]
pub(crate) fn by_fields(fields: &[Field], text: &[u8], mark: Decimal) -> Option<Said> {
    let mut at = 0;
    let (mut year, mut month, mut day) = (None, None, None);
    let (mut hour, mut minute, mut second, mut micros) = (0, 0, 0, 0);
    for field in fields {
        let width = match field {
            Field::Literal(byte) => {
                if text.get(at) != Some(byte) {
                    return None;
                }
                at += 1;
                continue;
            }
            Field::Fraction => {
                if text.get(at).is_some_and(|b| mark.is_mark(*b)) {
                    let (found, used) = fraction(&text[at + 1..]);
                    if used > 0 {
                        micros = found;
                        at += 1 + used;
                    }
                }
                continue;
            }
            Field::Digits => {
                let (found, used) = fraction(text.get(at..)?);
                if used == 0 {
                    return None;
                }
                micros = found;
                at += used;
                continue;
            }
            Field::Year => 4,
            _ => 2,
        };
        let value = digits(text, at, width)?;
        at += width;
        match field {
            Field::Year => year = Some(value),
            // As POSIX strptime reads two digits of a year.
            Field::ShortYear => year = Some(if value < 69 { 2000 + value } else { 1900 + value }),
            Field::Month => month = Some(value),
            Field::Day => day = Some(value),
            Field::Hour => hour = value,
            Field::Minute => minute = value,
            _ => second = value,
        }
    }
    let days = match (year, month, day) {
        (Some(year), Some(month), Some(day)) => Some(days(year, month, day)?),
        _ => None,
    };
    Some(Said { days, of_day: of_day(hour, minute, second, micros)?, offset: None, used: at })
}

/// Reads a whole cell by any pattern that the time library knows.
fn by_pattern(pattern: &str, cell: &[u8]) -> Option<Said> {
    let found = jiff::fmt::strtime::parse(pattern, cell).ok()?;
    let days = found.to_date().ok().and_then(|d| days(d.year().into(), d.month().into(), d.day().into()));
    let of_day = match found.to_time() {
        Ok(time) => {
            let seconds =
                i64::from(time.hour()) * 3600 + i64::from(time.minute()) * 60 + i64::from(time.second());
            seconds * SECOND + i64::from(time.subsec_nanosecond()) / 1000
        }
        Err(_) => 0,
    };
    let offset = found.offset().map(|o| i64::from(o.seconds()) * SECOND);
    Some(Said { days, of_day, offset, used: cell.len() })
}

#[cfg(test)]
mod tests {
    use super::*;
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
