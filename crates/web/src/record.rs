//! A verdict as the store keeps it, so that the pages can ask for it.

use foldwatch_report::{Cycle, Finding, Measure, parse_utc};
use foldwatch_store::{CycleRecord, FindingRecord, MeasureRecord, PhaseRecord, Weight};
use foldwatch_units::{Celsius, Direction, Micros, Seconds, Volts};

/// A cycle as the store keeps it: what can be asked for by column, and the whole as JSON.
///
/// # Errors
/// Where the cycle can't be written as JSON or holds a time that is none; neither happens to one that
/// [`cycle`](foldwatch_report::cycle) has made.
pub fn record(car: &str, cycle: &Cycle) -> Result<CycleRecord, serde_json::Error> {
    let measures = cycle
        .phases
        .iter()
        .enumerate()
        .flat_map(|(n, phase)| phase.measures.iter().filter_map(move |m| measure(u32::try_from(n).ok(), m)))
        .chain(cycle.measures.iter().filter_map(|m| measure(None, m)))
        .collect();
    Ok(CycleRecord {
        car: car.to_owned(),
        start: moment(&cycle.start)?,
        end: moment(&cycle.end)?,
        direction: direction(&cycle.direction),
        outcome: cycle.outcome.clone(),
        judged: serde_json::to_string(cycle)?,
        phases: cycle
            .phases
            .iter()
            .map(|phase| {
                Ok(PhaseRecord {
                    direction: direction(&phase.direction),
                    index: u32::try_from(phase.index).unwrap_or(u32::MAX),
                    name: phase.name.clone(),
                    start: moment(&phase.start)?,
                    duration: Seconds(phase.duration_s),
                    u_duration: Seconds(phase.u_duration_s),
                    confirmation: phase.confirmation.clone(),
                    corrected: phase.corrected_s.map(Seconds),
                    oil: phase.oil_temperature_c.map(Celsius),
                    supply: phase.supply_v.map(Volts),
                })
            })
            .collect::<Result<_, serde_json::Error>>()?,
        measures,
        findings: cycle.findings.iter().map(finding).collect::<Result<_, _>>()?,
    })
}

fn measure(phase: Option<u32>, measure: &Measure) -> Option<MeasureRecord> {
    Some(MeasureRecord {
        phase,
        name: measure.name.clone(),
        value: measure.value?,
        u: measure.u,
        unit: measure.unit.clone(),
    })
}

fn finding(finding: &Finding) -> Result<FindingRecord, serde_json::Error> {
    Ok(FindingRecord {
        kind: finding.kind.clone(),
        weight: match finding.weight.as_str() {
            "stop-using" => Weight::StopUsing,
            "attend" => Weight::Attend,
            _ => Weight::Note,
        },
        phase: finding.phase.clone(),
        signal: finding.signal.clone(),
        at: moment(&finding.at)?,
        value: Some(finding.value),
        limit: finding.limit,
        unit: finding.unit.clone(),
        message: finding.message.clone(),
    })
}

fn moment(text: &str) -> Result<Micros, serde_json::Error> {
    parse_utc(text).ok_or_else(|| serde::de::Error::custom(format!("`{text}` is no time in UTC")))
}

fn direction(word: &str) -> Direction {
    if word == "opening" { Direction::Opening } else { Direction::Closing }
}
