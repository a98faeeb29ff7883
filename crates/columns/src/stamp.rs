//! One date and time as text: what it says, digit by digit. Not here: zones, origins, plain numbers.

use crate::number::Decimal;
use crate::time::SECOND;

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
pub(crate) fn date(text: &[u8]) -> Option<(i64, usize)> {
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
pub(crate) fn by_pattern(pattern: &str, cell: &[u8]) -> Option<Said> {
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
