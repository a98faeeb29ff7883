//! Draws any [`Figure`] as SVG. Looks come from the style sheet by class; nothing here knows what is drawn.
//!
//! Along the axis everything stands in shares of the picture's width, down it in pixels: the same picture fits a desk and
//! a phone with its letters as large as they should be. The script zooms by stretching what moves as it is, until it comes
//! drawn anew. The lanes' names are a column of text beside it.

use std::fmt::Write;

use maud::{Markup, html};

use super::{Axis, AxisKind, Band, Bar, Dot, Figure, Flag, Lane, LaneKind, Shape};
use crate::reading;
use crate::texts::{self, fixed};

/// A line's picture is so many of its own units wide, whatever it is on the screen.
const UNITS: f64 = 1000.0;
const AXIS: f64 = 26.0;
const FLAGS: f64 = 26.0;
/// Names are so wide where a picture is on its own, in pixels, and the plot beside them.
const NAMES: f64 = 190.0;
const PLOT: f64 = 1000.0;

/// A figure with its title, or its empty state.
pub(crate) fn draw(figure: &Figure) -> Markup {
    html! {
        figure.chart id=(figure.id) data-shared=[figure.shared.then_some("yes")] data-from=(figure.axis.from) data-to=(figure.axis.to) {
            figcaption { h3 { (figure.title) } @if !figure.note.is_empty() { p { (figure.note) } } }
            @if let Some(empty) = &figure.empty { p.empty { (empty) } }
            @else {
                div.strip tabindex=[figure.shared.then_some("0")] role="group" aria-label=(figure.title) {
                    (names(figure))
                    div.plot-box { (moving(figure)) (frame(figure)) }
                }
            }
        }
    }
}

/// Figures below one another as one picture for other programs, `style` being its looks.
pub(crate) fn alone(title: &str, figures: &[Figure], style: &str) -> String {
    let mut y = 30.0;
    let drawn: Vec<(&Figure, f64)> = figures
        .iter()
        .filter(|figure| figure.empty.is_none())
        .map(|figure| {
            let at = y + 24.0;
            y = at + height(figure) + 18.0;
            (figure, at)
        })
        .collect();
    html! {
        svg xmlns="http://www.w3.org/2000/svg" width=(NAMES + PLOT + 20.0) height=(y) font-family="sans-serif" {
            style { (maud::PreEscaped(style.replace('<', ""))) }
            rect.paper width="100%" height="100%" {}
            text.title x="10" y="24" { (title) }
            @for (figure, at) in drawn {
                text.figure-title x="10" y=(at - 8.0) { (figure.title) }
                svg x="10" y=(at) width=(NAMES) height=(height(figure)) { (names_alone(figure)) }
                svg x=(NAMES + 10.0) y=(at) width=(PLOT) height=(height(figure)) { (picture(figure)) }
            }
        }
    }
    .into_string()
}

fn lane_height(lane: &Lane) -> f64 {
    match lane.kind {
        LaneKind::Line { .. } => 88.0,
        LaneKind::Bars(_) => 24.0,
        LaneKind::Marks(_) => 30.0,
        LaneKind::Dots { .. } => 240.0,
    }
}

fn top(figure: &Figure) -> f64 {
    if figure.flags.is_empty() { 4.0 } else { FLAGS }
}

fn bottom(figure: &Figure) -> f64 {
    top(figure) + figure.lanes.iter().map(lane_height).sum::<f64>()
}

fn height(figure: &Figure) -> f64 {
    bottom(figure) + AXIS
}

/// The lanes with where each begins.
fn lanes(figure: &Figure) -> impl Iterator<Item = (&Lane, f64)> {
    let mut y = top(figure);
    figure.lanes.iter().map(move |lane| {
        let at = y;
        y += lane_height(lane);
        (lane, at)
    })
}

fn unit(axis: Axis) -> &'static str {
    match axis.kind {
        AxisKind::Hours => texts::AXIS_HOURS,
        AxisKind::Cycles => texts::AXIS_CYCLES,
        AxisKind::Seconds => texts::AXIS_SECONDS,
    }
}

/// The lanes' names, each as high as its lane; their heights are in the style sheet.
fn names(figure: &Figure) -> Markup {
    html! {
        ul.names.flagged[!figure.flags.is_empty()] aria-hidden="true" {
            @for (lane, _) in lanes(figure) {
                @match &lane.kind {
                    LaneKind::Line { .. } => li.line title=(lane.label) { span { (lane.label) } small { (reading::now().unit(lane.unit).0) } },
                    LaneKind::Bars(_) => li.bars title=(lane.label) { span { (lane.label) } },
                    LaneKind::Marks(_) => li.marks title=(lane.label) { span { (lane.label) } },
                    LaneKind::Dots { .. } => li.dots { span { (lane.label) } small { (lane.unit) } },
                }
            }
            li.unit { (unit(figure.axis)) }
        }
    }
}

fn names_alone(figure: &Figure) -> Markup {
    html! {
        @for (lane, y) in lanes(figure) {
            text x="0" y=(y + lane_height(lane) / 2.0 + 4.0) { (lane.label) @if !lane.unit.is_empty() { ", " (reading::now().unit(lane.unit).0) } }
        }
        text.tick-text x=(NAMES - 8.0) y=(bottom(figure) + 19.0) text-anchor="end" { (unit(figure.axis)) }
    }
}

struct Scale(Axis);

impl Scale {
    /// The share of the width, 0 to 1.
    fn share(&self, value: f64) -> f64 {
        ((value - self.0.from) / (self.0.to - self.0.from).max(f64::MIN_POSITIVE)).clamp(0.0, 1.0)
    }

    fn x(&self, value: f64) -> String {
        percent(self.share(value))
    }

    fn shows(&self, value: f64) -> bool {
        value >= self.0.from && value <= self.0.to
    }
}

fn percent(share: f64) -> String {
    format!("{}%", (share * 1e5).round() / 1e3)
}

/// All of a figure's picture, for where nothing moves.
fn picture(figure: &Figure) -> Markup {
    html! { (moving(figure)) (frame(figure)) }
}

/// What moves along the axis: a layer of its own, which the browser moves and stretches without drawing it anew.
fn moving(figure: &Figure) -> Markup {
    let scale = Scale(figure.axis);
    let (top, bottom) = (top(figure), bottom(figure));
    html! {
        svg.plot width="100%" height=(bottom + AXIS) role="group" aria-label=(figure.title) {
            defs { (hatching(&figure.id)) }
            @for band in &figure.bands { (draw_band(band, &scale, top, bottom, &figure.id)) }
            (ticks(&scale, top, bottom))
            @for (lane, y) in lanes(figure) { (draw_lane(lane, &scale, y, lane_height(lane), &figure.id)) }
            @for (flag, x) in spread(&figure.flags, &scale) { (draw_flag(flag, &scale.x(flag.x), x, bottom)) }
        }
    }
}

/// What stays in its place meanwhile: the lines between the lanes, and the figures to read them by.
fn frame(figure: &Figure) -> Markup {
    html! {
        svg.frame width="100%" height=(height(figure)) aria-hidden="true" {
            @for (lane, y) in lanes(figure) {
                line.rule x1="0" x2="100%" y1=(y + lane_height(lane)) y2=(y + lane_height(lane)) {}
                @if let LaneKind::Line { low, high, .. } = lane.kind { (range(low, high, lane.unit, y, lane_height(lane))) }
            }
        }
    }
}

fn hatching(id: &str) -> Markup {
    html! {
        pattern id={ (id) "-hatch" } width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)" {
            rect.hatch-ground width="6" height="6" {}
            rect.hatch-line width="2" height="6" {}
        }
    }
}

fn draw_band(band: &Band, scale: &Scale, top: f64, bottom: f64, id: &str) -> Markup {
    let (from, to) = (scale.share(band.from), scale.share(band.to));
    let fill = band.gap.then(|| format!("url(#{id}-hatch)"));
    html! {
        @if to > from {
            rect.band.gap[band.gap] x=(percent(from)) y=(top) width=(percent(to - from)) height=(bottom - top) fill=[fill] {
                title { (band.title) }
            }
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

fn ticks(scale: &Scale, top: f64, bottom: f64) -> Markup {
    let Axis { from, to, kind } = scale.0;
    let (step, at) = match kind {
        AxisKind::Hours => (3.0, (0..=8).map(|n| f64::from(n) * 3.0).collect()),
        AxisKind::Cycles => round_steps(from, to, true),
        AxisKind::Seconds => round_steps(from, to, false),
    };
    let text = |v: f64| match kind {
        AxisKind::Hours => format!("{v:02.0}:00"),
        AxisKind::Cycles => format!("{v:.0}"),
        AxisKind::Seconds => fixed(
            v,
            match step {
                s if s < 0.1 => 2,
                s if s < 1.0 => 1,
                _ => 0,
            },
        ),
    };
    // At the edges there is no room for half a text.
    let anchor = |v: f64| match scale.share(v) {
        s if s < 0.06 => "start",
        s if s > 0.98 => "end",
        _ => "middle",
    };
    // Where they are many, a phone shows every second text.
    let many = at.len() > 6;
    html! {
        @for (n, v) in at.into_iter().enumerate() {
            line.tick x1=(scale.x(v)) x2=(scale.x(v)) y1=(top) y2=(bottom + 4.0) {}
            text.tick-text.between[many && n % 2 == 1] x=(scale.x(v)) y=(bottom + 19.0) text-anchor=(anchor(v)) { @if n == 0 && kind == AxisKind::Cycles { (texts::AXIS_CYCLES) " " } (text(v)) }
        }
    }
}

fn draw_lane(lane: &Lane, scale: &Scale, y: f64, h: f64, id: &str) -> Markup {
    let colour = format!("c{}", lane.colour);
    html! {
        @match &lane.kind {
            LaneKind::Line { pieces, beside, low, high } => {
                @let to_y = |v: f64| h - 4.0 - (v - low) / (high - low) * (h - 8.0);
                svg x="0" y=(y) width="100%" height=(h) viewBox={ "0 0 " (UNITS) " " (h) } preserveAspectRatio="none" overflow="visible" {
                    @for piece in beside { path.line.beside d=(path(piece, scale, &to_y)) vector-effect="non-scaling-stroke" {} }
                    @for piece in pieces { path.line.(colour) d=(path(piece, scale, &to_y)) vector-effect="non-scaling-stroke" {} }
                }
            }
            LaneKind::Bars(bars) => @for bar in bars { (draw_bar(bar, scale, y, h, &colour, id)) },
            LaneKind::Marks(dots) => {
                @for dot in dots { (placed(dot.shape, &scale.x(dot.x), y + h / 2.0, 6.0, &dot.title, dot.href.as_deref())) }
            }
            LaneKind::Dots { dots, low, high, limit, trend } => {
                (surface(dots, (*low, *high), *limit, *trend, lane, scale, (y, h)))
            }
        }
    }
}

/// Two figures to read a lane by, at its left edge.
fn range(low: f64, high: f64, unit: &str, y: f64, h: f64) -> Markup {
    // The lane is in the recorded unit, its figures in the reader's.
    let (_, factor, offset) = reading::now().unit(unit);
    let (read_low, read_high) = (low * factor + offset, high * factor + offset);
    let (step, at) = round_steps(read_low, read_high, false);
    let shown: Vec<f64> = match at.as_slice() {
        [] => Vec::new(),
        [only] => vec![*only],
        [first, .., last] => vec![*first, *last],
    };
    html! {
        @for v in shown {
            @let at = y + h - 4.0 - (v - read_low) / (read_high - read_low) * (h - 8.0);
            line.grid x1="0" x2="100%" y1=(r(at)) y2=(r(at)) {}
            text.tick-text.inside x="3" y=(r((at - 3.0).clamp(y + 11.0, y + h - 3.0))) { (fixed(v, usize::from(step < 1.0))) }
        }
    }
}

fn path(points: &[(f64, f64)], scale: &Scale, to_y: &dyn Fn(f64) -> f64) -> String {
    let mut d = String::new();
    for (n, (x, v)) in points.iter().filter(|(x, _)| scale.shows(*x)).enumerate() {
        // Writing into a string can't fail.
        let letter = if n == 0 { "M" } else { "L" };
        let _ = write!(d, "{letter}{} {}", r(scale.share(*x) * UNITS), r(to_y(*v)));
    }
    d
}

fn draw_bar(bar: &Bar, scale: &Scale, y: f64, h: f64, colour: &str, id: &str) -> Markup {
    let (from, to) = (scale.share(bar.from), scale.share(bar.to));
    // As wide as can be seen.
    let width = (to - from).max(0.0015);
    let fill = bar.doubtful.then(|| format!("url(#{id}-hatch)"));
    let beyond = |v: Option<f64>| v.filter(|v| scale.shows(*v)).map_or(0.0, |v| scale.share(v));
    let after = to.max(beyond(bar.expected)).max(beyond(bar.limit));
    // Behind its end where there is room, else before its beginning, else inside.
    let (text_x, dx, anchor) = match (after, from) {
        (after, _) if after < 0.78 => (after, 6, "start"),
        (_, from) if from > 0.22 => (from, -6, "end"),
        _ => (from, 6, "start"),
    };
    let body = html! {
        title { (bar.title) }
        rect.bar.(colour).doubtful[bar.doubtful] x=(percent(from)) y=(y + 4.0) width=(percent(width)) height=(h - 8.0) fill=[fill] {}
    };
    html! {
        @if bar.to >= scale.0.from && bar.from <= scale.0.to {
            @match &bar.href { Some(href) => a href=(href) aria-label=(bar.title) { (body) }, None => g { (body) } }
            @if let Some(e) = bar.expected.filter(|e| scale.shows(*e)) {
                line.expected x1=(scale.x(e)) x2=(scale.x(e)) y1=(y + 2.0) y2=(y + h - 2.0) { title { (texts::EXPECTED_END) } }
            }
            @if let Some(l) = bar.limit.filter(|l| scale.shows(*l)) {
                svg x=(scale.x(l)) y=(y) overflow="visible" { path.limit d={ "M-3 2h3V" (h - 2.0) "h-3" } { title { (texts::LIMIT_MARK) } } }
            }
            @if !bar.text.is_empty() { text.bar-text x=(percent(text_x)) dx=(dx) y=(y + 16.0) text-anchor=(anchor) { (bar.text) } }
        }
    }
}

fn surface(
    dots: &[Dot],
    (low, high): (f64, f64),
    limit: Option<f64>,
    trend: Option<[(f64, f64); 2]>,
    lane: &Lane,
    scale: &Scale,
    (y, h): (f64, f64),
) -> Markup {
    let to_y = |v: f64| y + h - 4.0 - (v - low) / (high - low) * (h - 8.0);
    let (step, at) = round_steps(low, high, false);
    html! {
        // What would stand on the frame or on the limit stands nowhere.
        @for v in at.iter().step_by(2).filter(|v| to_y(**v) > y + 16.0 && limit.is_none_or(|l| (to_y(l) - to_y(**v)).abs() > 14.0)) {
            line.grid x1="0" x2="100%" y1=(r(to_y(*v))) y2=(r(to_y(*v))) {}
            text.tick-text.inside x="3" y=(r(to_y(*v) - 3.0)) { (fixed(*v, if step < 0.1 { 2 } else { 1 })) " " (lane.unit) }
        }
        @if let Some(limit) = limit {
            line.limit-line x1="0" x2="100%" y1=(r(to_y(limit))) y2=(r(to_y(limit))) {}
            text.limit-text x="99%" y=(r(to_y(limit) - 7.0)) text-anchor="end" { (texts::limit_is(&fixed(limit, 2))) }
        }
        @if let Some([from, to]) = trend {
            line.trend-line x1=(scale.x(from.0)) y1=(r(to_y(from.1).clamp(y, y + h))) x2=(scale.x(to.0)) y2=(r(to_y(to.1).clamp(y, y + h))) {}
        }
        @for dot in dots.iter().filter(|d| d.shape == Shape::Raw) {
            (placed(dot.shape, &scale.x(dot.x), to_y(dot.y), 4.0, &dot.title, None))
        }
        @for dot in dots.iter().filter(|d| d.shape != Shape::Raw) {
            (placed(dot.shape, &scale.x(dot.x), to_y(dot.y), 5.0, &dot.title, dot.href.as_deref()))
        }
    }
}

/// A mark at a share of the width.
fn placed(shape: Shape, x: &str, y: f64, size: f64, title: &str, href: Option<&str>) -> Markup {
    html! { svg x=(x) y=(r(y)) overflow="visible" { (mark(shape, 0.0, 0.0, size, title, href)) } }
}

/// A mark that its shape alone tells from the others.
pub(crate) fn mark(shape: Shape, x: f64, y: f64, s: f64, title: &str, href: Option<&str>) -> Markup {
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

/// Where each flag's mark stands: above its place, or beside the mark before it where that is too near.
fn spread<'a>(flags: &'a [Flag], scale: &Scale) -> Vec<(&'a Flag, f64)> {
    let mut sorted: Vec<&Flag> = flags.iter().collect();
    sorted.sort_by(|a, b| a.x.total_cmp(&b.x));
    let apart = 0.045;
    // All of them must find room before the right edge.
    let mut free = 0.0f64;
    let mut places = Vec::with_capacity(sorted.len());
    for flag in &sorted {
        let x = scale.share(flag.x).max(free);
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

/// `at` is the flag's place on the axis, `x` the share at which its mark stands.
fn draw_flag(flag: &Flag, at: &str, x: f64, bottom: f64) -> Markup {
    let x = percent(x);
    html! {
        a.flag href=(flag.href) aria-label=(texts::flag(flag.number, &flag.title)) {
            title { (flag.title) }
            line.flag-line x1=(x) y1="19" x2=(at) y2="26" {}
            line.flag-line x1=(at) y1="26" x2=(at) y2=(bottom) {}
            svg x=(x) y="0" overflow="visible" {
                rect.touch x="-12" y="0" width="34" height="24" {}
                (mark(flag.shape, 0.0, 11.0, 6.0, &flag.title, None))
                text.flag-text x="9" y="15" { (flag.number) }
            }
        }
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

    fn figure(lanes: Vec<Lane>) -> Figure {
        Figure {
            id: "f".into(),
            title: "\"quoted\" <title>".into(),
            note: String::new(),
            axis: Axis { from: 0.0, to: 1.0, kind: AxisKind::Seconds },
            lanes,
            bands: Vec::new(),
            flags: Vec::new(),
            empty: None,
            shared: true,
        }
    }

    #[test]
    fn names_are_escaped() {
        let lane = Lane { label: "<b>&".into(), unit: "", colour: 0, kind: LaneKind::Bars(Vec::new()) };
        let figure = figure(vec![lane]);
        for drawn in [draw(&figure).into_string(), alone("t", &[figure], ".a{}")] {
            assert!(!drawn.contains("<b>") && !drawn.contains("<title>\""), "{drawn}");
            assert!(drawn.contains("&lt;b&gt;&amp;"));
        }
    }

    #[test]
    fn flags_at_the_right_edge_stay_within_the_picture() {
        let flag =
            |number| Flag { x: 1.0, number, shape: Shape::Note, title: String::new(), href: String::new() };
        let flags: Vec<Flag> = (1..=4).map(flag).collect();
        let scale = Scale(Axis { from: 0.0, to: 1.0, kind: AxisKind::Seconds });
        let places: Vec<f64> = spread(&flags, &scale).into_iter().map(|(_, x)| x).collect();
        assert!(
            places.iter().all(|x| *x <= 0.97) && places.windows(2).all(|p| p[1] - p[0] > 0.03),
            "{places:?}"
        );
    }
}
