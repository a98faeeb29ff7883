//! `foldwatch analyze`: a recorded log to its verdict.

use std::io::{self, Write};
use std::path::Path;
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
use crate::out::counted;
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
    let Judgment { cycles, readings, driven, evidence } = judge(&args.log, &profile)?;
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
            let diagnosis = diagnosed();
            let mut said = summary(&cycles, diagnosis.found());
            if cycles.is_empty() && !driven {
                said = format!("{said} {NOT_DRIVEN}");
            }
            for reading in &readings {
                said.extend(reading.unused.iter().map(|unused| format!("\n{}: {unused}", reading.source)));
            }
            writeln!(out, "{}\n{said}\n\n{}", table::text(&cycles), diagnosis.text())
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
    /// Something in the logs tells when the roof is driven.
    pub driven: bool,
    /// What the cycles showed, for the causes.
    pub evidence: Evidence,
}

/// Judges every cycle of the logs.
pub fn judge(log: &Log, profile: &Arc<Profile>) -> Result<Judgment> {
    let map = log.columns.as_deref().map(|from| input::column_map(from, profile)).transpose()?;
    let mut engine = Engine::new(Arc::clone(profile)).settled_only();
    let mut cycles = Vec::new();
    let mut readings = Vec::new();
    let mut driven = false;
    for (n, from) in log.logs.iter().enumerate() {
        if let Some(first) = input::given_before(&log.logs, n) {
            let source = from.display().to_string();
            readings.push(Reading {
                source,
                encoding: "",
                notes: vec![left_out(first)],
                ..Reading::default()
            });
            continue;
        }
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
        fits(profile, &engine, &reading)?;
        driven |= profile.drive_signals().any(|ix| is_known(&engine, ix));
        let utc = |at: Micros| to_utc(&reading, at);
        cycles.extend(verdicts.iter().map(|verdict| foldwatch_report::cycle(profile, verdict, &utc)));
        readings.push(reading);
        // The next log is a new recording of the same car.
        engine.begin_anew();
    }
    Ok(Judgment { cycles, readings, driven, evidence: engine.evidence().clone() })
}

/// Of a recording that was given before.
pub fn left_out(first: &Path) -> String {
    format!("the same recording as {}: counted once", first.display())
}

fn is_known(engine: &Engine, ix: SignalIx) -> bool {
    engine.values().get(ix.at()).is_some_and(|value| !value.is_nan())
}

/// A log without any switch or valve of the steps is another roof's: whatever was told of it would be a guess. One of
/// which nothing is left can't be judged either, and must not pass for a roof that stood still.
fn fits(profile: &Profile, engine: &Engine, reading: &Reading) -> Result<()> {
    let log = &reading.source;
    if let (0 | 1, Some(unused)) = (reading.rows, &reading.unused) {
        bail!("{log}: {unused}; nothing is left to be judged");
    }
    let known = |ix: &SignalIx| is_known(engine, *ix);
    let steps = profile.step_signals();
    let nothing = !profile.signals().any(|(ix, _)| known(&ix));
    if nothing && reading.rows > 0 {
        bail!(
            "{log}: none of its {} rows holds a value of any signal of `{}`; nothing is left to be judged",
            reading.rows,
            profile.id
        );
    }
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

/// Why there is no movement where there could be none.
const NOT_DRIVEN: &str = "None could be found: nothing in it tells when the roof is driven. Record the pump's command, its \
                          current, a valve, the pressure or the operator's demand, and describe it in the profile.";

/// One sentence for the whole log. `causes`: some cause is likely enough to be told below.
pub fn summary(cycles: &[Cycle], causes: bool) -> String {
    let findings: usize = cycles.iter().map(|c| c.findings.len()).sum();
    let stop = cycles.iter().flat_map(|c| &c.findings).filter(|f| f.weight == "stop-using").count();
    sentence(cycles.len(), findings, stop, causes)
}

fn sentence(cycles: usize, findings: usize, stop: usize, causes: bool) -> String {
    let run = counted(cycles, "cycle");
    let found = counted(findings, "finding");
    match (cycles, findings, stop) {
        (0, ..) => "No movement of the roof in this log.".to_owned(),
        (_, 0, _) if causes => {
            format!("{run}, no finding; what speaks for a cause all the same stands below.")
        }
        (_, 0, _) => format!("{run}, nothing found."),
        (.., 0) => format!("{run}, {found}."),
        (_, 1, _) => format!("{run}, {found}; it says: stop using the roof."),
        (.., 1) => format!("{run}, {found}; 1 of them says: stop using the roof."),
        _ => format!("{run}, {found}; {stop} of them say: stop using the roof."),
    }
}

#[cfg(test)]
mod tests {
    use super::sentence;

    #[test]
    fn one_is_one() {
        assert_eq!(sentence(1, 0, 0, false), "1 cycle, nothing found.");
        assert_eq!(
            sentence(6, 0, 0, true),
            "6 cycles, no finding; what speaks for a cause all the same stands below."
        );
        assert_eq!(sentence(4, 1, 1, true), "4 cycles, 1 finding; it says: stop using the roof.");
        assert_eq!(sentence(1, 3, 1, true), "1 cycle, 3 findings; 1 of them says: stop using the roof.");
        assert_eq!(sentence(2, 3, 2, true), "2 cycles, 3 findings; 2 of them say: stop using the roof.");
    }
}
