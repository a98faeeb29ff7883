//! Demand, pump, valves and switches of a cycle: a bar while each is on.

use super::{Bar, Chart, Figure, Lane, LaneKind, Material, Page, of_cycle};
use crate::texts;

pub(super) const CHART: Chart = Chart { id: "switches", page: Page::Cycle, figures };

const ORDER: [&str; 4] = ["demand", "pump", "valve", "switch"];

fn figures(material: &Material) -> Vec<Figure> {
    let Some(cycle) = material.cycles.first() else { return Vec::new() };
    let mut states: Vec<_> =
        material.traces.map(|t| t.states.as_slice()).unwrap_or_default().iter().filter(|s| s.known).collect();
    let place = |kind: &str| ORDER.iter().position(|k| *k == kind).unwrap_or(ORDER.len());
    states.sort_by_key(|s| place(s.kind));
    let lanes: Vec<Lane> = states
        .into_iter()
        .map(|state| {
            let word = texts::on_word(state.kind);
            let bar = |(a, b): &(f64, f64)| Bar {
                from: *a,
                to: *b,
                title: texts::span(&state.label, word, &texts::fixed(*a, 2), &texts::fixed(*b, 2)),
                ..Bar::default()
            };
            let colour = 5 + usize::from(state.kind != "switch");
            let bars = state.on_s.iter().map(bar).collect();
            Lane { label: state.label.clone(), unit: "", colour, kind: LaneKind::Bars(bars) }
        })
        .collect();
    let words = (texts::SWITCHES, texts::SWITCHES_NOTE);
    vec![of_cycle(material, cycle, CHART.id, words, lanes, texts::NO_STATES)]
}
