//! `foldwatch export`: tables for other programs, from logs or from a daemon's folder.

use std::io::{self, BufWriter, Write};
use std::path::Path;
use std::sync::Arc;

use anyhow::{Context, Result, anyhow, bail};
use foldwatch_profile::Profile;
use foldwatch_report::{Cycle, rfc3339, table};
use foldwatch_store::{Catalogue, CycleQuery, Span, SqliteReader};
use foldwatch_units::Micros;

use crate::cli::{Export, Log, Table};
use crate::watch::replay;
use crate::watch::saved::Saved;
use crate::{analyze, input, profiles, whole};

pub fn run(args: &Export) -> Result<()> {
    let write = |out: &mut dyn Write| -> Result<()> {
        let mut out = BufWriter::new(out);
        match (&args.data, &args.profile) {
            (Some(data), _) => of_store(args, data, &mut out)?,
            (None, Some(profile)) => {
                let log =
                    Log { logs: args.logs.clone(), profile: profile.clone(), columns: args.columns.clone() };
                of_logs(&log, args.table, &mut out)?;
            }
            (None, None) => bail!("no profile: give --profile with a log"),
        }
        out.flush().context("the table can't be written")
    };
    match &args.output {
        Some(to) => whole::write(to, |file| write(file)),
        None => write(&mut io::stdout().lock()),
    }
}

fn of_logs(log: &Log, table: Table, out: &mut impl Write) -> Result<()> {
    let profile = profiles::load(&log.profile)?;
    if table == Table::Samples {
        return samples(log, &profile, out);
    }
    let analyze::Judgment { cycles, readings, .. } = analyze::judge(log, &profile)?;
    analyze::tell(&readings);
    analyze::csv(log, &profile, table, &cycles, out)
}

fn of_store(args: &Export, data: &Path, out: &mut impl Write) -> Result<()> {
    let reader = SqliteReader::open(data)?;
    let id = args.car.as_deref().unwrap_or_default();
    let Some(car) = reader.car(id)? else {
        let known: Vec<String> = reader.cars()?.into_iter().map(|car| car.id).collect();
        bail!("car `{id}` is not in {}; there: {}", data.display(), known.join(", "));
    };
    let span = Span { from: args.from.unwrap_or(Micros::MIN), until: args.until.unwrap_or(Micros::MAX) };
    let Some(kind) = analyze::kind(args.table) else {
        let profile = profile(&reader, &car.profile)?;
        let mark = Saved::mark_of(&reader, id)?;
        let as_is = |at: Micros| at;
        let mut rows = foldwatch_report::samples::Writer::new(&profile, &as_is, &mut *out, true)
            .context("the table can't be written")?;
        let columns = replay::columns(&profile);
        let mut row = Vec::new();
        replay::samples(&reader, id, &profile, &mark, span, &mut |batch| {
            let places: Vec<_> =
                columns.iter().map(|c| batch.columns.iter().position(|kept| kept == c)).collect();
            for (n, at) in batch.times.iter().enumerate() {
                row.clear();
                row.extend(places.iter().map(|place| {
                    place
                        .and_then(|p| batch.values.get(p))
                        .and_then(|v| v.get(n))
                        .copied()
                        .unwrap_or(f32::NAN)
                }));
                rows.row(*at, &row);
            }
            Ok(())
        })?;
        rows.finish().context("the table can't be written")?;
        return Ok(());
    };
    let mut writer = table::Writer::new(kind, &mut *out).context("the table can't be written")?;
    let mut query = CycleQuery {
        car: Some(id.to_owned()),
        span,
        newest_first: false,
        limit: 1000,
        ..CycleQuery::default()
    };
    loop {
        let page = reader.cycles(&query)?;
        for summary in &page {
            writer.cycle(&cycle(&reader, id, summary.start)?).context("the table can't be written")?;
        }
        match page.last() {
            Some(last) => query.span.from = Micros(last.start.0.saturating_add(1)),
            None => break,
        }
    }
    writer.finish().context("the table can't be written")?;
    Ok(())
}

/// A roof out of a daemon's folder.
pub fn profile(reader: &SqliteReader, id: &str) -> Result<Arc<Profile>> {
    let text = reader.profile(id)?.with_context(|| format!("the profile `{id}` is not kept"))?;
    let parsed = foldwatch_profile::parse(&text.text);
    Ok(Arc::new(parsed.map_err(|problems| profiles::all(Path::new(id), &problems))?.profile))
}

/// A judged cycle out of a daemon's folder.
pub fn cycle(reader: &SqliteReader, car: &str, start: Micros) -> Result<Cycle> {
    let record = reader.cycle(car, start)?.context("a cycle has vanished")?;
    serde_json::from_str(&record.judged).map_err(|error| {
        anyhow!("{car}: the verdict of the cycle that began at {} can't be read: {error}", rfc3339(start))
    })
}

/// Raw samples of all logs in one table.
pub fn samples(log: &Log, profile: &Arc<Profile>, out: &mut impl Write) -> Result<()> {
    let map = log.columns.as_deref().map(|from| input::column_map(from, profile)).transpose()?;
    for (n, from) in log.logs.iter().enumerate() {
        if let Some(first) = input::given_before(&log.logs, n) {
            eprintln!("{}: {}", from.display(), analyze::left_out(first));
            continue;
        }
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
