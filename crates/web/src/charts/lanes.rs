//! Pressure, current, supply and the other numbers of a cycle, one lane each.

use foldwatch_chart::{extent, pieces};

use super::{Chart, Figure, Lane, LaneKind, Material, Page, of_cycle};
use crate::texts;
use crate::traces::NumberTrace;

pub(super) const CHART: Chart = Chart { id: "lanes", page: Page::Cycle, figures };

/// The order of the lanes, which is that of their colours.
const ORDER: [&str; 5] = ["pressure", "current", "voltage", "temperature", "position"];

fn figures(material: &Material) -> Vec<Figure> {
    let Some(cycle) = material.cycles.first() else { return Vec::new() };
    let numbers = material.traces.map(|t| t.numbers.as_slice()).unwrap_or_default();
    let place = |t: &NumberTrace| ORDER.iter().position(|kind| *kind == t.kind).unwrap_or(ORDER.len());
    let mut sorted: Vec<&NumberTrace> = numbers.iter().collect();
    sorted.sort_by_key(|t| place(t));
    let gaps = material.traces.map(|t| t.gaps_s.clone()).unwrap_or_default();
    let lanes: Vec<Lane> = sorted
        .into_iter()
        .map(|trace| {
            let (low, high) = range(trace);
            let beside = trace.reference.as_ref();
            Lane {
                label: trace.label.clone(),
                unit: trace.unit,
                colour: place(trace),
                kind: LaneKind::Line {
                    pieces: line(&trace.times_s, &trace.values, &gaps),
                    beside: beside.map(|r| line(&r.times_s, &r.values, &[])).unwrap_or_default(),
                    low,
                    high,
                    limit: None,
                },
            }
        })
        .collect();
    let reference = material.traces.ok().and_then(|t| t.reference.as_ref());
    let note = format!("{} {}", texts::LANES_NOTE, texts::reference_note(reference));
    vec![of_cycle(material, cycle, CHART.id, (texts::LANES, note.trim()), lanes, texts::NO_NUMBERS)]
}

/// From the lowest to the highest with some room, never less than a visible span.
fn range(trace: &NumberTrace) -> (f64, f64) {
    let beside = trace.reference.iter().flat_map(|r| &r.values);
    let finite = trace.values.iter().chain(beside).flatten().map(|v| f64::from(*v));
    let (low, high) = extent(finite).unwrap_or_default();
    let least = match trace.kind {
        "pressure" => 10.0,
        "voltage" => 2.0,
        _ => 5.0,
    };
    let span = (high - low).max(least);
    (low - 0.04 * span, low + 1.06 * span)
}

fn line(times: &[f64], values: &[Option<f32>], gaps: &[(f64, f64)]) -> Vec<Vec<(f64, f64)>> {
    pieces(times.iter().copied().zip(values.iter().map(|v| v.map(f64::from))), gaps)
}
