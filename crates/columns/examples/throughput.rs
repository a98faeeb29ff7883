//! How fast a log is read: rows of 16 signals at 100 Hz, most like the row before, and all different.
//!
//! `cargo run --release -p foldwatch-columns --example throughput -- 2000000`

use foldwatch_columns::{ColumnMap, read_with_workers};
use foldwatch_profile::Profile;
use foldwatch_samples::{Item, Sink};
use foldwatch_units::Micros;
use std::fmt::Write;
use std::time::Instant;

/// The least that an engine does: it looks at every row, and steps over runs.
#[derive(Default)]
struct Count {
    rows: u64,
    same: u64,
    sum: f64,
}

impl Sink for Count {
    fn item(&mut self, item: Item<'_>) {
        match item {
            Item::Row { values, .. } => {
                self.rows += 1;
                self.sum += f64::from(values[values.len() - 1]);
            }
            _ => self.same += 1,
        }
    }

    fn same(&mut self, times: &[Micros]) {
        self.same += times.len() as u64;
    }
}

fn profile() -> Result<Profile, Box<dyn std::error::Error>> {
    let mut text = "id = 'flap'\nname = 'Flap'\n".to_owned();
    for (id, kind) in [("pump", "pump"), ("lift", "valve"), ("turn", "valve"), ("wish", "demand")] {
        write!(text, "[[signal]]\nid = '{id}'\nkind = '{kind}'\n")?;
    }
    text.push_str("demands = 'opening'\n");
    for at in 0..8 {
        write!(text, "[[signal]]\nid = 's{at}'\nkind = 'switch'\n")?;
    }
    for (id, kind, unit) in [
        ("pressure", "pressure", "bar"),
        ("current", "current", "A"),
        ("supply", "voltage", "V"),
        ("oil", "temperature", "°C"),
    ] {
        write!(text, "[[signal]]\nid = '{id}'\nkind = '{kind}'\nunit = '{unit}'\n")?;
    }
    text.push_str("[[opening]]\nname = 'Raise'\nconfirm = 's0'\nexpected_s = 5\n");
    text.push_str("[[closing]]\nname = 'Lower'\nconfirm = 'not s0'\nexpected_s = 5\n");
    match foldwatch_profile::parse(&text) {
        Ok(loaded) => Ok(loaded.profile),
        Err(problems) => Err(problems[0].to_string().into()),
    }
}

/// A log in which one row in `quiet` differs from the row before.
fn log(rows: u64, quiet: u64) -> Result<Vec<u8>, std::fmt::Error> {
    let mut out = String::with_capacity(rows as usize * 80);
    out.push_str("time,pump,lift,turn,wish,s0,s1,s2,s3,s4,s5,s6,s7,pressure,current,supply,oil\n");
    for row in 0..rows {
        let n = row / quiet;
        let bit = |k: u64| n >> k & 1;
        write!(out, "{}.{:02},{},{},0,0,", row / 100, row % 100, bit(9), bit(10))?;
        write!(out, "0,0,0,0,1,1,{},{},", bit(11), bit(12))?;
        let noise = n.wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 32;
        writeln!(
            out,
            "{}.{:03},{}.{:03},12.{:03},21.{:03}",
            100 + noise % 83,
            noise % 991,
            10 + noise % 29,
            noise % 983,
            600 + noise % 97,
            500 + noise % 7
        )?;
    }
    Ok(out.into_bytes())
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let rows: u64 = std::env::args().nth(1).map_or(Ok(2_000_000), |text| text.parse())?;
    let profile = profile()?;
    println!(
        "{:>10} {:>8} {:>9} {:>9} {:>9} {:>9} {:>10}",
        "log", "workers", "rows", "MB", "s", "ns/row", "x counting"
    );
    for (name, quiet) in [("quiet", 997), ("noise", 1)] {
        let log = log(rows, quiet)?;
        let megabytes = log.len() as f64 / 1e6;
        let counting = best(|| {
            let lines = memchr::memchr_iter(b'\n', &log).count();
            assert_eq!(lines as u64, rows + 1);
        });
        for workers in [1, 2] {
            let seconds = best(|| {
                let mut count = Count::default();
                let report =
                    read_with_workers(&log[..], &ColumnMap::default(), &profile, &mut count, workers);
                assert_eq!(report.map(|report| report.rows).ok(), Some(rows));
                assert_eq!(count.rows + count.same, rows);
                assert!(count.sum.is_finite());
            });
            println!(
                "{name:>10} {workers:>8} {rows:>9} {megabytes:>9.1} {seconds:>9.3} {:>9.1} {:>10.2}",
                seconds * 1e9 / rows as f64,
                seconds / counting
            );
        }
    }
    Ok(())
}

/// The best of five.
fn best(mut work: impl FnMut()) -> f64 {
    (0..5)
        .map(|_| {
            let start = Instant::now();
            work();
            start.elapsed().as_secs_f64()
        })
        .fold(f64::INFINITY, f64::min)
}
