//! A week at a glance: a row for each day, a mark for each cycle at its hour.

use foldwatch_report::parse_utc;
use foldwatch_units::Micros;

use super::{Axis, AxisKind, Chart, Dot, Figure, Lane, LaneKind, Material, Page, Shape};
use crate::query::weight_of;
use crate::texts;

pub(super) const CHART: Chart = Chart { id: "week", page: Page::Car, figures };

const DAY: i64 = 86_400_000_000;
const DAYS: i64 = 7;

fn figures(material: &Material) -> Vec<Figure> {
    let newest = material.cycles.first().and_then(|c| parse_utc(&c.start));
    let last = newest.map(|at| at.0.div_euclid(DAY)).unwrap_or(0);
    let lanes: Vec<Lane> = newest
        .into_iter()
        .flat_map(|_| (0..DAYS).map(move |n| last - DAYS + 1 + n))
        .map(|day| Lane {
            label: texts::day_of_week(Micros(day * DAY)),
            unit: "",
            colour: 0,
            kind: LaneKind::Marks(marks(material, day)),
        })
        .collect();
    vec![Figure {
        id: CHART.id.to_owned(),
        title: texts::WEEK.to_owned(),
        note: texts::WEEK_NOTE.to_owned(),
        axis: Axis { from: 0.0, to: 24.0, kind: AxisKind::Hours },
        empty: lanes.is_empty().then(|| texts::NO_CYCLES.to_owned()),
        lanes,
        bands: Vec::new(),
        flags: Vec::new(),
        shared: false,
    }]
}

fn marks(material: &Material, day: i64) -> Vec<Dot> {
    let mark = |cycle: &foldwatch_report::Cycle| {
        let at = parse_utc(&cycle.start)?;
        let worst = cycle.findings.iter().map(|f| f.weight.as_str()).max_by_key(|w| weight_of(w));
        (at.0.div_euclid(DAY) == day).then(|| Dot {
            x: at.0.rem_euclid(DAY) as f64 / 3.6e9,
            y: 0.0,
            shape: Shape::of_weight(worst),
            title: format!(
                "{} {}, {}, {}",
                texts::moment(&cycle.start),
                cycle.direction,
                texts::outcome(&cycle.outcome),
                texts::findings_count(cycle.findings.len())
            ),
            href: Some(crate::pages::cycle_href(material.car, &cycle.start)),
        })
    };
    material.cycles.iter().rev().filter_map(mark).collect()
}
