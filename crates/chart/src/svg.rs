//! Draws any [`Figure`] as SVG. Looks come from a style sheet by class; nothing here knows what is drawn.
//!
//! On the screen everything stands in shares of the picture's width along the axis and in pixels down it: the same picture
//! fits a desk and a phone with its letters as large as they should be. The script zooms by stretching what moves as it is,
//! until it comes drawn anew. The lanes' names are a column of text beside it. On paper everything is in points.

use std::fmt::Write;

use maud::{Markup, html};

use crate::surface::{PAPER, Surface};
use crate::{Axis, AxisKind, Band, BandKind, Bar, Dot, Figure, Flag, Lane, LaneKind, Shape, Words};

/// Names are so wide where a picture is on its own, in pixels, and the plot beside them.
const NAMES: f64 = 190.0;
const PLOT: f64 = 1000.0;
/// The same on paper, in points, and what is left free at the right.
const PAPER_NAMES: f64 = 112.0;
const PAPER_PLOT: f64 = 362.0;
const PAPER_RIGHT: f64 = 6.0;

/// A figure with its title, or its empty state.
pub fn draw(figure: &Figure, words: &dyn Words) -> Markup {
    let pen = Pen { figure, words, on: Surface::SCREEN };
    html! {
        figure.chart id=(figure.id) data-shared=[figure.shared.then_some("yes")] data-from=(figure.axis.from) data-to=(figure.axis.to) {
            figcaption { h3 { (figure.title) } @if !figure.note.is_empty() { p { (figure.note) } } }
            @if let Some(empty) = &figure.empty { p.empty { (empty) } }
            @else {
                div.strip tabindex=[figure.shared.then_some("0")] role="group" aria-label=(figure.title) {
                    (pen.names())
                    div.plot-box { (pen.moving()) (pen.frame()) }
                }
            }
        }
    }
}

/// Figures below one another as one picture for other programs, `style` being its looks.
pub fn alone(title: &str, figures: &[Figure], style: &str, words: &dyn Words) -> String {
    let mut y = 30.0;
    let drawn: Vec<(Pen, f64)> = figures
        .iter()
        .filter(|figure| figure.empty.is_none())
        .map(|figure| {
            let pen = Pen { figure, words, on: Surface::SCREEN };
            let at = y + 24.0;
            y = at + pen.height() + 18.0;
            (pen, at)
        })
        .collect();
    html! {
        svg xmlns="http://www.w3.org/2000/svg" width=(NAMES + PLOT + 20.0) height=(y) font-family="sans-serif" {
            style { (maud::PreEscaped(style.replace('<', ""))) }
            rect.paper width="100%" height="100%" {}
            text.title x="10" y="24" { (title) }
            @for (pen, at) in drawn {
                text.figure-title x="10" y=(at - 8.0) { (pen.figure.title) }
                svg x="10" y=(at) width=(NAMES) height=(pen.height()) { (pen.names_alone(NAMES)) }
                svg x=(NAMES + 10.0) y=(at) width=(PLOT) height=(pen.height()) { (pen.moving()) (pen.frame()) }
            }
        }
    }
    .into_string()
}

/// A figure for a sheet of paper, without its title: 480 points wide, its looks in itself.
pub fn on_paper(figure: &Figure, words: &dyn Words) -> String {
    let pen = Pen { figure, words, on: Surface::paper(PAPER_PLOT) };
    let (width, height) = (PAPER_NAMES + PAPER_PLOT + PAPER_RIGHT, pen.height());
    html! {
        svg xmlns="http://www.w3.org/2000/svg" width=(width) height=(height) viewBox={ "0 0 " (width) " " (height) } font-family="Libertinus Serif" font-size="8" {
            style { (maud::PreEscaped(PAPER)) }
            (pen.names_alone(PAPER_NAMES))
            g transform={ "translate(" (PAPER_NAMES) " 0)" } { (pen.moving()) (pen.frame()) }
        }
    }
    .into_string()
}

/// Draws one figure on a surface.
#[derive(Clone, Copy)]
struct Pen<'a> {
    figure: &'a Figure,
    words: &'a dyn Words,
    on: Surface,
}

impl Pen<'_> {
    fn lane_height(&self, lane: &Lane) -> f64 {
        match lane.kind {
            LaneKind::Line { .. } => self.on.line,
            LaneKind::Bars(_) => self.on.bars,
            LaneKind::Marks(_) => self.on.marks,
            LaneKind::Dots { .. } => self.on.dots,
        }
    }

    fn top(&self) -> f64 {
        if self.figure.flags.is_empty() { self.on.free } else { self.on.flags }
    }

    fn bottom(&self) -> f64 {
        self.top() + self.figure.lanes.iter().map(|lane| self.lane_height(lane)).sum::<f64>()
    }

    fn height(&self) -> f64 {
        self.bottom() + self.on.axis
    }

    /// The lanes with where each begins.
    fn lanes(&self) -> impl Iterator<Item = (&Lane, f64)> {
        let mut y = self.top();
        self.figure.lanes.iter().map(move |lane| {
            let at = y;
            y += self.lane_height(lane);
            (lane, at)
        })
    }

    /// The lanes' names, each as high as its lane; their heights are in the style sheet.
    fn names(&self) -> Markup {
        html! {
            ul.names.flagged[!self.figure.flags.is_empty()] aria-hidden="true" {
                @for lane in &self.figure.lanes {
                    @match &lane.kind {
                        LaneKind::Line { .. } => li.line title=(lane.label) { span { (lane.label) } small { (self.words.unit(lane.unit).0) } },
                        LaneKind::Bars(_) => li.bars title=(lane.label) { span { (lane.label) } },
                        LaneKind::Marks(_) => li.marks title=(lane.label) { span { (lane.label) } },
                        LaneKind::Dots { .. } => li.dots { span { (lane.label) } small { (lane.unit) } },
                    }
                }
                li.unit { (self.words.axis(self.figure.axis.kind)) }
            }
        }
    }

    /// The same as text of a picture, so wide.
    fn names_alone(&self, wide: f64) -> Markup {
        html! {
            @for (lane, y) in self.lanes() {
                @let unit = self.words.unit(lane.unit).0;
                text.name x="0" y=(r(y + self.lane_height(lane) / 2.0 + self.on.half_letter)) {
                    (self.on.shortened(&lane.label)) @if !unit.is_empty() { ", " (unit) }
                }
            }
            text.tick-text x=(wide - 8.0) y=(r(self.bottom() + self.on.tick_text)) text-anchor="end" { (self.words.axis(self.figure.axis.kind)) }
        }
    }

    fn share(&self, value: f64) -> f64 {
        let Axis { from, to, .. } = self.figure.axis;
        ((value - from) / (to - from).max(f64::MIN_POSITIVE)).clamp(0.0, 1.0)
    }

    fn shows(&self, value: f64) -> bool {
        value >= self.figure.axis.from && value <= self.figure.axis.to
    }

    /// The place of a share of the width.
    fn at(&self, share: f64) -> String {
        self.on.at(share)
    }

    fn x(&self, value: f64) -> String {
        self.at(self.share(value))
    }

    /// What moves along the axis: a layer of its own, which the browser moves and stretches without drawing it anew.
    fn moving(&self) -> Markup {
        let figure = self.figure;
        let (top, bottom) = (self.top(), self.bottom());
        html! {
            svg.plot width=(self.at(1.0)) height=(r(self.height())) role="group" aria-label=(figure.title) {
                defs { (hatching(&figure.id)) }
                @for band in &figure.bands { (self.band(band, top, bottom)) }
                (self.ticks(top, bottom))
                @for (lane, y) in self.lanes() { (self.lane(lane, y, self.lane_height(lane))) }
                @for (flag, x) in self.spread() { (self.flag(flag, x, bottom)) }
            }
        }
    }

    /// What stays in its place meanwhile: the lines between the lanes, and the figures to read them by.
    fn frame(&self) -> Markup {
        html! {
            svg.frame width=(self.at(1.0)) height=(r(self.height())) aria-hidden="true" {
                @for (lane, y) in self.lanes() {
                    @let end = r(y + self.lane_height(lane));
                    line.rule x1="0" x2=(self.at(1.0)) y1=(end) y2=(end) {}
                    @if let LaneKind::Line { low, high, limit, .. } = lane.kind { (self.range(low, high, limit, lane.unit, y, self.lane_height(lane))) }
                }
            }
        }
    }

    fn band(&self, band: &Band, top: f64, bottom: f64) -> Markup {
        let (from, to) = (self.share(band.from), self.share(band.to));
        let gap = band.kind == BandKind::Gap;
        let fill = gap.then(|| format!("url(#{}-hatch)", self.figure.id));
        html! {
            @if to > from {
                rect.band.gap[gap].found[band.kind == BandKind::Found] x=(self.at(from)) y=(top) width=(self.at(to - from)) height=(r(bottom - top)) fill=[fill] {
                    title { (band.title) }
                }
            }
        }
    }

    fn ticks(&self, top: f64, bottom: f64) -> Markup {
        let Axis { from, to, kind } = self.figure.axis;
        let (step, at) = match kind {
            AxisKind::Hours => (3.0, (0..=8).map(|n| f64::from(n) * 3.0).collect()),
            AxisKind::Cycles => round_steps(from, to, true),
            AxisKind::Seconds => round_steps(from, to, false),
        };
        let text = |v: f64| match kind {
            AxisKind::Hours => format!("{v:02.0}:00"),
            AxisKind::Cycles => format!("{v:.0}"),
            AxisKind::Seconds => self.words.number(
                v,
                match step {
                    s if s < 0.1 => 2,
                    s if s < 1.0 => 1,
                    _ => 0,
                },
            ),
        };
        // At the edges there is no room for half a text.
        let anchor = |v: f64| match self.share(v) {
            s if s < 0.06 => "start",
            s if s > 0.98 => "end",
            _ => "middle",
        };
        // Where they are many, a phone shows every second text.
        let many = at.len() > 6;
        html! {
            @for (n, v) in at.into_iter().enumerate() {
                line.tick x1=(self.x(v)) x2=(self.x(v)) y1=(top) y2=(r(bottom + 4.0)) {}
                text.tick-text.between[many && n % 2 == 1] x=(self.x(v)) y=(r(bottom + self.on.tick_text)) text-anchor=(anchor(v)) { @if n == 0 && kind == AxisKind::Cycles { (self.words.axis(kind)) " " } (text(v)) }
            }
        }
    }

    fn lane(&self, lane: &Lane, y: f64, h: f64) -> Markup {
        let units = self.on.units();
        let colour = format!("c{}", lane.colour);
        html! {
            @match &lane.kind {
                LaneKind::Line { pieces, beside, low, high, .. } => {
                    @let to_y = |v: f64| to_height(v, (*low, *high), 0.0, h);
                    svg x="0" y=(y) width=(self.at(1.0)) height=(h) viewBox={ "0 0 " (units) " " (h) } preserveAspectRatio="none" overflow="visible" {
                        @for piece in beside { path.line.beside d=(self.path(piece, &to_y)) vector-effect="non-scaling-stroke" {} }
                        @for piece in pieces { path.line.(colour) d=(self.path(piece, &to_y)) vector-effect="non-scaling-stroke" {} }
                    }
                }
                LaneKind::Bars(bars) => @for bar in bars { (self.bar(bar, y, h, &colour)) },
                LaneKind::Marks(dots) => {
                    @for dot in dots { (placed(dot.shape, &self.x(dot.x), y + h / 2.0, 6.0, &dot.title, dot.href.as_deref())) }
                }
                LaneKind::Dots { dots, low, high, limit, trend } => {
                    (self.surface(dots, (*low, *high), *limit, *trend, lane.unit, (y, h)))
                }
            }
        }
    }

    /// Two figures to read a lane by, at its left edge.
    fn range(&self, low: f64, high: f64, limit: Option<f64>, unit: &str, y: f64, h: f64) -> Markup {
        // The lane is in the recorded unit, its figures in the reader's.
        let (_, factor, offset) = self.words.unit(unit);
        let (read_low, read_high) = (low * factor + offset, high * factor + offset);
        let (step, at) = round_steps(read_low, read_high, false);
        let shown: Vec<f64> = match at.as_slice() {
            [] => Vec::new(),
            [only] => vec![*only],
            [first, .., last] => vec![*first, *last],
        };
        html! {
            @for v in shown {
                @let at = to_height(v, (read_low, read_high), y, h);
                line.grid x1="0" x2=(self.at(1.0)) y1=(r(at)) y2=(r(at)) {}
                text.tick-text.inside x=(self.on.figures.0) text-anchor=(self.on.figures.1) y=(r((at - 3.0).clamp(y + self.on.letter, y + h - 3.0))) { (self.words.number(v, usize::from(step < 1.0))) }
            }
            @if let Some(limit) = limit {
                @let at = r(to_height(limit, (low, high), y, h));
                line.limit-line x1="0" x2=(self.at(1.0)) y1=(at) y2=(at) {}
            }
        }
    }

    fn path(&self, points: &[(f64, f64)], to_y: &dyn Fn(f64) -> f64) -> String {
        let mut d = String::new();
        for (n, (x, v)) in points.iter().filter(|(x, _)| self.shows(*x)).enumerate() {
            // Writing into a string can't fail.
            let letter = if n == 0 { "M" } else { "L" };
            let _ = write!(d, "{letter}{} {}", r(self.share(*x) * self.on.units()), r(to_y(*v)));
        }
        d
    }

    fn bar(&self, bar: &Bar, y: f64, h: f64, colour: &str) -> Markup {
        let (from, to) = (self.share(bar.from), self.share(bar.to));
        // As wide as can be seen.
        let width = (to - from).max(0.0015);
        let fill = bar.doubtful.then(|| format!("url(#{}-hatch)", self.figure.id));
        let beyond = |v: Option<f64>| v.filter(|v| self.shows(*v)).map_or(0.0, |v| self.share(v));
        let after = to.max(beyond(bar.expected)).max(beyond(bar.limit));
        // Behind its end where there is room, else before its beginning, else inside.
        let (text_x, dx, anchor, inside) = match (after, from) {
            _ if bar.within => ((from + to) / 2.0, 0, "middle", false),
            (after, _) if after < 0.78 => (after, 6, "start", false),
            (_, from) if from > 0.22 => (from, -6, "end", false),
            _ => (from, 6, "start", !bar.doubtful),
        };
        let body = html! {
            title { (bar.title) }
            rect.bar.(colour).doubtful[bar.doubtful] x=(self.at(from)) y=(r(y + self.on.inset)) width=(self.at(width)) height=(r(h - 2.0 * self.on.inset)) fill=[fill] {}
        };
        html! {
            @if bar.to >= self.figure.axis.from && bar.from <= self.figure.axis.to {
                @match &bar.href { Some(href) => a href=(href) aria-label=(bar.title) { (body) }, None => g { (body) } }
                @if let Some(e) = bar.expected.filter(|e| self.shows(*e)) {
                    line.expected x1=(self.x(e)) x2=(self.x(e)) y1=(y + 2.0) y2=(y + h - 2.0) { title { (self.words.expected_end()) } }
                }
                @if let Some(l) = bar.limit.filter(|l| self.shows(*l)) {
                    svg x=(self.x(l)) y=(y) overflow="visible" { path.limit d={ "M-3 2h3V" (h - 2.0) "h-3" } { title { (self.words.limit_mark()) } } }
                }
                @if !bar.text.is_empty() { text.bar-text.on[inside] x=(self.at(text_x)) dx=(dx) y=(r(y + h / 2.0 + self.on.half_letter)) text-anchor=(anchor) { (bar.text) } }
            }
        }
    }

    fn surface(
        &self,
        dots: &[Dot],
        (low, high): (f64, f64),
        limit: Option<f64>,
        trend: Option<[(f64, f64); 2]>,
        unit: &str,
        (y, h): (f64, f64),
    ) -> Markup {
        let to_y = |v: f64| to_height(v, (low, high), y, h);
        let (step, at) = round_steps(low, high, false);
        html! {
            // What would stand on the frame or on the limit stands nowhere.
            @for v in at.iter().step_by(2).filter(|v| to_y(**v) > y + 16.0 && limit.is_none_or(|l| (to_y(l) - to_y(**v)).abs() > 14.0)) {
                line.grid x1="0" x2=(self.at(1.0)) y1=(r(to_y(*v))) y2=(r(to_y(*v))) {}
                text.tick-text.inside x="3" y=(r(to_y(*v) - 3.0)) { (self.words.number(*v, if step < 0.1 { 2 } else { 1 })) " " (unit) }
            }
            @if let Some(limit) = limit {
                line.limit-line x1="0" x2=(self.at(1.0)) y1=(r(to_y(limit))) y2=(r(to_y(limit))) {}
                text.limit-text x=(self.at(0.99)) y=(r(to_y(limit) - 7.0)) text-anchor="end" { (self.words.limit_is(&self.words.number(limit, 2))) }
            }
            @if let Some([from, to]) = trend {
                line.trend-line x1=(self.x(from.0)) y1=(r(to_y(from.1).clamp(y, y + h))) x2=(self.x(to.0)) y2=(r(to_y(to.1).clamp(y, y + h))) {}
            }
            @for dot in dots.iter().filter(|d| d.shape == Shape::Raw) {
                (placed(dot.shape, &self.x(dot.x), to_y(dot.y), 4.0, &dot.title, None))
            }
            @for dot in dots.iter().filter(|d| d.shape != Shape::Raw) {
                (placed(dot.shape, &self.x(dot.x), to_y(dot.y), 5.0, &dot.title, dot.href.as_deref()))
            }
        }
    }

    /// Where each flag's mark stands: above its place, or beside the mark before it where that is too near.
    fn spread(&self) -> Vec<(&Flag, f64)> {
        let mut sorted: Vec<&Flag> = self.figure.flags.iter().collect();
        sorted.sort_by(|a, b| a.x.total_cmp(&b.x));
        let apart = 0.045;
        // All of them must find room before the right edge.
        let mut free = 0.0f64;
        let mut places = Vec::with_capacity(sorted.len());
        for flag in &sorted {
            let x = self.share(flag.x).max(free);
            free = x + apart;
            places.push(x);
        }
        let mut most = 0.97f64;
        for x in places.iter_mut().rev() {
            *x = x.min(most).max(0.0);
            most = *x - apart;
        }
        sorted.into_iter().zip(places).collect()
    }

    /// `x` is the share at which its mark stands.
    fn flag(&self, flag: &Flag, x: f64, bottom: f64) -> Markup {
        let (at, x) = (self.x(flag.x), self.at(x));
        let top = self.on.flags;
        html! {
            a.flag href=(flag.href) aria-label=(self.words.flag(flag.number, &flag.title)) {
                title { (flag.title) }
                line.flag-line x1=(x) y1=(top - 7.0) x2=(at) y2=(top) {}
                line.flag-line x1=(at) y1=(top) x2=(at) y2=(bottom) {}
                svg x=(x) y="0" overflow="visible" {
                    rect.touch x="-12" y="0" width="34" height="24" {}
                    (mark(flag.shape, 0.0, top / 2.0 - 2.0, self.on.mark, &flag.title, None))
                    @if let Some(number) = flag.number { text.flag-text x="9" y="15" { (number) } }
                }
            }
        }
    }
}

/// Where a number stands in a lane that begins at `y` and is `h` high, from its lowest to its highest.
fn to_height(v: f64, (low, high): (f64, f64), y: f64, h: f64) -> f64 {
    y + h - 4.0 - (v - low) / (high - low) * (h - 8.0)
}

fn hatching(id: &str) -> Markup {
    html! {
        pattern id={ (id) "-hatch" } width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)" {
            rect.hatch-ground width="6" height="6" {}
            rect.hatch-line width="2" height="6" {}
        }
    }
}

/// Round numbers, not more than ten of them.
fn round_steps(from: f64, to: f64, whole: bool) -> (f64, Vec<f64>) {
    let span = (to - from).max(1e-6);
    let mut step = 10f64.powf((span / 10.0).log10().floor());
    for factor in [2.0, 2.5, 2.0] {
        if span / step > 10.0 {
            step *= factor;
        }
    }
    if whole {
        step = step.max(1.0).round();
    }
    let first = (from / step).ceil() as i64;
    let last = (to / step).floor() as i64;
    (step, (first..=last).map(|n| n as f64 * step).collect())
}

/// A mark at a share of the width.
fn placed(shape: Shape, x: &str, y: f64, size: f64, title: &str, href: Option<&str>) -> Markup {
    html! { svg x=(x) y=(r(y)) overflow="visible" { (mark(shape, 0.0, 0.0, size, title, href)) } }
}

/// A mark that its shape alone tells from the others.
pub fn mark(shape: Shape, x: f64, y: f64, s: f64, title: &str, href: Option<&str>) -> Markup {
    let (class, d) = match shape {
        Shape::Sound => (
            "mark sound",
            format!("M{} {}a{s} {s} 0 1 0 {} 0a{s} {s} 0 1 0 {} 0", r(x - s), r(y), 2.0 * s, -2.0 * s),
        ),
        Shape::Raw => {
            ("mark raw", format!("M{} {}h{}M{} {}v{}", r(x - s), r(y), 2.0 * s, r(x), r(y - s), 2.0 * s))
        }
        Shape::Note => ("mark note", format!("M{} {}l{s} {s}l-{s} {s}l-{s} -{s}Z", r(x), r(y - s))),
        Shape::Attend => (
            "mark attend",
            format!("M{} {}l{} {}h-{}Z", r(x), r(y - s * 1.1), r(s * 1.2), r(s * 2.0), r(s * 2.4)),
        ),
        Shape::Stop => {
            ("mark stop", format!("M{} {}h{}v{}h-{}Z", r(x - s), r(y - s), 2.0 * s, 2.0 * s, 2.0 * s))
        }
    };
    let body = html! { path class=(class) d=(d) { @if !title.is_empty() { title { (title) } } } };
    match href {
        // A finger needs 24 pixels (WCAG 2.2, 2.5.8).
        Some(href) => {
            html! { a href=(href) aria-label=(title) { circle.touch cx=(x) cy=(y) r="12" {} (body) } }
        }
        None => body,
    }
}

/// A tenth of the picture's unit is finer than any screen.
fn r(v: f64) -> f64 {
    (v * 10.0).round() / 10.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_few_and_round() {
        for span in [0.3, 1.0, 7.0, 24.0, 60.0, 1234.0] {
            let (_, at) = round_steps(0.0, span, false);
            assert!((3..=11).contains(&at.len()), "{span}: {at:?}");
        }
        assert_eq!(round_steps(0.0, 3.0, true).1, [0.0, 1.0, 2.0, 3.0]);
    }

    /// As recorded, in few words.
    struct Plain;

    impl Words for Plain {
        fn number(&self, value: f64, decimals: usize) -> String {
            format!("{value:.decimals$}")
        }
        fn unit(&self, recorded: &str) -> (String, f64, f64) {
            (recorded.to_owned(), 1.0, 0.0)
        }
        fn axis(&self, _: AxisKind) -> &'static str {
            "s"
        }
        fn limit_is(&self, value: &str) -> String {
            value.to_owned()
        }
        fn flag(&self, _: Option<usize>, title: &str) -> String {
            title.to_owned()
        }
        fn expected_end(&self) -> &'static str {
            "expected"
        }
        fn limit_mark(&self) -> &'static str {
            "limit"
        }
    }

    fn figure(lanes: Vec<Lane>, flags: Vec<Flag>) -> Figure {
        Figure {
            id: "f".into(),
            title: "\"quoted\" <title>".into(),
            note: String::new(),
            axis: Axis { from: 0.0, to: 1.0, kind: AxisKind::Seconds },
            lanes,
            bands: vec![Band { from: 0.2, to: 0.4, kind: BandKind::Found, title: String::new() }],
            flags,
            empty: None,
            shared: true,
        }
    }

    #[test]
    fn names_are_escaped() {
        let lane = Lane { label: "<b>&".into(), unit: "", colour: 0, kind: LaneKind::Bars(Vec::new()) };
        let figure = figure(vec![lane], Vec::new());
        let screen = draw(&figure, &Plain).into_string();
        for drawn in [screen, on_paper(&figure, &Plain), alone("t", &[figure], ".a{}", &Plain)] {
            assert!(!drawn.contains("<b>") && !drawn.contains("<title>\""), "{drawn}");
            assert!(drawn.contains("&lt;b&gt;&amp;"));
        }
    }

    /// By hand: the plot is 362 points wide, its lane 42 high below 16 for the flags; 0.5 of 0 to 1 lies at 181 points, and
    /// 10 of 0 to 20 in the middle of what is left 4 above and below.
    #[test]
    fn on_paper_everything_has_its_place_in_points() {
        let line = LaneKind::Line {
            pieces: vec![vec![(0.0, 0.0), (0.5, 10.0), (1.0, 20.0)]],
            beside: Vec::new(),
            low: 0.0,
            high: 20.0,
            limit: Some(15.0),
        };
        let lane =
            Lane { label: "a name that is longer than its place".into(), unit: "bar", colour: 0, kind: line };
        let flag =
            Flag { x: 0.5, number: None, shape: Shape::Attend, title: String::new(), href: String::new() };
        let drawn = on_paper(&figure(vec![lane], vec![flag]), &Plain);
        assert!(drawn.contains("M0 38L181 21L362 4"), "{drawn}");
        assert!(drawn.contains("a name that is longer tha…, bar"), "{drawn}");
        assert!(
            drawn.contains("class=\"band found\" x=\"72.4\" y=\"16\" width=\"72.4\" height=\"42\""),
            "{drawn}"
        );
        // 16 + 42 - 4 - 15 / 20 x 34.
        assert!(drawn.contains("class=\"limit-line\" x1=\"0\" x2=\"362\" y1=\"28.5\""), "{drawn}");
        assert!(!drawn.contains('%'), "{drawn}");
    }

    #[test]
    fn flags_at_the_right_edge_stay_within_the_picture() {
        let flag = |number| Flag {
            x: 1.0,
            number: Some(number),
            shape: Shape::Note,
            title: String::new(),
            href: String::new(),
        };
        let figure = figure(Vec::new(), (1..=4).map(flag).collect());
        let pen = Pen { figure: &figure, words: &Plain, on: Surface::SCREEN };
        let places: Vec<f64> = pen.spread().into_iter().map(|(_, x)| x).collect();
        assert!(
            places.iter().all(|x| *x <= 0.97) && places.windows(2).all(|p| p[1] - p[0] > 0.03),
            "{places:?}"
        );
    }
}
