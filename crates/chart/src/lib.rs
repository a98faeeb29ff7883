//! Pictures on an axis: what a page or a report knows becomes a [`Figure`], plain values with title, unit and series, and this
//! draws any of them as SVG, for the screen ([`draw`]), as one picture for other programs ([`alone`]) or for paper
//! ([`on_paper`]).
//!
//! Out: shapes with classes; the looks are the page's style sheet's, or [`PAPER`]'s. Not here: what is shown where, thinning,
//! colours on the screen, scripts.

mod line;
mod surface;
mod svg;

pub use line::{extent, pieces};
pub use surface::PAPER;
pub use svg::{alone, draw, mark, on_paper};

/// The reader's words, numbers and units.
pub trait Words {
    /// A number with so many decimals.
    fn number(&self, value: f64, decimals: usize) -> String;
    /// The reader's unit for a recorded one, the factor to it, and what is added then.
    fn unit(&self, recorded: &str) -> (String, f64, f64);
    /// What an axis counts.
    fn axis(&self, kind: AxisKind) -> &'static str;
    /// "limit 3.2".
    fn limit_is(&self, value: &str) -> String;
    /// "finding 2: it was slow".
    fn flag(&self, number: Option<usize>, title: &str) -> String;
    /// Of the mark where a step should have ended.
    fn expected_end(&self) -> &'static str;
    /// Of the mark where a step's limit was.
    fn limit_mark(&self) -> &'static str;
}

/// A picture before it is drawn.
#[derive(Debug, Clone)]
pub struct Figure {
    /// Unique on its page.
    pub id: String,
    /// Said above it.
    pub title: String,
    /// One sentence below the title: what to see in it.
    pub note: String,
    /// What the lanes share.
    pub axis: Axis,
    /// From top to bottom.
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
pub struct Axis {
    /// Its left end, in its kind's unit.
    pub from: f64,
    /// Its right end.
    pub to: f64,
    /// What it counts.
    pub kind: AxisKind,
}

/// What an axis counts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum AxisKind {
    /// Seconds from the cycle's start.
    Seconds,
    /// Hours of a day, UTC.
    Hours,
    /// The car's count of cycles.
    Cycles,
}

/// One row of a picture.
#[derive(Debug, Clone)]
pub struct Lane {
    /// Its name, beside it.
    pub label: String,
    /// What its numbers are in; empty where it has none.
    pub unit: &'static str,
    /// Which of the palette's colours: its place.
    pub colour: usize,
    /// What it shows.
    pub kind: LaneKind,
}

/// What a lane shows, along the axis and, where it has one, between `low` and `high` in its unit.
#[derive(Debug, Clone)]
pub enum LaneKind {
    /// A line over time, a new piece where it is interrupted, with another one beside it to compare with.
    #[allow(missing_docs)]
    Line {
        pieces: Vec<Vec<(f64, f64)>>,
        beside: Vec<Vec<(f64, f64)>>,
        low: f64,
        high: f64,
        limit: Option<f64>,
    },
    /// Bars in a row.
    Bars(Vec<Bar>),
    /// Marks on a surface.
    #[allow(missing_docs)]
    Dots { dots: Vec<Dot>, low: f64, high: f64, limit: Option<f64>, trend: Option<[(f64, f64); 2]> },
    /// Marks in a row.
    Marks(Vec<Dot>),
}

/// A stretch of a row.
#[derive(Debug, Clone, Default)]
pub struct Bar {
    /// Its left end on the axis.
    pub from: f64,
    /// Its right end.
    pub to: f64,
    /// Written beside it.
    pub text: String,
    /// Written in its middle instead.
    pub within: bool,
    /// Shown as a tip and read aloud.
    pub title: String,
    /// Where it leads.
    pub href: Option<String>,
    /// Where it should have ended.
    pub expected: Option<f64>,
    /// Where the limit of its end was.
    pub limit: Option<f64>,
    /// Not quite as it should be: drawn hatched, said in the text.
    pub doubtful: bool,
}

/// A mark.
#[derive(Debug, Clone)]
pub struct Dot {
    /// Its place on the axis.
    pub x: f64,
    /// Its height in the lane's unit; in a row it counts for nothing.
    pub y: f64,
    /// What it says.
    pub shape: Shape,
    /// Shown as a tip and read aloud.
    pub title: String,
    /// Where it leads.
    pub href: Option<String>,
}

/// A mark's shape says what its colour says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
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
    /// Of a finding's weight by its name; `None` where there is none.
    pub fn of_weight(weight: Option<&str>) -> Shape {
        match weight {
            Some("stop-using") => Shape::Stop,
            Some("attend") => Shape::Attend,
            Some(_) => Shape::Note,
            None => Shape::Sound,
        }
    }
}

/// A stretch of the axis, behind everything.
#[derive(Debug, Clone)]
pub struct Band {
    /// Its left end.
    pub from: f64,
    /// Its right end.
    pub to: f64,
    /// Why it is marked.
    pub kind: BandKind,
    /// Shown as a tip.
    pub title: String,
}

/// Why a stretch of the axis is marked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BandKind {
    /// Every second step, to tell them apart.
    Step,
    /// Nothing was recorded there.
    Gap,
    /// What was found lasted so long.
    Found,
}

/// A place on the axis that something points to.
#[derive(Debug, Clone)]
pub struct Flag {
    /// The place.
    pub x: f64,
    /// The finding's number on its page; `None` where it is the only one.
    pub number: Option<usize>,
    /// What it says.
    pub shape: Shape,
    /// Shown as a tip and read aloud.
    pub title: String,
    /// Where it leads; empty on paper.
    pub href: String,
}
