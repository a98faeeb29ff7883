//! The steps of a cycle as rows of a run sheet: when each ran, when it should have been done, where its limit was.

use super::{Axis, AxisKind, Bar, Chart, Figure, Lane, LaneKind, Material, Page, bands, flags, seconds};
use crate::texts;

pub(super) const CHART: Chart = Chart { id: "run-sheet", page: Page::Cycle, figures };

fn figures(material: &Material) -> Vec<Figure> {
    let Some(cycle) = material.cycles.first() else { return Vec::new() };
    let (from, to) = material.window;
    let lanes = cycle
        .phases
        .iter()
        .map(|phase| {
            let start = seconds(cycle, &phase.start);
            let sure = phase.confirmation == "confirmed";
            let word = texts::confirmation(&phase.confirmation);
            let text = if sure {
                texts::secs(phase.duration_s)
            } else {
                format!("{} {word}", texts::secs(phase.duration_s))
            };
            let expected = phase.expected_s.map_or(String::new(), texts::expected);
            let bar = Bar {
                from: start,
                to: seconds(cycle, &phase.end),
                title: format!("{}: {}{expected}, {word}", phase.name, texts::secs(phase.duration_s)),
                text,
                href: Some(format!("#step-{}", phase.index)),
                expected: phase.expected_s.map(|s| start + s),
                limit: phase.limit_s.map(|s| start + s),
                doubtful: !sure,
                within: false,
            };
            Lane { label: phase.name.clone(), unit: "", colour: 0, kind: LaneKind::Bars(vec![bar]) }
        })
        .collect::<Vec<_>>();
    vec![Figure {
        id: CHART.id.to_owned(),
        title: texts::RUN_SHEET.to_owned(),
        note: texts::RUN_SHEET_NOTE.to_owned(),
        axis: Axis { from, to, kind: AxisKind::Seconds },
        empty: lanes.is_empty().then(|| texts::NO_STEPS.to_owned()),
        bands: bands(cycle, material.traces.ok()),
        flags: flags(cycle, material.window),
        lanes,
        shared: true,
    }]
}
