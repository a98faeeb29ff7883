//! Pictures of what was recorded and found, each a file of its own.
//!
//! A chart turns what a page knows into [`Figure`]s: plain values with title, unit, series and the text that stands
//! there when there is nothing to draw. `foldwatch_chart` draws any of them. To add one: a file here, and its line in
//! [`CHARTS`].

mod lanes;
mod run_sheet;
mod step_times;
mod switches;
mod week;

pub(crate) use foldwatch_chart::{
    Axis, AxisKind, Band, BandKind, Bar, Dot, Figure, Flag, Lane, LaneKind, Shape, Words, mark,
};
use foldwatch_report::Cycle;
use foldwatch_units::Micros;

use crate::query::CarTrend;
use crate::reading;
use crate::texts;
use crate::traces::Traces;

/// Where a chart is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Page {
    Car,
    Cycle,
    Trend,
}

/// What a page knows: a chart takes from it what it needs.
pub(crate) struct Material<'a> {
    pub car: &'a str,
    /// Newest first; on the cycle's page that one alone.
    pub cycles: &'a [Cycle],
    /// What was recorded of the cycle, or why there is nothing.
    pub traces: Result<&'a Traces, &'a str>,
    /// The stretch to show, in seconds from the cycle's start.
    pub window: (f64, f64),
    pub trends: &'a [CarTrend],
}

/// One chart.
pub(crate) struct Chart {
    pub id: &'static str,
    pub page: Page,
    /// None, where it has no place on this car; one or more otherwise.
    pub figures: fn(&Material) -> Vec<Figure>,
}

/// Every chart, in the order in which a page shows them.
pub(crate) static CHARTS: &[Chart] =
    &[week::CHART, run_sheet::CHART, lanes::CHART, switches::CHART, step_times::CHART];

/// The charts of a page, drawn from its material.
pub(crate) fn figures(page: Page, material: &Material) -> Vec<Figure> {
    CHARTS.iter().filter(|c| c.page == page).flat_map(|c| (c.figures)(material)).collect()
}

/// A figure with its title, or its empty state, as the reader reads it.
pub(crate) fn draw(figure: &Figure) -> maud::Markup {
    foldwatch_chart::draw(figure, &Reader)
}

/// Figures as one picture for other programs.
pub(crate) fn alone(title: &str, figures: &[Figure], style: &str) -> String {
    foldwatch_chart::alone(title, figures, style, &Reader)
}

/// Who reads the page that is being made.
struct Reader;

impl Words for Reader {
    fn number(&self, value: f64, decimals: usize) -> String {
        texts::fixed(value, decimals)
    }

    fn unit(&self, recorded: &str) -> (String, f64, f64) {
        reading::now().unit(recorded)
    }

    fn axis(&self, kind: AxisKind) -> &'static str {
        match kind {
            AxisKind::Hours => texts::AXIS_HOURS,
            AxisKind::Cycles => texts::AXIS_CYCLES,
            AxisKind::Seconds => texts::AXIS_SECONDS,
        }
    }

    fn limit_is(&self, value: &str) -> String {
        texts::limit_is(value)
    }

    fn flag(&self, number: Option<usize>, title: &str) -> String {
        number.map_or_else(|| title.to_owned(), |number| texts::flag(number, title))
    }

    fn expected_end(&self) -> &'static str {
        texts::EXPECTED_END
    }

    fn limit_mark(&self) -> &'static str {
        texts::LIMIT_MARK
    }
}

/// Seconds from a cycle's start to a moment written in it.
pub(crate) fn seconds(cycle: &Cycle, text: &str) -> f64 {
    let at = |text| foldwatch_report::parse_utc(text).unwrap_or(Micros(0));
    (at(text) - at(&cycle.start)).0
}

/// One picture of one cycle on the axis that all its pictures share; `nothing` is said where it has no lanes.
fn of_cycle(
    material: &Material,
    cycle: &Cycle,
    id: &str,
    (title, note): (&str, &str),
    lanes: Vec<Lane>,
    nothing: &str,
) -> Figure {
    let (from, to) = material.window;
    let empty = match material.traces {
        Err(why) => Some(why.to_owned()),
        Ok(_) if lanes.is_empty() => Some(nothing.to_owned()),
        Ok(_) => None,
    };
    Figure {
        id: id.to_owned(),
        title: title.to_owned(),
        note: note.to_owned(),
        axis: Axis { from, to, kind: AxisKind::Seconds },
        bands: bands(cycle, material.traces.ok()),
        flags: flags(cycle, material.window),
        lanes,
        empty,
        shared: true,
    }
}

/// Where each finding of a cycle lies, numbered as on the page.
pub(crate) fn flags(cycle: &Cycle, window: (f64, f64)) -> Vec<Flag> {
    let flag = |(n, finding): (usize, &foldwatch_report::Finding)| Flag {
        x: seconds(cycle, &finding.at),
        number: Some(n + 1),
        shape: Shape::of_weight(Some(&finding.weight)),
        title: texts::said(&finding.message).replace('`', ""),
        href: format!("#finding-{}", n + 1),
    };
    cycle.findings.iter().enumerate().map(flag).filter(|f| f.x >= window.0 && f.x <= window.1).collect()
}

/// Every second step shaded, and what was not recorded.
pub(crate) fn bands(cycle: &Cycle, traces: Option<&Traces>) -> Vec<Band> {
    let steps = cycle.phases.iter().enumerate().filter(|(n, _)| n % 2 == 0).map(|(_, phase)| Band {
        from: seconds(cycle, &phase.start),
        to: seconds(cycle, &phase.end),
        kind: BandKind::Step,
        title: phase.name.clone(),
    });
    let gap = |(from, to): &(f64, f64)| Band {
        from: *from,
        to: *to,
        kind: BandKind::Gap,
        title: texts::NOT_RECORDED.to_owned(),
    };
    let gaps = traces.map(|t| t.gaps_s.as_slice()).unwrap_or_default().iter().map(gap);
    steps.chain(gaps).collect()
}
