//! `foldwatch analyze`: a recorded log to its verdict.

use std::io::{self, Write};
use std::sync::Arc;

use anyhow::{Context, Result, anyhow, bail};
use foldwatch_cause::{Entered, Evidence};
use foldwatch_pipeline::{Engine, Event, Verdict};
use foldwatch_profile::{Profile, SignalIx};
use foldwatch_report::{Cycle, Diagnosis, table};
use foldwatch_segment::Recording;
use foldwatch_units::Micros;
use serde::Serialize;

use crate::cli::{Analyze, Format, Log, Table};
use crate::input::{self, Reading};
use crate::{profiles, whole};

/// What `--format json` prints.
#[derive(Debug, Serialize)]
struct Analysis {
    profile: String,
    cycles: Vec<Cycle>,
    /// `causes`, `next_check` and what goes with them.
    #[serde(flatten)]
    diagnosis: Diagnosis,
    logs: Vec<Read>,
}

#[derive(Debug, Serialize)]
struct Read {
    log: String,
    encoding: &'static str,
    notes: Vec<String>,
}

pub fn run(args: &Analyze) -> Result<()> {
    let profile = profiles::load(&args.log.profile)?;
    let table = causes(args)?;
    let results = results(args, &table, &profile)?;
    let Judgment { cycles, readings, evidence } = judge(&args.log, &profile)?;
    let diagnosed = || {
        let found = foldwatch_cause::diagnose(&table, &profile, &evidence, &results);
        foldwatch_report::diagnosis(&profile, &found)
    };
    let mut out = io::BufWriter::new(io::stdout().lock());
    let printed = match args.format {
        Format::Json => {
            let logs = readings
                .into_iter()
                .map(|r| Read { log: r.source, encoding: r.encoding, notes: r.notes })
                .collect();
            let analysis = Analysis { profile: profile.id.clone(), cycles, diagnosis: diagnosed(), logs };
            whole::json(&mut out, &analysis)
        }
        Format::Table => {
            tell(&readings);
            writeln!(out, "{}\n{}\n\n{}", table::text(&cycles), summary(&cycles), diagnosed().text())
        }
        Format::Csv => {
            tell(&readings);
            return csv(&args.log, &profile, args.table, &cycles, &mut out);
        }
    };
    printed.and_then(|()| out.flush()).context("the verdict can't be written")
}

/// What the logs gave, told to the person, not into the output.
pub fn tell(readings: &[Reading]) {
    for reading in readings {
        for note in &reading.notes {
            eprintln!("{}: {note}", reading.source);
        }
    }
}

/// One table as CSV.
pub fn csv(
    log: &Log,
    profile: &Arc<Profile>,
    which: Table,
    cycles: &[Cycle],
    out: &mut impl Write,
) -> Result<()> {
    let Some(kind) = kind(which) else { return crate::export::samples(log, profile, out) };
    let mut writer = table::Writer::new(kind, &mut *out).context("the table can't be written")?;
    for cycle in cycles {
        writer.cycle(cycle).context("the table can't be written")?;
    }
    writer.finish().context("the table can't be written")?;
    Ok(())
}

/// The table of verdicts; `None`: the samples, which are none.
pub fn kind(which: Table) -> Option<table::Kind> {
    match which {
        Table::Cycles => Some(table::Kind::Cycles),
        Table::Phases => Some(table::Kind::Phases),
        Table::Findings => Some(table::Kind::Findings),
        Table::Measures => Some(table::Kind::Measures),
        Table::Samples => None,
    }
}

/// The table of causes that was asked for.
fn causes(args: &Analyze) -> Result<foldwatch_cause::Table> {
    let Some(from) = &args.causes else { return Ok(foldwatch_cause::Table::shipped()) };
    foldwatch_cause::Table::parse(&profiles::read_text(from)?)
        .map_err(|problems| profiles::all(from, &problems))
}

/// The results of checks that were entered.
fn results(args: &Analyze, table: &foldwatch_cause::Table, profile: &Profile) -> Result<Vec<Entered>> {
    let read = |text: &String| Entered::parse(text, table, profile).map_err(|why| anyhow!("--result: {why}"));
    args.results.iter().map(read).collect()
}

/// Logs of one car, judged.
pub struct Judgment {
    /// Every cycle.
    pub cycles: Vec<Cycle>,
    /// What was to be said about the logs.
    pub readings: Vec<Reading>,
    /// What the cycles showed, for the causes.
    pub evidence: Evidence,
}

/// Judges every cycle of the logs.
pub fn judge(log: &Log, profile: &Arc<Profile>) -> Result<Judgment> {
    let map = log.columns.as_deref().map(|from| input::column_map(from, profile)).transpose()?;
    let mut engine = Engine::new(Arc::clone(profile)).settled_only();
    let mut cycles = Vec::new();
    let mut readings = Vec::new();
    for from in &log.logs {
        let mut verdicts: Vec<Verdict> = Vec::new();
        let mut keep = |event| {
            if let Event::Settled(mut verdict) = event {
                // The samples have done their work; a long log must not pile them up.
                verdict.cycle.recording = Recording::default();
                verdicts.push(*verdict);
            }
        };
        let reading = input::read(from, profile, map.as_ref(), &mut engine.sink(&mut keep))?;
        engine.finish(&mut keep);
        fits(profile, &engine, &reading.source)?;
        let utc = |at: Micros| to_utc(&reading, at);
        cycles.extend(verdicts.iter().map(|verdict| foldwatch_report::cycle(profile, verdict, &utc)));
        readings.push(reading);
        // The next log is a new recording of the same car.
        engine.begin_anew();
    }
    Ok(Judgment { cycles, readings, evidence: engine.evidence().clone() })
}

/// A log without any switch or valve of the steps is another roof's: whatever was told of it would be a guess.
fn fits(profile: &Profile, engine: &Engine, log: &str) -> Result<()> {
    let known = |ix: &SignalIx| engine.values().get(ix.at()).is_some_and(|value| !value.is_nan());
    let steps = profile.step_signals();
    let nothing = !profile.signals().any(|(ix, _)| known(&ix));
    if nothing || steps.is_empty() || steps.iter().any(known) {
        return Ok(());
    }
    let ids: Vec<&str> = steps.iter().map(|ix| profile.signal(*ix).id.as_str()).collect();
    bail!(
        "{log} carries none of the switches and valves by which the steps of `{}` are known ({}): is it the log of another \
         roof? If they stand in it under other names, name them in a column map",
        profile.id,
        ids.join(", ")
    )
}

/// From the log's own time to UTC, where the log knows it.
pub fn to_utc(reading: &Reading, at: Micros) -> Micros {
    reading.timeline.as_ref().and_then(|timeline| timeline.utc(at)).map_or(at, |utc| utc.at)
}

/// One sentence for the whole log.
pub fn summary(cycles: &[Cycle]) -> String {
    let findings: usize = cycles.iter().map(|c| c.findings.len()).sum();
    let stop = cycles.iter().flat_map(|c| &c.findings).filter(|f| f.weight == "stop-using").count();
    match (cycles.len(), findings) {
        (0, _) => "No movement of the roof in this log.".to_owned(),
        (n, 0) => format!("{n} cycles, nothing found."),
        (n, f) if stop > 0 => format!("{n} cycles, {f} findings; {stop} of them say: stop using the roof."),
        (n, f) => format!("{n} cycles, {f} findings."),
    }
}
