//! Pressure, current, supply and the other numbers of a cycle, one lane each.

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
                    pieces: pieces(&trace.times_s, &trace.values, &gaps),
                    beside: beside.map(|r| pieces(&r.times_s, &r.values, &[])).unwrap_or_default(),
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

/// From the lowest to the highest, 0 included where the numbers reach near it, never less than a visible span.
fn range(trace: &NumberTrace) -> (f64, f64) {
    let beside = trace.reference.iter().flat_map(|r| &r.values);
    let finite = trace.values.iter().chain(beside).flatten().map(|v| f64::from(*v));
    let (low, high) = finite.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
    let low = if low > 0.0 && low < 0.4 * high { 0.0 } else { low };
    let least = match trace.kind {
        "pressure" => 10.0,
        "voltage" => 2.0,
        _ => 5.0,
    };
    let span = (high - low).max(least);
    (low - 0.04 * span, low + 1.06 * span)
}

/// The line, cut where a row says nothing and where the recording has a gap.
fn pieces(times: &[f64], values: &[Option<f32>], gaps: &[(f64, f64)]) -> Vec<Vec<(f64, f64)>> {
    let mut pieces: Vec<Vec<(f64, f64)>> = vec![Vec::new()];
    let mut last = f64::NEG_INFINITY;
    for (t, value) in times.iter().zip(values) {
        let over_gap = gaps.iter().any(|(from, to)| last <= *from && *to <= *t);
        if (value.is_none() || over_gap) && pieces.last().is_some_and(|p| !p.is_empty()) {
            pieces.push(Vec::new());
        }
        if let (Some(value), Some(piece)) = (value, pieces.last_mut()) {
            piece.push((*t, f64::from(*value)));
            last = *t;
        }
    }
    pieces.retain(|piece| !piece.is_empty());
    pieces
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_gap_is_not_bridged() {
        let values = [Some(1.0), Some(2.0), Some(3.0), None, Some(4.0)];
        let cut = pieces(&[0.0, 1.0, 5.0, 6.0, 7.0], &values, &[(1.0, 5.0)]);
        assert_eq!(cut, [vec![(0.0, 1.0), (1.0, 2.0)], vec![(5.0, 3.0)], vec![(7.0, 4.0)]]);
    }
}
