//! `foldwatch compare`: what a repair brought.

use std::io::{self, Write};
use std::path::Path;

use anyhow::{Context, Result, bail};
use comfy_table::presets::UTF8_HORIZONTAL_ONLY;
use comfy_table::{ContentArrangement, Table};
use foldwatch_report::trend::Compared;
use foldwatch_trend::table::{self, Key};
use foldwatch_units::Micros;
use serde::Serialize;

use crate::cli::{self, ToRead};
use crate::{trend, whole};

/// What `--format json` prints.
#[derive(Debug, Serialize)]
struct Comparisons {
    /// Rows without a number.
    left_out: usize,
    comparisons: Vec<Compared>,
}

pub fn run(args: &cli::Compare) -> Result<()> {
    let found = match (&args.measured.data, &args.measured.times) {
        (Some(data), _) => {
            let books = trend::books(data, args.measured.car.as_deref(), args.at)?;
            let comparisons = books.iter().flat_map(|(car, book)| book.compare(car)).collect();
            Comparisons { left_out: 0, comparisons }
        }
        (None, Some(from)) => of_times(args, from)?,
        (None, None) => bail!("no times: give a CSV, or the folder of a daemon by --data"),
    };
    if found.comparisons.is_empty() {
        bail!(
            "nothing to compare{}: no service entry is known there; say by --at TIME when something was done",
            trend::only(&args.measured)
        );
    }
    let mut out = io::BufWriter::new(io::stdout().lock());
    let printed = match args.measured.format {
        ToRead::Json => whole::json(&mut out, &found),
        ToRead::Table => {
            if found.left_out > 0 {
                eprintln!("{} rows have no number and were left out", found.left_out);
            }
            writeln!(out, "{}", text(&found.comparisons))
        }
    };
    printed.and_then(|()| out.flush()).context("the comparison can't be written")
}

fn of_times(args: &cli::Compare, from: &Path) -> Result<Comparisons> {
    let (times, services) = trend::rows(&args.measured, from)?;
    let at = |key: &Key| -> Option<Micros> {
        args.at.or_else(|| services.get(&key.car).and_then(|list| list.last()).map(|service| service.at))
    };
    let table = table::comparisons(times.rows, at);
    let shown = |row: &table::CompareRow| {
        let at = at(&row.key).unwrap_or(Micros(0));
        Compared::of(trend::of(&row.key), at, row.comparison.as_ref(), row.counts)
    };
    Ok(Comparisons {
        left_out: times.empty + table.left_out,
        comparisons: table.rows.iter().map(shown).collect(),
    })
}

fn text(comparisons: &[Compared]) -> Table {
    let mut table = Table::new();
    table.load_style(UTF8_HORIZONTAL_ONLY).set_content_arrangement(ContentArrangement::Dynamic);
    table.set_header(["car", "direction", "step", "before", "after", "verdict", "p"]);
    for found in comparisons {
        let unit = &found.of.unit;
        let side = |count: usize, median: Option<f64>| {
            median.map_or_else(|| format!("{count} cycles"), |m| format!("{m:.3} {unit}, {count} cycles"))
        };
        table.add_row([
            found.of.car.clone(),
            found.of.direction.clone(),
            found.of.step(),
            side(found.count_before, found.median_before),
            side(found.count_after, found.median_after),
            found.words.clone(),
            found.p.map_or_else(String::new, |p| format!("{p:.4}")),
        ]);
    }
    table
}
