//! Verdicts as tables: CSV after RFC 4180 with units in the header, and text for a terminal.

use std::io::Write;

use comfy_table::presets::UTF8_HORIZONTAL_ONLY;
use comfy_table::{ContentArrangement, Table};

use crate::shape::Cycle;

/// Which table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// One row a cycle.
    Cycles,
    /// One row a step.
    Phases,
    /// One row a finding.
    Findings,
    /// One row a measure.
    Measures,
}

impl Kind {
    /// All of them.
    pub const ALL: [Kind; 4] = [Kind::Cycles, Kind::Phases, Kind::Findings, Kind::Measures];

    /// The name in files.
    pub fn as_str(self) -> &'static str {
        match self {
            Kind::Cycles => "cycles",
            Kind::Phases => "phases",
            Kind::Findings => "findings",
            Kind::Measures => "measures",
        }
    }

    /// The columns, with units.
    pub fn header(self) -> &'static [&'static str] {
        match self {
            Kind::Cycles => &[
                "cycle",
                "start_utc",
                "end_utc",
                "direction",
                "outcome",
                "from_part_way",
                "refused_by",
                "duration_s",
                "phases",
                "findings",
            ],
            Kind::Phases => &[
                "cycle",
                "cycle_start_utc",
                "direction",
                "index",
                "phase",
                "start_utc",
                "end_utc",
                "duration_s",
                "u_duration_s",
                "confirmation",
                "expected_s",
                "limit_s",
                "corrected_s",
                "u_corrected_s",
                "oil_temperature_degC",
                "supply_V",
            ],
            Kind::Findings => &[
                "cycle",
                "cycle_start_utc",
                "kind",
                "weight",
                "phase",
                "signal",
                "at_utc",
                "until_utc",
                "value",
                "limit",
                "unit",
                "sure",
                "message",
            ],
            Kind::Measures => {
                &["cycle", "cycle_start_utc", "phase", "measure", "value", "u", "unit", "not_observable"]
            }
        }
    }
}

/// Writes tables of cycles, one after the other: the first line is the header.
pub struct Writer<W: Write> {
    kind: Kind,
    csv: csv::Writer<W>,
    count: u64,
}

impl<W: Write> Writer<W> {
    /// Writes the header.
    ///
    /// # Errors
    /// What the writer beneath says.
    pub fn new(kind: Kind, to: W) -> csv::Result<Self> {
        let mut csv = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(to);
        csv.write_record(kind.header())?;
        Ok(Writer { kind, csv, count: 0 })
    }

    /// Writes the rows of one cycle.
    ///
    /// # Errors
    /// What the writer beneath says.
    pub fn cycle(&mut self, cycle: &Cycle) -> csv::Result<()> {
        self.count += 1;
        let id = self.count.to_string();
        for row in rows(self.kind, &id, cycle) {
            self.csv.write_record(&row)?;
        }
        Ok(())
    }

    /// Hands the writer beneath back.
    ///
    /// # Errors
    /// What it says when it is flushed.
    pub fn finish(mut self) -> std::io::Result<W> {
        self.csv.flush()?;
        self.csv.into_inner().map_err(|e| e.into_error())
    }
}

/// The rows of one cycle, `id` being its number in the table.
pub fn rows(kind: Kind, id: &str, cycle: &Cycle) -> Vec<Vec<String>> {
    let number = |value: f64| value.to_string();
    let maybe = |value: Option<f64>| value.map(number).unwrap_or_default();
    let text = |value: &Option<String>| value.clone().unwrap_or_default();
    match kind {
        Kind::Cycles => {
            let seconds = match (crate::parse_utc(&cycle.start), crate::parse_utc(&cycle.end)) {
                (Some(start), Some(end)) => number((end - start).0),
                _ => String::new(),
            };
            vec![vec![
                id.to_owned(),
                cycle.start.clone(),
                cycle.end.clone(),
                cycle.direction.clone(),
                cycle.outcome.clone(),
                cycle.from_part_way.to_string(),
                cycle.refused_by.join("; "),
                seconds,
                cycle.phases.len().to_string(),
                cycle.findings.len().to_string(),
            ]]
        }
        Kind::Phases => cycle
            .phases
            .iter()
            .map(|p| {
                vec![
                    id.to_owned(),
                    cycle.start.clone(),
                    p.direction.clone(),
                    p.index.to_string(),
                    p.name.clone(),
                    p.start.clone(),
                    p.end.clone(),
                    number(p.duration_s),
                    number(p.u_duration_s),
                    p.confirmation.clone(),
                    maybe(p.expected_s),
                    maybe(p.limit_s),
                    maybe(p.corrected_s),
                    maybe(p.u_corrected_s),
                    maybe(p.oil_temperature_c),
                    maybe(p.supply_v),
                ]
            })
            .collect(),
        Kind::Findings => cycle
            .findings
            .iter()
            .map(|f| {
                vec![
                    id.to_owned(),
                    cycle.start.clone(),
                    f.kind.clone(),
                    f.weight.clone(),
                    text(&f.phase),
                    text(&f.signal),
                    f.at.clone(),
                    text(&f.until),
                    number(f.value),
                    maybe(f.limit),
                    f.unit.clone(),
                    number(f.sure),
                    f.message.clone(),
                ]
            })
            .collect(),
        Kind::Measures => {
            let row = |phase: &str, m: &crate::shape::Measure| {
                vec![
                    id.to_owned(),
                    cycle.start.clone(),
                    phase.to_owned(),
                    m.name.clone(),
                    maybe(m.value),
                    maybe(m.u),
                    m.unit.clone(),
                    text(&m.not_observable),
                ]
            };
            let of_phases = cycle.phases.iter().flat_map(|p| p.measures.iter().map(move |m| row(&p.name, m)));
            of_phases.chain(cycle.measures.iter().map(|m| row("", m))).collect()
        }
    }
}

/// Cycles as a table for a terminal, findings below each.
pub fn text(cycles: &[Cycle]) -> String {
    let mut table = Table::new();
    table.load_style(UTF8_HORIZONTAL_ONLY).set_content_arrangement(ContentArrangement::Dynamic);
    table.set_header(["#", "start (UTC)", "direction", "outcome", "steps (s)", "findings"]);
    for (n, cycle) in cycles.iter().enumerate() {
        let steps: Vec<String> = cycle
            .phases
            .iter()
            .map(|p| {
                let mark = match p.confirmation.as_str() {
                    "confirmed" => "",
                    "late" => " late",
                    "inferred" => " inferred",
                    _ => " missing",
                };
                format!("{} {:.2}{mark}", p.name, p.duration_s)
            })
            .collect();
        let mut outcome = cycle.outcome.clone();
        if cycle.from_part_way {
            outcome.push_str(", from part way");
        }
        if !cycle.refused_by.is_empty() {
            outcome = format!("{outcome}: {}", cycle.refused_by.join(", "));
        }
        let findings: Vec<String> =
            cycle.findings.iter().map(|f| format!("{} [{}] {}", f.kind, f.weight, f.message)).collect();
        table.add_row([
            (n + 1).to_string(),
            cycle.start.chars().take(19).collect::<String>().replace('T', " "),
            cycle.direction.clone(),
            outcome,
            steps.join("\n"),
            if findings.is_empty() { "none".to_owned() } else { findings.join("\n") },
        ]);
    }
    table.to_string()
}
