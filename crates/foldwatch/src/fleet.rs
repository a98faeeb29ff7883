//! `foldwatch fleet`: which car comes first, and how each kind of roof does by the month.

use std::collections::BTreeMap;
use std::io::{self, Write};
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};

use anyhow::{Context, Result, bail};
use comfy_table::presets::UTF8_HORIZONTAL_ONLY;
use comfy_table::{ContentArrangement, Table};
use foldwatch_fleet::{About, Asked, Car, CarRow, Fleet, List, MOST_CYCLES, Order, load_all};
use foldwatch_profile::Profile;
use foldwatch_report::rfc3339;
use foldwatch_store::{Catalogue, CycleRecord, Span, SqliteReader};
use polars::prelude::{Column, DataFrame, IntoColumn, NamedFrom, PolarsResult, QuantileMethod, Series};
use serde::Serialize;

use crate::cli::{self, ToRead};
use crate::{export, whole};

/// What `--format json` prints.
#[derive(Debug, Serialize)]
struct Shown {
    /// The newest cycle of all cars: the moment that forecasts are seen from.
    as_of: Option<String>,
    /// Cars of the folder.
    count: usize,
    /// The first of them, worst first.
    cars: Vec<CarRow>,
    /// Each kind's complete movements by direction and month.
    months: Vec<Month>,
}

/// The complete movements of one kind of roof in one direction in one month (UTC), at reference conditions.
#[derive(Debug, PartialEq, Serialize)]
struct Month {
    kind: String,
    direction: String,
    month: String,
    cars: u32,
    cycles: u32,
    median_s: f64,
    /// Nine in ten take no longer.
    nine_in_ten_s: f64,
}

/// A complete movement.
struct Movement {
    car: String,
    kind: String,
    direction: &'static str,
    month: String,
    seconds: f64,
}

pub fn run(args: &cli::Fleet) -> Result<()> {
    let reader = SqliteReader::open(&args.data)?;
    let mut profiles: BTreeMap<String, Arc<Profile>> = BTreeMap::new();
    let mut cars = Vec::new();
    let mut about = BTreeMap::new();
    for car in reader.cars()? {
        let profile = match profiles.get(&car.profile) {
            Some(profile) => Arc::clone(profile),
            None => export::profile(&reader, &car.profile)?,
        };
        profiles.insert(car.profile.clone(), Arc::clone(&profile));
        let kind = car.profile.clone();
        about.insert(car.id.clone(), About { name: car.name, kind, group: String::new() });
        cars.push((car.id, profile));
    }
    if cars.is_empty() {
        bail!("{}: no car in it", args.data.display());
    }
    let fleet = fleet(&args.data, &cars, &about)?;
    let mut movements = Vec::new();
    for (id, profile) in &cars {
        let cycles = reader.figures(id, &[], Span::ALL, MOST_CYCLES)?;
        movements.extend(cycles.iter().filter_map(|cycle| movement(id, profile, cycle)));
    }
    let order = if args.by_risk { Order::Risk } else { Order::Days };
    let List { count, cars } = fleet.list(&Asked { order, most: args.limit, ..Asked::default() });
    let months = months(&movements).context("the months can't be put together")?;
    let shown = Shown { as_of: fleet.now().map(rfc3339), count, cars, months };
    let mut out = io::BufWriter::new(io::stdout().lock());
    let printed = match args.format {
        ToRead::Json => whole::json(&mut out, &shown),
        ToRead::Table => writeln!(out, "{}\n\n{}", first(&shown.cars), by_month(&shown.months)),
    };
    printed.and_then(|()| out.flush()).context("the fleet can't be written")
}

fn fleet(data: &Path, cars: &[(String, Arc<Profile>)], about: &BTreeMap<String, About>) -> Result<Fleet> {
    let read = Mutex::new(Ok(Vec::new()));
    let open = || SqliteReader::open(data).map(|reader| Box::new(reader) as Box<dyn Catalogue + Send>);
    load_all(cars, open, |id, loaded| {
        let mut read = read.lock().unwrap_or_else(PoisonError::into_inner);
        match (loaded, about.get(id), &mut *read) {
            (Ok((book, assessed)), Some(about), Ok(read)) => {
                read.push((id.to_owned(), Car::new(about.clone(), book, assessed)));
            }
            (Err(error), _, whole) => *whole = Err(error),
            _ => {}
        }
    });
    let read = read.into_inner().unwrap_or_else(PoisonError::into_inner)?;
    Ok(Fleet::default().with(read, 0))
}

/// A cycle, if every step of it was made and each can be corrected.
fn movement(car: &str, profile: &Profile, cycle: &CycleRecord) -> Option<Movement> {
    let steps = profile.sequence(cycle.direction).len();
    let own = cycle.phases.iter().filter(|phase| phase.direction == cycle.direction);
    let seconds: Vec<f64> = own.map(|phase| phase.corrected.map(|s| s.0)).collect::<Option<_>>()?;
    (cycle.outcome == "completed" && seconds.len() == steps).then(|| Movement {
        car: car.to_owned(),
        kind: profile.id.clone(),
        direction: cycle.direction.as_str(),
        month: rfc3339(cycle.start).get(..7).unwrap_or_default().to_owned(),
        seconds: seconds.iter().sum(),
    })
}

/// Movements put together by kind, direction and month, in this order.
#[expect(deprecated, reason = "the lazy engine would be built for this one question alone")]
fn months(movements: &[Movement]) -> PolarsResult<Vec<Month>> {
    const KEYS: [&str; 3] = ["kind", "direction", "month"];
    let texts = |name: &str, of: fn(&Movement) -> &str| -> Column {
        Series::new(name.into(), movements.iter().map(of).collect::<Vec<_>>()).into_column()
    };
    let seconds: Vec<f64> = movements.iter().map(|m| m.seconds).collect();
    let frame = DataFrame::new(
        movements.len(),
        vec![
            texts("kind", |m| &m.kind),
            texts("direction", |m| m.direction),
            texts("month", |m| &m.month),
            texts("car", |m| &m.car),
            Series::new("seconds".into(), seconds).into_column(),
        ],
    )?;
    // Groups stand in the order in which they first come: the same in all four answers.
    let grouped = || frame.group_by_stable(KEYS);
    let medians = grouped()?.select(["seconds"]).median()?;
    let ninths = grouped()?.select(["seconds"]).quantile(0.9, QuantileMethod::Linear)?;
    let counts = grouped()?.select(["seconds"]).count()?;
    let cars = grouped()?.select(["car"]).n_unique()?;
    let last = |frame: &DataFrame| frame.columns().last().cloned().unwrap_or_default();
    let (medians, ninths, counts, cars) = (last(&medians), last(&ninths), last(&counts), last(&cars));
    let keys = grouped()?.keys();
    let mut months = Vec::new();
    for row in 0..counts.len() {
        let key = |n: usize| -> PolarsResult<String> {
            Ok(keys
                .get(n)
                .map(|column| column.str())
                .transpose()?
                .and_then(|k| k.get(row))
                .unwrap_or("")
                .to_owned())
        };
        months.push(Month {
            kind: key(0)?,
            direction: key(1)?,
            month: key(2)?,
            cars: cars.get(row)?.try_extract()?,
            cycles: counts.get(row)?.try_extract()?,
            median_s: medians.get(row)?.try_extract()?,
            nine_in_ten_s: ninths.get(row)?.try_extract()?,
        });
    }
    months.sort_by(|a, b| (&a.kind, &a.direction, &a.month).cmp(&(&b.kind, &b.direction, &b.month)));
    Ok(months)
}

fn table(header: &[&str]) -> Table {
    let mut table = Table::new();
    table.load_style(UTF8_HORIZONTAL_ONLY).set_content_arrangement(ContentArrangement::Dynamic);
    table.set_header(header);
    table
}

fn first(cars: &[CarRow]) -> Table {
    let mut table = table(&["car", "do", "limit", "what comes first", "risk in 90 days"]);
    for row in cars {
        let of = &row.worst.of;
        table.add_row([
            row.name.clone(),
            row.call.to_owned(),
            row.worst.forecast.words.clone(),
            format!("{}, {}: {:.2} {}", of.direction, of.step(), row.worst.level, of.unit),
            format!("{:.0} %", 100.0 * row.risk_90_days),
        ]);
    }
    table
}

fn by_month(months: &[Month]) -> Table {
    let mut table =
        table(&["kind", "direction", "month", "cars", "cycles", "median (s)", "nine in ten within (s)"]);
    for row in months {
        table.add_row([
            row.kind.clone(),
            row.direction.clone(),
            row.month.clone(),
            row.cars.to_string(),
            row.cycles.to_string(),
            format!("{:.2}", row.median_s),
            format!("{:.2}", row.nine_in_ten_s),
        ]);
    }
    table
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn movements_are_put_together_by_kind_direction_and_month() {
        let movement = |car: &str, kind: &str, direction, month: &str, seconds| Movement {
            car: car.to_owned(),
            kind: kind.to_owned(),
            direction,
            month: month.to_owned(),
            seconds,
        };
        let all = [
            movement("b", "soft", "closing", "2027-02", 9.0),
            movement("a", "hard", "opening", "2027-01", 20.0),
            movement("a", "hard", "opening", "2027-01", 22.0),
            movement("c", "hard", "opening", "2027-01", 30.0),
            movement("a", "hard", "opening", "2027-02", 21.0),
        ];
        let found = months(&all).unwrap();
        let month = |kind: &str, direction: &str, month: &str, cars, cycles, median_s, nine_in_ten_s| Month {
            kind: kind.to_owned(),
            direction: direction.to_owned(),
            month: month.to_owned(),
            cars,
            cycles,
            median_s,
            nine_in_ten_s,
        };
        // The ninth tenth of 20, 22, 30 by linear interpolation (Hyndman and Fan, type 7): 22 + 0.8 * 8.
        let expected = [
            month("hard", "opening", "2027-01", 2, 3, 22.0, 28.4),
            month("hard", "opening", "2027-02", 1, 1, 21.0, 21.0),
            month("soft", "closing", "2027-02", 1, 1, 9.0, 9.0),
        ];
        assert_eq!(found, expected);
        assert_eq!(months(&[]).unwrap(), []);
    }
}
