//! `foldwatch trend`: does it get worse, and when is the limit reached?

use std::collections::BTreeMap;
use std::io::{self, Write};
use std::path::Path;
use std::sync::Arc;

use anyhow::{Context, Result, bail};
use comfy_table::presets::UTF8_HORIZONTAL_ONLY;
use comfy_table::{ContentArrangement, Table};
use foldwatch_fleet::Book;
use foldwatch_profile::Profile;
use foldwatch_report::rfc3339;
use foldwatch_report::trend::{Of, Trend};
use foldwatch_store::{Catalogue, SqliteReader};
use foldwatch_trend::Service;
use foldwatch_trend::table::{self, Key};
use foldwatch_units::{Micros, Seconds};
use serde::Serialize;

use crate::cli::{self, Measured, ToRead};
use crate::times::{self, Times};
use crate::{profiles, whole};

/// What `--format json` prints.
#[derive(Debug, Serialize)]
struct Trends {
    /// The moment that forecasts are made at.
    as_of: Option<String>,
    /// Rows without a number.
    left_out: usize,
    trends: Vec<Trend>,
}

pub fn run(args: &cli::Trend) -> Result<()> {
    let found = match (&args.measured.data, &args.measured.times) {
        (Some(data), _) => of_store(args, data)?,
        (None, Some(from)) => of_times(args, from)?,
        (None, None) => bail!("no times: give a CSV, or the folder of a daemon by --data"),
    };
    if found.trends.is_empty() {
        bail!("no times of steps in there{}: nothing to follow", only(&args.measured));
    }
    let mut out = io::BufWriter::new(io::stdout().lock());
    let printed = match args.measured.format {
        ToRead::Json => whole::json(&mut out, &found),
        ToRead::Table => {
            if found.left_out > 0 {
                eprintln!("{} rows have no number and were left out", found.left_out);
            }
            writeln!(out, "{}", text(&found.trends))
        }
    };
    printed.and_then(|()| out.flush()).context("the trends can't be written")
}

/// "of car `oak`", where only one was asked for.
pub fn only(measured: &Measured) -> String {
    measured.car.as_ref().map_or_else(String::new, |car| format!(" of car `{car}`"))
}

/// The rows of a CSV, of one car if only that is asked for, and the service record beside it.
pub fn rows(measured: &Measured, from: &Path) -> Result<(Times, BTreeMap<String, Vec<Service>>)> {
    let mut times = times::times(from)?;
    if let Some(car) = &measured.car {
        times.rows.retain(|row| row.car == *car);
    }
    let services = measured.services.as_deref().map(times::services).transpose()?.unwrap_or_default();
    Ok((times, services))
}

/// What a series of a CSV is of.
pub fn of(key: &Key) -> Of {
    Of {
        car: key.car.clone(),
        direction: key.direction.to_string(),
        phase: Some(key.phase.clone()),
        measure: "time".to_owned(),
        unit: Seconds::SYMBOL.to_owned(),
    }
}

fn of_times(args: &cli::Trend, from: &Path) -> Result<Trends> {
    let (times, services) = rows(&args.measured, from)?;
    let profile = args.profile.as_deref().map(profiles::load).transpose()?;
    let limit = |key: &Key| {
        let of_profile = || {
            let steps = profile.as_ref()?.sequence(key.direction);
            Some(steps.iter().find(|step| step.name == key.phase)?.limit)
        };
        args.limit.map(Seconds).or_else(of_profile)
    };
    let services = |key: &Key| services.get(&key.car).cloned().unwrap_or_default();
    let now = args.now.or_else(|| times.rows.iter().map(|row| row.at).max());
    let seen = now.unwrap_or(Micros(0));
    let table = table::trends(times.rows, services, limit, seen);
    Ok(Trends {
        as_of: now.map(rfc3339),
        left_out: times.empty + table.left_out,
        trends: table
            .rows
            .iter()
            .map(|row| Trend::of(of(&row.key), &row.assessment, row.limit.map(|l| l.0), seen))
            .collect(),
    })
}

fn of_store(args: &cli::Trend, data: &Path) -> Result<Trends> {
    let books = books(data, args.measured.car.as_deref(), None)?;
    let now = args.now.or_else(|| books.iter().filter_map(|(_, book)| book.newest()).max());
    let seen = now.unwrap_or(Micros(0));
    let trends = books
        .iter()
        .flat_map(|(car, book)| book.assess().into_iter().map(move |found| book.shown(car, &found, seen)))
        .collect();
    Ok(Trends { as_of: now.map(rfc3339), left_out: 0, trends })
}

/// The books of a daemon's cars, or of one of them; `at`: as if something had been done at that moment and at no other.
pub fn books(data: &Path, only: Option<&str>, at: Option<Micros>) -> Result<Vec<(String, Book)>> {
    let reader = SqliteReader::open(data)?;
    let cars = reader.cars()?;
    if let Some(id) = only
        && !cars.iter().any(|car| car.id == id)
    {
        let known: Vec<&str> = cars.iter().map(|car| car.id.as_str()).collect();
        bail!("car `{id}` is not in {}; there: {}", data.display(), known.join(", "));
    }
    let mut profiles: BTreeMap<String, Arc<Profile>> = BTreeMap::new();
    let mut books = Vec::new();
    for car in cars.into_iter().filter(|car| only.is_none_or(|id| id == car.id)) {
        let profile = match profiles.get(&car.profile) {
            Some(profile) => Arc::clone(profile),
            None => {
                let profile = crate::export::profile(&reader, &car.profile)?;
                profiles.insert(car.profile.clone(), Arc::clone(&profile));
                profile
            }
        };
        let book = match at {
            None => foldwatch_fleet::load(&reader, &car.id, profile)?,
            Some(at) => foldwatch_fleet::load_split(&reader, &car.id, profile, at)?,
        };
        books.push((car.id, book));
    }
    Ok(books)
}

fn text(trends: &[Trend]) -> Table {
    let mut table = Table::new();
    table.load_style(UTF8_HORIZONTAL_ONLY).set_content_arrangement(ContentArrangement::Dynamic);
    table.set_header([
        "car",
        "direction",
        "step",
        "cycles",
        "level",
        "per 100 cycles (95 %)",
        "p",
        "watch",
        "changes",
        "limit reached",
    ]);
    for trend in trends {
        let unit = &trend.of.unit;
        let slope = trend.slope.as_ref().map_or_else(
            || "too few cycles".to_owned(),
            |s| {
                let per = s.per_100_cycles;
                format!("{:+.3} {unit} ({:+.3} to {:+.3})", per.value, per.low, per.high)
            },
        );
        let watch = match (&trend.watch.alarm, trend.watch.learning) {
            (Some(at), _) => format!("alarm since {}", at.get(..10).unwrap_or(at)),
            (None, true) => "learning".to_owned(),
            (None, false) => "quiet".to_owned(),
        };
        let changes: Vec<String> = trend
            .changes
            .iter()
            .map(|c| {
                let day = c.at.get(..10).unwrap_or(&c.at);
                let question = c.question.as_ref().map_or_else(String::new, |q| format!(". {q}"));
                format!("{day}: {} {:.2} to {:.2} {unit}{question}", c.kind, c.before, c.after)
            })
            .collect();
        table.add_row([
            trend.of.car.clone(),
            trend.of.direction.clone(),
            trend.of.step(),
            trend.cycles.to_string(),
            format!("{:.3} {unit}", trend.level),
            slope,
            trend.slope.as_ref().map_or_else(String::new, |s| format!("{:.3}", s.p)),
            watch,
            changes.join("\n"),
            trend.forecast.words.clone(),
        ]);
    }
    table
}
