//! Pictures of what was recorded and found, each a file of its own.
//!
//! A chart turns what a page knows into [`Figure`]s: plain values with title, unit, series and the text that stands
//! there when there is nothing to draw. [`svg`] draws any of them. To add one: a file here, and its line in [`CHARTS`].

mod lanes;
mod run_sheet;
mod step_times;
pub(crate) mod svg;
mod switches;
mod week;

use foldwatch_report::Cycle;
use foldwatch_units::Micros;

use crate::query::CarTrend;
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

/// A picture before it is drawn.
#[derive(Debug, Clone)]
pub(crate) struct Figure {
    /// Unique on its page.
    pub id: String,
    pub title: String,
    /// One sentence below the title: what to see in it.
    pub note: String,
    pub axis: Axis,
    pub lanes: Vec<Lane>,
    /// Stretches of the axis, behind everything.
    pub bands: Vec<Band>,
    /// Places on the axis that something points to.
    pub flags: Vec<Flag>,
    /// Shown in place of the picture where there is nothing to draw.
    pub empty: Option<String>,
    /// Its axis is the cycle's time: the shared cursor goes through it.
    pub shared: bool,
}

/// The horizontal axis.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Axis {
    pub from: f64,
    pub to: f64,
    pub kind: AxisKind,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum AxisKind {
    /// Seconds from the cycle's start.
    Seconds,
    /// Hours of a day, UTC.
    Hours,
    /// The car's count of cycles.
    Cycles,
}

#[derive(Debug, Clone)]
pub(crate) struct Lane {
    pub label: String,
    pub unit: &'static str,
    /// Which of the palette's colours: its place.
    pub colour: usize,
    pub kind: LaneKind,
}

#[derive(Debug, Clone)]
pub(crate) enum LaneKind {
    /// A line over time, a new piece where it is interrupted, with another one beside it to compare with.
    Line { pieces: Vec<Vec<(f64, f64)>>, beside: Vec<Vec<(f64, f64)>>, low: f64, high: f64 },
    /// Bars in a row.
    Bars(Vec<Bar>),
    /// Marks on a surface.
    Dots { dots: Vec<Dot>, low: f64, high: f64, limit: Option<f64>, trend: Option<[(f64, f64); 2]> },
    /// Marks in a row.
    Marks(Vec<Dot>),
}

#[derive(Debug, Clone)]
pub(crate) struct Bar {
    pub from: f64,
    pub to: f64,
    /// Written beside it.
    pub text: String,
    /// Shown as a tip and read aloud.
    pub title: String,
    pub href: Option<String>,
    /// Where it should have ended, and where the limit was.
    pub expected: Option<f64>,
    pub limit: Option<f64>,
    /// Not quite as it should be: drawn hatched, said in the text.
    pub doubtful: bool,
}

#[derive(Debug, Clone)]
pub(crate) struct Dot {
    pub x: f64,
    pub y: f64,
    pub shape: Shape,
    pub title: String,
    pub href: Option<String>,
}

/// A mark's shape says what its colour says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Shape {
    /// Nothing was found.
    Sound,
    /// Worth knowing.
    Note,
    /// See to it.
    Attend,
    /// Stop using the roof.
    Stop,
    /// As measured, before correction.
    Raw,
}

impl Shape {
    pub fn of_weight(weight: Option<&str>) -> Shape {
        match weight {
            Some("stop-using") => Shape::Stop,
            Some("attend") => Shape::Attend,
            Some(_) => Shape::Note,
            None => Shape::Sound,
        }
    }
}

#[derive(Debug, Clone)]
pub(crate) struct Band {
    pub from: f64,
    pub to: f64,
    pub gap: bool,
    pub title: String,
}

#[derive(Debug, Clone)]
pub(crate) struct Flag {
    pub x: f64,
    pub number: usize,
    pub shape: Shape,
    pub title: String,
    pub href: String,
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
        number: n + 1,
        shape: Shape::of_weight(Some(&finding.weight)),
        title: crate::texts::said(&finding.message).replace('`', ""),
        href: format!("#finding-{}", n + 1),
    };
    cycle.findings.iter().enumerate().map(flag).filter(|f| f.x >= window.0 && f.x <= window.1).collect()
}

/// Every second step shaded, and what was not recorded.
pub(crate) fn bands(cycle: &Cycle, traces: Option<&Traces>) -> Vec<Band> {
    let steps = cycle.phases.iter().enumerate().filter(|(n, _)| n % 2 == 0).map(|(_, phase)| Band {
        from: seconds(cycle, &phase.start),
        to: seconds(cycle, &phase.end),
        gap: false,
        title: phase.name.clone(),
    });
    let gap = |(from, to): &(f64, f64)| Band {
        from: *from,
        to: *to,
        gap: true,
        title: crate::texts::NOT_RECORDED.to_owned(),
    };
    let gaps = traces.map(|t| t.gaps_s.as_slice()).unwrap_or_default().iter().map(gap);
    steps.chain(gaps).collect()
}
