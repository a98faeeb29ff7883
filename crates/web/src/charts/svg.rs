//! Draws any [`Figure`] as SVG. Looks come from the style sheet by class; nothing here knows what is drawn.

use std::fmt::Write;

use maud::{Markup, html};

use super::{Axis, AxisKind, Band, Bar, Dot, Figure, Flag, Lane, LaneKind, Shape};

/// Width of the whole picture and of the names at its left, in the picture's own units.
const WIDTH: f64 = 1000.0;
const NAMES: f64 = 168.0;
const RIGHT: f64 = 12.0;
const AXIS: f64 = 30.0;
const FLAGS: f64 = 26.0;

/// A figure with its title, or its empty state.
pub(crate) fn draw(figure: &Figure) -> Markup {
    html! {
        figure.chart id=(figure.id) data-shared=[figure.shared.then_some("yes")] data-from=(figure.axis.from) data-to=(figure.axis.to) {
            figcaption { h3 { (figure.title) } @if !figure.note.is_empty() { p { (figure.note) } } }
            @if let Some(empty) = &figure.empty { p.empty { (empty) } }
            @else { div.scroll tabindex="0" role="group" aria-label=(figure.title) { (picture(figure)) } }
        }
    }
}

fn height(lane: &Lane) -> f64 {
    match lane.kind {
        LaneKind::Line { .. } => 92.0,
        LaneKind::Bars(_) => 23.0,
        LaneKind::Marks(_) => 30.0,
        LaneKind::Dots { .. } => 300.0,
    }
}

struct Scale(Axis);

impl Scale {
    fn x(&self, value: f64) -> f64 {
        let share = (value - self.0.from) / (self.0.to - self.0.from).max(f64::MIN_POSITIVE);
        NAMES + share.clamp(0.0, 1.0) * (WIDTH - NAMES - RIGHT)
    }

    fn shows(&self, value: f64) -> bool {
        value >= self.0.from && value <= self.0.to
    }
}

fn picture(figure: &Figure) -> Markup {
    let scale = Scale(figure.axis);
    let top = if figure.flags.is_empty() { 4.0 } else { FLAGS };
    let mut places = Vec::new();
    let mut y = top;
    for lane in &figure.lanes {
        places.push((lane, y, height(lane)));
        y += height(lane);
    }
    let bottom = y;
    let view = format!("0 0 {WIDTH} {}", bottom + AXIS);
    html! {
        svg viewBox=(view) width=(WIDTH) height=(bottom + AXIS) role="img" aria-label=(figure.title) data-left=(NAMES) data-right=(WIDTH - RIGHT) {
            defs { (hatching(&figure.id)) }
            @for band in &figure.bands { (draw_band(band, &scale, top, bottom, &figure.id)) }
            (ticks(&scale, top, bottom))
            @for (lane, y, h) in &places { (draw_lane(lane, &scale, *y, *h, &figure.id)) }
            @for (flag, x) in spread(&figure.flags, &scale) { (draw_flag(flag, scale.x(flag.x), x, bottom)) }
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
    let (x, to) = (scale.x(band.from), scale.x(band.to));
    let fill = band.gap.then(|| format!("url(#{id}-hatch)"));
    html! {
        @if to > x {
            rect.band.gap[band.gap] x=(r(x)) y=(top) width=(r(to - x)) height=(bottom - top) fill=[fill] {
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
        AxisKind::Seconds if step < 0.1 => format!("{v:.2}"),
        AxisKind::Seconds if step < 1.0 => format!("{v:.1}"),
        AxisKind::Seconds => format!("{v:.0}"),
    };
    let unit = match kind {
        AxisKind::Hours => "UTC",
        AxisKind::Cycles => "cycle",
        AxisKind::Seconds => "s from start",
    };
    html! {
        @for v in at {
            line.tick x1=(r(scale.x(v))) x2=(r(scale.x(v))) y1=(top) y2=(bottom + 4.0) {}
            @if scale.x(v) < WIDTH - 14.0 || kind == AxisKind::Cycles {
                text.tick-text x=(r(scale.x(v))) y=(bottom + 21.0) text-anchor="middle" { (text(v)) }
            }
        }
        text.tick-text x=(NAMES - 26.0) y=(bottom + 21.0) text-anchor="end" { (unit) }
    }
}

fn draw_lane(lane: &Lane, scale: &Scale, y: f64, h: f64, id: &str) -> Markup {
    let colour = format!("c{}", lane.colour);
    html! {
        line.rule x1="0" x2=(WIDTH) y1=(y + h) y2=(y + h) {}
        @match &lane.kind {
            LaneKind::Line { pieces, low, high } => {
                (name(lane, y + h / 2.0 + 4.0))
                (range(*low, *high, lane.unit, y, h))
                @let to_y = |v: f64| y + h - 4.0 - (v - low) / (high - low) * (h - 8.0);
                @for piece in pieces { path.line.(colour) d=(path(piece, scale, &to_y)) {} }
            }
            LaneKind::Bars(bars) => {
                (name(lane, y + 15.5))
                @for bar in bars { (draw_bar(bar, scale, y, h, &colour, id)) }
            }
            LaneKind::Marks(dots) => {
                (name(lane, y + 19.5))
                @for dot in dots { (mark(dot.shape, scale.x(dot.x), y + h / 2.0, 6.0, &dot.title, dot.href.as_deref())) }
            }
            LaneKind::Dots { dots, low, high, limit, trend } => {
                (surface(dots, (*low, *high), *limit, *trend, lane, scale, (y, h)))
            }
        }
    }
}

fn name(lane: &Lane, y: f64) -> Markup {
    // A long name is cut with its whole text in the tip; the picture can't wrap it.
    let short = if lane.label.chars().count() > 25 {
        format!("{}…", lane.label.chars().take(24).collect::<String>().trim_end())
    } else {
        lane.label.clone()
    };
    html! { text.lane-name x="2" y=(y) { title { (lane.label) } (short) } }
}

fn range(low: f64, high: f64, unit: &str, y: f64, h: f64) -> Markup {
    let (_, at) = round_steps(low, high, false);
    // Two figures are enough to read a lane by.
    let shown: Vec<f64> = match at.as_slice() {
        [] => Vec::new(),
        [only] => vec![*only],
        [first, .., last] => vec![*first, *last],
    };
    html! {
        @for v in shown {
            @let at = y + h - 4.0 - (v - low) / (high - low) * (h - 8.0);
            line.grid x1=(NAMES) x2=(WIDTH - RIGHT) y1=(r(at)) y2=(r(at)) {}
            text.tick-text x=(NAMES - 6.0) y=(r((at + 4.0).clamp(y + 11.0, y + h - 2.0))) text-anchor="end" { (trim(v)) " " (unit) }
        }
    }
}

fn trim(v: f64) -> String {
    let text = format!("{v:.1}");
    text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
}

fn path(points: &[(f64, f64)], scale: &Scale, to_y: &dyn Fn(f64) -> f64) -> String {
    let mut d = String::new();
    for (n, (x, v)) in points.iter().filter(|(x, _)| scale.shows(*x)).enumerate() {
        // Writing into a string can't fail.
        let _ = write!(d, "{}{} {}", if n == 0 { "M" } else { "L" }, r(scale.x(*x)), r(to_y(*v)));
    }
    d
}

fn draw_bar(bar: &Bar, scale: &Scale, y: f64, h: f64, colour: &str, id: &str) -> Markup {
    let (x, to) = (scale.x(bar.from), scale.x(bar.to));
    let width = (to - x).max(1.5);
    let fill = bar.doubtful.then(|| format!("url(#{id}-hatch)"));
    let after = to
        .max(bar.expected.map_or(0.0, |e| scale.x(e)))
        .max(bar.limit.filter(|l| scale.shows(*l)).map_or(0.0, |l| scale.x(l)))
        + 6.0;
    let (text_x, anchor) = if after > WIDTH - 120.0 { (x - 6.0, "end") } else { (after, "start") };
    let body = html! {
        title { (bar.title) }
        rect.bar.(colour).doubtful[bar.doubtful] x=(r(x)) y=(y + 4.0) width=(r(width)) height=(h - 8.0) fill=[fill] {}
    };
    html! {
        @if bar.to >= scale.0.from && bar.from <= scale.0.to {
            @match &bar.href { Some(href) => a href=(href) { (body) }, None => g { (body) } }
            @if let Some(e) = bar.expected.filter(|e| scale.shows(*e)) {
                path.expected d={ "M" (r(scale.x(e))) " " (y + 2.0) "V" (y + h - 2.0) } { title { "expected end" } }
            }
            @if let Some(l) = bar.limit.filter(|l| scale.shows(*l)) {
                path.limit d={ "M" (r(scale.x(l) - 3.0)) " " (y + 2.0) "h3V" (y + h - 2.0) "h-3" } { title { "limit" } }
            }
            @if !bar.text.is_empty() { text.bar-text x=(r(text_x)) y=(y + 15.5) text-anchor=(anchor) { (bar.text) } }
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
    let (_, at) = round_steps(low, high, false);
    html! {
        @for v in at.iter().step_by(2) {
            line.grid x1=(NAMES) x2=(WIDTH - RIGHT) y1=(r(to_y(*v))) y2=(r(to_y(*v))) {}
            text.tick-text x=(NAMES - 6.0) y=(r(to_y(*v) + 4.0)) text-anchor="end" { (format!("{v:.2} {}", lane.unit)) }
        }
        @if let Some(limit) = limit {
            line.limit-line x1=(NAMES) x2=(WIDTH - RIGHT) y1=(r(to_y(limit))) y2=(r(to_y(limit))) {}
            text.limit-text x=(NAMES + 4.0) y=(r(to_y(limit) - 7.0)) { (format!("limit {limit:.2}")) }
        }
        @if let Some(ends) = trend { path.trend-line d=(path(&ends, scale, &|v| to_y(v).clamp(y, y + h))) {} }
        @for dot in dots.iter().filter(|d| d.shape == Shape::Raw) {
            (mark(dot.shape, scale.x(dot.x), to_y(dot.y), 5.0, &dot.title, None))
        }
        @for dot in dots.iter().filter(|d| d.shape != Shape::Raw) {
            (mark(dot.shape, scale.x(dot.x), to_y(dot.y), 7.0, &dot.title, dot.href.as_deref()))
        }
    }
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
        Some(href) => html! { a href=(href) aria-label=(title) { (body) } },
        None => body,
    }
}

/// Where each flag's mark stands: above its place, or beside the mark before it where that is too near.
fn spread<'a>(flags: &'a [Flag], scale: &Scale) -> Vec<(&'a Flag, f64)> {
    let mut sorted: Vec<&Flag> = flags.iter().collect();
    sorted.sort_by(|a, b| a.x.total_cmp(&b.x));
    let mut free = 0.0f64;
    let mut placed = Vec::with_capacity(sorted.len());
    for flag in sorted {
        let x = scale.x(flag.x).max(free);
        free = x + 28.0;
        placed.push((flag, x));
    }
    placed
}

/// `at` is the flag's place on the axis, `x` that of its mark.
fn draw_flag(flag: &Flag, at: f64, x: f64, bottom: f64) -> Markup {
    html! {
        a.flag href=(flag.href) aria-label={ "finding " (flag.number) ": " (flag.title) } {
            title { (flag.title) }
            path.flag-line d={ "M" (r(x)) " 19L" (r(at)) " 26V" (bottom) } {}
            (mark(flag.shape, x, 11.0, 6.0, &flag.title, None))
            text.flag-text x=(r(x + 9.0)) y="15" { (flag.number) }
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

    #[test]
    fn names_are_escaped() {
        let lane = Lane { label: "<b>&".into(), unit: "", colour: 0, kind: LaneKind::Bars(Vec::new()) };
        let figure = Figure {
            id: "f".into(),
            title: "\"quoted\" <title>".into(),
            note: String::new(),
            axis: Axis { from: 0.0, to: 1.0, kind: AxisKind::Seconds },
            lanes: vec![lane],
            bands: Vec::new(),
            flags: Vec::new(),
            empty: None,
            shared: true,
        };
        let drawn = draw(&figure).into_string();
        assert!(!drawn.contains("<b>") && !drawn.contains("<title>\""), "{drawn}");
        assert!(drawn.contains("&lt;b&gt;&amp;"));
    }
}
