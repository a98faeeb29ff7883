//! How the times of a log are read: from the map, the header and the first row.

use crate::layout::Wrap;
use crate::map::{ColumnMap, TimeForm};
use crate::names::Heading;
use crate::number::{Decimal, number};
use crate::places::Found;
use crate::record::Delimiter;
use crate::stamp;
use crate::time::{Clock, Form, Number, TimeUnit, Zone};

/// How times are read, from the map, the header and the first row. `None`: this is no row.
pub(crate) fn clock<'r>(
    map: &ColumnMap,
    found: &mut Found,
    cell: impl Fn(usize) -> &'r [u8],
    decimal: Decimal,
    delimiter: Delimiter,
    headings: &[Heading],
    assumed: &mut Vec<String>,
) -> Option<(Clock, Option<Wrap>, bool)> {
    let said = map.time.as_ref();
    let first = cell(found.time);
    let form = match said.and_then(|said| said.form.as_ref()) {
        Some(form) => form_of(form, decimal),
        None => {
            let name = headings.get(found.time).map_or("of time", |h| h.full.as_str());
            recognise(first, found.time_unit, decimal, name, assumed)?
        }
    };
    let says_date = |form: &Form| match form {
        Form::Number(_) => false,
        Form::Stamp => stamp::stamp(first, Decimal::Either).is_some_and(|said| said.days.is_some()),
        Form::Fields(fields) => {
            stamp::by_fields(fields, first, Decimal::Either).is_some_and(|said| said.days.is_some())
        }
        // Anything else is written out for the sake of a date.
        Form::Pattern(pattern) => ["%d", "%e", "%j", "%F", "%D", "%s"].iter().any(|d| pattern.contains(d)),
    };
    let dated_stamps = says_date(&form);
    if said.is_none_or(|said| said.date.is_none()) && dated_stamps {
        found.date = None;
    }
    let date_form = match (found.date, said.and_then(|said| said.date.as_ref())) {
        (None, _) => None,
        (Some(_), Some((_, Some(form)))) => Some(form_of(form, decimal)),
        (Some(_), _) => Some(Form::Stamp),
    };
    let origin = said.and_then(|said| said.origin);
    let zone = said.and_then(|said| said.zone.clone());
    let with_zone = stamp::stamp(first, Decimal::Either).is_some_and(|said| said.offset.is_some());
    if (dated_stamps || date_form.is_some()) && zone.is_none() && !with_zone {
        assumed.push("the time stamps name no zone: taken as UTC".to_owned());
    }
    let mark = if delimiter == Delimiter::Byte(b',') { Decimal::Point } else { Decimal::Either };
    let wrap = match &form {
        _ if date_form.is_some() || dated_stamps => None,
        // A counter of 32 bits runs over after 49.7 days in milliseconds and after 71.6 minutes in microseconds.
        Form::Number(number) => {
            let tick = match number.unit() {
                TimeUnit::Milliseconds => Some(1000),
                TimeUnit::Microseconds => Some(1),
                _ => None,
            };
            tick.map(|tick| Wrap { period: tick << 32, least_drop: (tick << 32) - (tick << 28) })
        }
        // A time of day that goes back by more than an hour means the next day.
        _ => Some(Wrap { period: 86_400_000_000, least_drop: 3_600_000_000 }),
    };
    let mut clock =
        Clock::new(form, date_form.clone(), origin.map_or(0, |origin| origin.0), Zone::new(zone), mark);
    if let Some(date) = found.date {
        clock.set_date(cell(date))?;
    }
    let time = clock.read(first)?;
    // A plain count that is past 1980 (10 years) counts from the epoch.
    let dated = dated_stamps || date_form.is_some() || origin.is_some() || time > 315_360_000_000_000;
    Some((clock, wrap, dated))
}

fn form_of(form: &TimeForm, decimal: Decimal) -> Form {
    match form {
        TimeForm::Unit(unit) => Form::Number(Number::new(*unit, decimal)),
        TimeForm::Rfc3339 => Form::Stamp,
        TimeForm::Pattern(pattern) => {
            stamp::fields(pattern).map_or_else(|| Form::Pattern(pattern.clone()), Form::Fields)
        }
    }
}

/// The form of a time cell that nobody described.
fn recognise(
    cell: &[u8],
    stated: Option<TimeUnit>,
    decimal: Decimal,
    name: &str,
    assumed: &mut Vec<String>,
) -> Option<Form> {
    if let Some(value) = number(cell, decimal) {
        // Counts from the epoch: seconds have 10 digits in our time, milliseconds 13.
        let unit = stated.unwrap_or(match value.abs() {
            v if v < 1e11 => TimeUnit::Seconds,
            v if v < 1e14 => TimeUnit::Milliseconds,
            v if v < 1e17 => TimeUnit::Microseconds,
            _ => TimeUnit::Nanoseconds,
        });
        if stated.is_none() {
            assumed.push(format!("column `{name}` names no unit: taken as {}", unit.symbol()));
        }
        return value.is_finite().then(|| Form::Number(Number::new(unit, decimal)));
    }
    stamp::stamp(cell, Decimal::Either).map(|_| Form::Stamp)
}
