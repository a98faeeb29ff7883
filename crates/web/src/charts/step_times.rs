//! One picture for each step: its times at reference conditions over the cycles, against its limit.

use super::{Axis, AxisKind, Chart, Dot, Figure, Lane, LaneKind, Material, Page, Shape};
use crate::query::StepTrend;
use crate::texts;

pub(super) const CHART: Chart = Chart { id: "step-times", page: Page::Trend, figures };

fn figures(material: &Material) -> Vec<Figure> {
    material.trends.iter().map(|trend| figure(material, trend)).collect()
}

fn figure(material: &Material, trend: &StepTrend) -> Figure {
    let dots: Vec<Dot> = trend
        .points
        .iter()
        .flat_map(|p| {
            let start = foldwatch_report::rfc3339(p.at);
            let title = format!(
                "{}: {} at reference conditions, {} as measured",
                texts::moment(&start),
                texts::secs(p.value),
                texts::secs(p.raw)
            );
            let href = crate::pages::cycle_href(material.car, &start);
            let shape = if p.value > trend.limit_s { Shape::Attend } else { Shape::Sound };
            let x = p.cycle as f64;
            [
                Dot { x, y: p.raw, shape: Shape::Raw, title: String::new(), href: None },
                Dot { x, y: p.value, shape, title, href: Some(href) },
            ]
        })
        .collect();
    let times = || dots.iter().map(|d| d.y).chain([trend.limit_s]);
    let low = times().fold(f64::INFINITY, f64::min);
    let high = times().fold(0.0, f64::max);
    let span = (high - low).max(0.2);
    let first = trend.points.first().map_or(0.0, |p| p.cycle as f64);
    let last = trend.points.last().map_or(1.0, |p| p.cycle as f64);
    let line = trend.assessment.as_ref().and_then(|a| {
        let per = a.slope?.per_100_cycles.value / 100.0;
        let reach = (a.stretch.saturating_sub(1)) as f64;
        let from = (last - reach).max(first);
        Some([(from, a.level - per * (last - from)), (last, a.level)])
    });
    Figure {
        id: format!("{}-{}-{}", CHART.id, trend.direction, trend.index),
        title: trend.name.clone(),
        note: texts::trend_sentence(trend),
        axis: Axis { from: first - 1.0, to: last + 1.0, kind: AxisKind::Cycles },
        empty: dots.is_empty().then(|| texts::NO_TIMES.to_owned()),
        lanes: vec![Lane {
            label: String::new(),
            unit: "s",
            colour: 0,
            kind: LaneKind::Dots {
                dots,
                low: low - 0.08 * span,
                high: low + 1.12 * span,
                limit: Some(trend.limit_s),
                trend: line,
            },
        }],
        bands: Vec::new(),
        flags: Vec::new(),
        shared: false,
    }
}
