//! One picture for each number that is followed: at reference conditions over the cycles, against its limit.

use foldwatch_trend::Worse;

use super::{Axis, AxisKind, Chart, Dot, Figure, Lane, LaneKind, Material, Page, Shape};
use crate::query::CarTrend;
use crate::texts;

pub(super) const CHART: Chart = Chart { id: "step-times", page: Page::Trend, figures };

fn figures(material: &Material) -> Vec<Figure> {
    material.trends.iter().map(|trend| figure(material, trend)).collect()
}

fn figure(material: &Material, trend: &CarTrend) -> Figure {
    let dots: Vec<Dot> = trend
        .points
        .iter()
        .flat_map(|p| {
            let start = foldwatch_report::rfc3339(p.at);
            let value = format!("{} {}", texts::fixed(p.value, 2), trend.of.unit);
            let title = texts::ring(&texts::moment(&start), value.trim_end(), &texts::fixed(p.raw, 2));
            let href = crate::pages::cycle_href(material.car, &start);
            let past = trend.limit.is_some_and(|limit| match trend.what.measure.worse() {
                Worse::Higher => p.value > limit,
                Worse::Lower => p.value < limit,
            });
            let shape = if past { Shape::Attend } else { Shape::Sound };
            let x = p.cycle as f64;
            [
                Dot { x, y: p.raw, shape: Shape::Raw, title: String::new(), href: None },
                Dot { x, y: p.value, shape, title, href: Some(href) },
            ]
        })
        .collect();
    let numbers = || dots.iter().map(|d| d.y).chain(trend.limit);
    let low = numbers().fold(f64::INFINITY, f64::min);
    let high = numbers().fold(f64::NEG_INFINITY, f64::max);
    // A scatter of hundredths should not look like mountains.
    let span = (high - low).max(0.02 * high.abs()).max(0.02);
    let first = trend.points.first().map_or(0.0, |p| p.cycle as f64);
    let last = trend.points.last().map_or(1.0, |p| p.cycle as f64);
    let line = trend.trend.as_ref().and_then(|found| {
        let per = found.slope.as_ref()?.per_100_cycles.value / 100.0;
        let start = trend.points.len().checked_sub(trend.stretch)?;
        let from = trend.points.get(start)?.cycle as f64;
        Some([(from, found.level - per * (last - from)), (last, found.level)])
    });
    Figure {
        id: format!(
            "{}-{}-{}-{}",
            CHART.id,
            trend.what.direction,
            trend.what.step.map_or_else(|| "whole".to_owned(), |step| step.to_string()),
            trend.what.measure.name()
        ),
        title: texts::capital(&texts::followed_here(&trend.of)),
        note: texts::trend_sentence(trend),
        axis: Axis { from: first - 1.0, to: last + 1.0, kind: AxisKind::Cycles },
        empty: dots.is_empty().then(|| texts::NO_TIMES.to_owned()),
        lanes: vec![Lane {
            label: String::new(),
            unit: if trend.of.unit.is_empty() { "" } else { "s" },
            colour: 0,
            kind: LaneKind::Dots {
                dots,
                low: low - 0.08 * span,
                high: low + 1.12 * span,
                limit: trend.limit,
                trend: line,
            },
        }],
        bands: Vec::new(),
        flags: Vec::new(),
        shared: false,
    }
}
