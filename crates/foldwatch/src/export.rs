//! `foldwatch export`: tables for other programs.

use std::io::{self, BufWriter, Write};
use std::sync::Arc;

use anyhow::{Context, Result, bail};
use foldwatch_profile::Profile;
use foldwatch_units::Micros;

use crate::cli::{Export, Log, Table};
use crate::{analyze, input, profiles, whole};

pub fn run(args: &Export) -> Result<()> {
    let profile = profiles::load(&args.log.profile)?;
    let write = |out: &mut dyn Write| -> Result<()> {
        let mut out = BufWriter::new(out);
        if args.table == Table::Samples {
            samples(&args.log, &profile, &mut out)?;
        } else {
            let (cycles, readings) = analyze::judge(&args.log, &profile)?;
            analyze::tell(&readings);
            analyze::csv(&args.log, &profile, args.table, &cycles, &mut out)?;
        }
        out.flush().context("the table can't be written")
    };
    match &args.output {
        Some(to) => whole::write(to, |file| write(file)),
        None => write(&mut io::stdout().lock()),
    }
}

/// Raw samples of all logs in one table.
pub fn samples(log: &Log, profile: &Arc<Profile>, out: &mut impl Write) -> Result<()> {
    let map = log.columns.as_deref().map(|from| input::column_map(from, profile)).transpose()?;
    for (n, from) in log.logs.iter().enumerate() {
        // The map to UTC is known only when a log was read to its end: once for the clock, once for the samples.
        let mut nothing = |_: foldwatch_samples::Item<'_>| {};
        let seekable = from.as_os_str() != "-";
        let clock =
            if seekable { Some(input::read(from, profile, map.as_ref(), &mut nothing)?) } else { None };
        let utc = |at: Micros| clock.as_ref().map_or(at, |reading| analyze::to_utc(reading, at));
        let rows = foldwatch_report::samples::Writer::new(profile, &utc, &mut *out, n == 0);
        let mut rows = rows.context("the table can't be written")?;
        let reading = input::read(from, profile, map.as_ref(), &mut rows)?;
        if !seekable && reading.timeline.is_some() {
            bail!("the dates of a logger's frames are known only at the end: give the log as a file");
        }
        analyze::tell(std::slice::from_ref(&reading));
        rows.finish().context("the table can't be written")?;
    }
    Ok(())
}
