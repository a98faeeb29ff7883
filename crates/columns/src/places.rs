//! Which column of a header is the time, and which are the signals.

use crate::layout::says_nothing;
use crate::map::{Column, ColumnMap, SignalColumn};
use crate::names::{Heading, nearest, plain};
use crate::parse::example;
use crate::record::{Delimiter, split, text};
use crate::time::TimeUnit;
use foldwatch_profile::{Profile, Signal, SignalIx};
use foldwatch_units::Unit;

/// Columns found, by their places from 0.
#[derive(Debug, Clone)]
pub(crate) struct Found {
    pub time: usize,
    pub date: Option<usize>,
    pub time_unit: Option<TimeUnit>,
    pub signals: Vec<Place>,
}

/// Where a signal stands.
#[derive(Debug, Clone)]
pub(crate) struct Place {
    pub column: usize,
    pub signal: SignalIx,
    pub unit: Option<Unit>,
    pub said: Option<SignalColumn>,
}

/// Finds every column that is asked for, or says how many were found and what is wrong.
pub(crate) fn places(
    map: &ColumnMap,
    profile: &Profile,
    headings: &[Heading],
) -> Result<Found, (usize, String)> {
    let mut tally = Tally::default();
    let mut time_unit = None;
    let mut date = None;
    let said = map.time.as_ref();
    if let Some((column, _)) = said.and_then(|said| said.date.as_ref()) {
        date = tally.place(column, "the date", headings);
    }
    let time = match said.and_then(|said| said.column.as_ref()) {
        Some(column) => {
            let found = tally.place(column, "the time", headings);
            time_unit = found
                .and_then(|at| headings.get(at))
                .and_then(|h| h.is_time().and_then(|(_, unit)| unit).or_else(|| bracket_unit(h)));
            found
        }
        None => {
            let best = headings.iter().enumerate().filter_map(|(at, h)| Some((h.is_time()?, at)));
            let best = best.min_by_key(|((rank, _), at)| (*rank, *at));
            match best {
                Some(((_, unit), at)) => {
                    tally.matches += 1;
                    time_unit = unit;
                    date = date.or_else(|| headings.iter().position(Heading::is_date));
                    Some(at)
                }
                None => {
                    tally
                        .problems
                        .push("no column is called time: name it under [time] in a column map".to_owned());
                    None
                }
            }
        }
    };

    let mut signals = Vec::new();
    if map.signals.is_empty() {
        for (ix, signal) in profile.signals() {
            let wanted = [plain(&signal.id), plain(&signal.label)];
            let mut named =
                headings.iter().enumerate().filter_map(|(at, h)| Some((at, h.is_signal(&wanted)?)));
            let Some((column, written)) = named.next() else { continue };
            tally.matches += 1;
            let unit = stated(written, &headings[column], signal).unwrap_or_else(|problem| {
                tally.problems.push(problem);
                None
            });
            if let Some((other, _)) = named.next() {
                tally.problems.push(format!(
                    "columns {} and {} are both called `{}`: say in a column map which one it is",
                    column + 1,
                    other + 1,
                    signal.id
                ));
            }
            signals.push(Place { column, signal: ix, unit, said: None });
        }
        if signals.is_empty() {
            tally.problems.push(format!(
                "no column is called as a signal of the profile ({}): name them in a column map",
                list(profile.signals.iter().map(|s| s.id.as_str()))
            ));
        }
    } else {
        for said in &map.signals {
            let signal = profile.signals.get(said.signal.at());
            let id = signal.map_or("?", |s| s.id.as_str());
            let Some(column) = tally.place(&said.column, &format!("signal `{id}`"), headings) else {
                continue;
            };
            // What the map says of the numbers counts; the heading is asked where it says nothing.
            let unit = match (headings.get(column), signal) {
                (Some(heading), Some(signal)) if said.unit.is_none() && said.calibrated != Some(false) => {
                    let fits = |unit: &Unit| unit.quantity == signal.unit.quantity && scale_is_one(said);
                    let hung_on = || heading.hung_on_unit().filter(fits);
                    match stated(heading.bracket.as_deref(), heading, signal)
                        .map(|unit| unit.or_else(hung_on))
                    {
                        Ok(unit) => unit,
                        Err(_) if said.calibrated == Some(true) || !scale_is_one(said) => None,
                        Err(problem) => {
                            tally.problems.push(problem);
                            None
                        }
                    }
                }
                _ => said.unit,
            };
            signals.push(Place { column, signal: said.signal, unit, said: Some(said.clone()) });
        }
    }
    for place in &mut signals {
        let Some(signal) = profile.signals.get(place.signal.at()) else { continue };
        let Some(unit) = place.unit.filter(|_| !signal.kind.is_binary()) else { continue };
        if unit.quantity != signal.unit.quantity {
            let name = headings.get(place.column).map_or("?", |h| h.full.as_str());
            // A sensor's volts under a pressure are what the calibration is for.
            if calibrates(signal) || place.said.as_ref().is_some_and(|said| !scale_is_one(said)) {
                place.unit = None;
            } else {
                tally.problems.push(format!(
                    "column `{name}` is in {unit}, and signal `{}` in {}: give a scale in a column map, or a \
                     calibration in the profile",
                    signal.id, signal.unit
                ));
            }
        }
    }
    match (time, tally.problems.is_empty()) {
        (Some(time), true) => Ok(Found { time, date, time_unit, signals }),
        _ => Err((tally.matches, tally.problems.join("; "))),
    }
}

/// Columns found, and what was wrong with others.
#[derive(Default)]
struct Tally {
    matches: usize,
    problems: Vec<String>,
}

impl Tally {
    fn place(&mut self, column: &Column, what: &str, headings: &[Heading]) -> Option<usize> {
        match find_column(column, headings) {
            Ok(place) => {
                self.matches += 1;
                Some(place)
            }
            Err(clash) => {
                let known = clash.is_some();
                let mut problem = clash.unwrap_or_else(|| format!("there is no column {column} for {what}"));
                if let Column::Name(name) = column
                    && !known
                    && let Some(near) = nearest(name, headings.iter().map(|h| h.full.as_str()))
                {
                    problem.push_str(&format!(" (nearest: `{near}`)"));
                }
                self.problems.push(problem);
                None
            }
        }
    }
}

fn scale_is_one(said: &SignalColumn) -> bool {
    said.scale == 1.0 && said.offset == 0.0
}

fn calibrates(signal: &Signal) -> bool {
    signal.calibration.gain != 1.0 || signal.calibration.offset != 0.0
}

/// The unit that a heading states for a signal; `written` is how. A pressure in a unit that nobody knows must not pass for
/// bar, so that is an error. Behind the name of a switch anything may stand.
fn stated(written: Option<&str>, heading: &Heading, signal: &Signal) -> Result<Option<Unit>, String> {
    const RAW: [&str; 8] = ["raw", "count", "counts", "adc", "lsb", "digit", "digits", "%"];
    let Some(written) = written.filter(|text| !signal.kind.is_binary() && !says_nothing(text.as_bytes()))
    else {
        return Ok(None);
    };
    match written.parse::<Unit>() {
        Ok(unit) => Ok(Some(unit)),
        Err(_) if calibrates(signal) && RAW.contains(&&*written.to_lowercase()) => Ok(None),
        Err(unknown) => Err(format!(
            "column `{}`: {unknown}; signal `{}` is a {}, and may be in {}: convert the numbers, or say in a column map \
             what they are (`unit`, or `scale` and `calibrated`)",
            example(heading.full.as_bytes()),
            signal.id,
            signal.kind.as_str(),
            Unit::spellings(signal.unit.quantity).join(", ")
        )),
    }
}

pub(crate) fn headings(record: &[u8], delimiter: Delimiter) -> Vec<Heading> {
    let mut fields = Vec::new();
    split(record, delimiter, true, &mut fields);
    let mut headings: Vec<Heading> = fields.iter().map(|span| Heading::new(&text(record, *span))).collect();
    if headings.len() > 1 && headings.last().is_some_and(|h| h.full.is_empty()) {
        headings.pop();
    }
    // `# time a b`: the mark stands alone where blanks divide.
    if delimiter == Delimiter::Blanks && headings.first().is_some_and(|h| h.full.is_empty()) {
        headings.remove(0);
    }
    headings
}

fn bracket_unit(heading: &Heading) -> Option<TimeUnit> {
    heading.bracket.as_deref().and_then(TimeUnit::find)
}

/// The place of a column from 0; `Err(Some)`: two answer to the name.
fn find_column(column: &Column, headings: &[Heading]) -> Result<usize, Option<String>> {
    match column {
        Column::Number(number) => {
            let at = number.checked_sub(1).ok_or(None)?;
            if headings.is_empty() || at < headings.len() {
                return Ok(at);
            }
            Err(Some(format!("there is no column {number}: the header names {}", headings.len())))
        }
        Column::Name(name) => {
            let wanted = plain(name);
            let answers = headings.iter().enumerate();
            let answers: Vec<(usize, usize)> =
                answers.filter_map(|(at, h)| Some((h.answers_to(name, &wanted)?, at))).collect();
            let best = answers.iter().map(|(rank, _)| *rank).min().ok_or(None)?;
            let mut equal = answers.iter().filter(|(rank, _)| *rank == best).map(|(_, at)| *at);
            match (equal.next(), equal.next()) {
                (Some(one), None) => Ok(one),
                (Some(one), Some(other)) => Err(Some(format!(
                    "columns {} and {} are both called `{name}`: name it by its number",
                    one + 1,
                    other + 1
                ))),
                (None, _) => Err(None),
            }
        }
    }
}

fn list<'a>(names: impl Iterator<Item = &'a str>) -> String {
    let mut names: Vec<&str> = names.collect();
    let more = names.len().saturating_sub(8);
    names.truncate(8);
    let mut out = names.join(", ");
    if more > 0 {
        out.push_str(&format!(", and {more} more"));
    }
    out
}
