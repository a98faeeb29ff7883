//! A finding's trace as a picture for paper: numbers and states of one cycle on one time axis, in SVG.

use std::fmt::Write;

use foldwatch_physics::thin;
use foldwatch_pipeline::Verdict;
use foldwatch_profile::{Profile, SignalIx, SignalKind};
use foldwatch_score::Finding;
use foldwatch_units::Micros;

/// In points, as on paper.
const WIDTH: f64 = 480.0;
const LEFT: f64 = 116.0;
const RIGHT: f64 = 34.0;
const STEPS: f64 = 13.0;
const NUMBERS: f64 = 40.0;
const STATE: f64 = 10.0;
const AXIS: f64 = 22.0;
/// So many points of a line are drawn: more than paper shows.
const POINTS: usize = 700;
/// Shown before the first and after the last drive.
const LEAD_S: f64 = 1.0;
const TAIL_S: f64 = 4.0;
/// Colours that differ for the colour-blind too, and in grey (Okabe and Ito, 2008: blue, vermillion, green, black).
const COLOURS: [&str; 4] = ["#0072b2", "#d55e00", "#009e73", "#000000"];
const FOUND: &str = "#f0e442";

struct Scale {
    from: f64,
    to: f64,
}

impl Scale {
    fn x(&self, s: f64) -> f64 {
        LEFT + ((s - self.from) / (self.to - self.from).max(1e-9)).clamp(0.0, 1.0) * (WIDTH - LEFT - RIGHT)
    }
}

/// The picture.
pub(super) fn draw(profile: &Profile, verdict: &Verdict, finding: &Finding) -> String {
    let cycle = &verdict.cycle;
    let s = |at: Micros| (at - cycle.start).0;
    let scale = Scale { from: -LEAD_S, to: s(cycle.end).max(1.0) + TAIL_S };
    let numbers: Vec<SignalIx> =
        [SignalKind::Pressure, SignalKind::Current, SignalKind::Voltage, SignalKind::Position]
            .iter()
            .flat_map(|kind| profile.of_kind(*kind))
            .map(|(ix, _)| ix)
            .filter(|ix| {
                cycle.recording.trace(*ix).is_some_and(|values| values.iter().any(|v| v.is_finite()))
            })
            .filter(|ix| profile.signal(*ix).kind != SignalKind::Position || finding.signal == Some(*ix))
            .collect();
    let states = states(profile, verdict, finding);
    let mut svg = String::new();
    let bottom = STEPS + NUMBERS * numbers.len() as f64 + STATE * states.len() as f64;
    // Writing into a string can't fail.
    let _ = write!(
        svg,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{WIDTH}\" height=\"{h}\" viewBox=\"0 0 {WIDTH} {h}\" \
         font-family=\"Libertinus Serif\" font-size=\"8\">",
        h = bottom + AXIS
    );
    found(&mut svg, &scale, (s(finding.at), finding.until.map(s)), bottom);
    steps(&mut svg, &scale, verdict, bottom);
    axis(&mut svg, &scale, bottom);
    let mut y = STEPS;
    for (n, ix) in numbers.iter().enumerate() {
        let signal = profile.signal(*ix);
        let colour = COLOURS[n.min(COLOURS.len() - 1)];
        name(&mut svg, &signal.label, y + NUMBERS / 2.0);
        let values = cycle.recording.trace(*ix).unwrap_or_default();
        let limit =
            finding.limit.filter(|_| finding.signal == Some(*ix) && finding.unit == signal.unit.symbol);
        line(
            &mut svg,
            &scale,
            (&cycle.recording.times, values, cycle.start),
            (y, colour, signal.unit.symbol),
            limit,
        );
        y += NUMBERS;
        rule(&mut svg, y);
    }
    for ix in states {
        name(&mut svg, &profile.signal(ix).label, y + STATE / 2.0);
        bars(&mut svg, &scale, verdict, ix, y);
        y += STATE;
        rule(&mut svg, y);
    }
    svg.push_str("</svg>");
    svg
}

/// Pump, valves, demands, and the switches that have to do with the finding's step.
fn states(profile: &Profile, verdict: &Verdict, finding: &Finding) -> Vec<SignalIx> {
    let moved = |ix: SignalIx| verdict.cycle.recording.edges.iter().any(|edge| edge.signal == ix);
    profile
        .signals()
        .filter(|(ix, signal)| {
            let own = finding.signal == Some(*ix);
            match signal.kind {
                SignalKind::Pump | SignalKind::Valve | SignalKind::Demand => moved(*ix) || own,
                SignalKind::Switch => {
                    own || finding.phase.is_some_and(|phase| {
                        phase.of(profile).confirm.wanted().iter().any(|(wanted, _)| wanted == ix)
                    })
                }
                _ => false,
            }
        })
        .map(|(ix, _)| ix)
        .take(10)
        .collect()
}

fn found(svg: &mut String, scale: &Scale, (at, until): (f64, Option<f64>), bottom: f64) {
    let x = scale.x(at);
    let width = until.map_or(0.0, |until| scale.x(until) - x);
    if width > 1.0 {
        let _ = write!(
            svg,
            "<rect x=\"{x:.1}\" y=\"{STEPS}\" width=\"{width:.1}\" height=\"{:.1}\" fill=\"{FOUND}\" fill-opacity=\"0.45\"/>",
            bottom - STEPS
        );
    }
    let _ = write!(
        svg,
        "<path d=\"M{x:.1} {STEPS}V{bottom:.1}\" stroke=\"#000\" stroke-width=\"0.9\" stroke-dasharray=\"2 1.4\"/>"
    );
}

/// A row of the steps' numbers, and a fine line where each begins.
fn steps(svg: &mut String, scale: &Scale, verdict: &Verdict, bottom: f64) {
    let s = |at: Micros| (at - verdict.cycle.start).0;
    for (n, run) in verdict.cycle.phases.iter().enumerate() {
        let (x, to) = (scale.x(s(run.start)), scale.x(s(run.end)));
        let fill = if n % 2 == 0 { "#e6e6e6" } else { "#cfcfcf" };
        let _ = write!(
            svg,
            "<rect x=\"{x:.1}\" y=\"0\" width=\"{:.1}\" height=\"{}\" fill=\"{fill}\"/><text x=\"{:.1}\" y=\"8.6\" \
             text-anchor=\"middle\">{}</text><path d=\"M{x:.1} 0V{bottom:.1}\" stroke=\"#999\" stroke-width=\"0.3\"/>",
            (to - x).max(0.5),
            STEPS - 2.0,
            (x + to) / 2.0,
            n + 1
        );
    }
    name(svg, "step", STEPS / 2.0 - 1.0);
}

fn axis(svg: &mut String, scale: &Scale, bottom: f64) {
    let span = scale.to - scale.from;
    let step = [1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0]
        .into_iter()
        .find(|s| span / s <= 10.0)
        .unwrap_or(500.0);
    let mut at = 0.0;
    while at <= scale.to {
        let x = scale.x(at);
        let _ = write!(
            svg,
            "<path d=\"M{x:.1} {bottom:.1}v3\" stroke=\"#000\" stroke-width=\"0.5\"/><text x=\"{x:.1}\" y=\"{:.1}\" \
             text-anchor=\"middle\">{at}</text>",
            bottom + 11.0
        );
        at += step;
    }
    let _ = write!(
        svg,
        "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">seconds from the first drive</text>",
        WIDTH - RIGHT,
        bottom + 20.0
    );
}

fn rule(svg: &mut String, y: f64) {
    let _ = write!(svg, "<path d=\"M0 {y:.1}H{:.1}\" stroke=\"#bbb\" stroke-width=\"0.3\"/>", WIDTH - RIGHT);
}

fn name(svg: &mut String, label: &str, y: f64) {
    let short: String = match label.chars().count() {
        0..=28 => label.to_owned(),
        _ => label.chars().take(27).chain(['…']).collect(),
    };
    let safe = short.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;");
    let _ = write!(svg, "<text x=\"0\" y=\"{:.1}\">{safe}</text>", y + 2.6);
}

/// A number's line with the ends of its range; cut where nothing was recorded.
fn line(
    svg: &mut String,
    scale: &Scale,
    (times, values, start): (&[Micros], &[f32], Micros),
    (y, colour, unit): (f64, &str, &str),
    limit: Option<f64>,
) {
    let shown: Vec<usize> = (0..times.len().min(values.len()))
        .filter(|n| {
            let s = (times[*n] - start).0;
            s >= scale.from && s <= scale.to
        })
        .collect();
    let (Some(first), Some(last)) = (shown.first(), shown.last()) else { return };
    let (times, values) = (&times[*first..=*last], &values[*first..=*last]);
    let finite = || values.iter().filter(|v| v.is_finite()).map(|v| f64::from(*v)).chain(limit);
    let (low, high) = finite().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
    if low > high {
        return;
    }
    let low = if low > 0.0 && low < 0.4 * high { 0.0 } else { low };
    let high = high.max(low + 1.0);
    let to_y = |v: f64| y + NUMBERS - 4.0 - (v - low) / (high - low) * (NUMBERS - 9.0);
    let mut path = String::new();
    let mut pen = 'M';
    for n in thin::with_extremes(values, POINTS) {
        if values[n].is_finite() {
            let _ =
                write!(path, "{pen}{:.1} {:.1}", scale.x((times[n] - start).0), to_y(f64::from(values[n])));
            pen = 'L';
        } else {
            pen = 'M';
        }
    }
    let _ = write!(
        svg,
        "<path d=\"{path}\" fill=\"none\" stroke=\"{colour}\" stroke-width=\"0.8\" stroke-linejoin=\"round\"/>"
    );
    for v in [low, high] {
        let _ = write!(
            svg,
            "<text x=\"{:.1}\" y=\"{:.1}\" fill=\"{colour}\">{:.0} {unit}</text>",
            WIDTH - RIGHT + 3.0,
            to_y(v) + 2.6,
            // No minus before a zero.
            v.round() + 0.0
        );
    }
    if let Some(limit) = limit {
        let _ = write!(
            svg,
            "<path d=\"M{LEFT} {0:.1}H{1:.1}\" stroke=\"#000\" stroke-width=\"0.6\" stroke-dasharray=\"4 2\"/>",
            to_y(limit),
            WIDTH - RIGHT
        );
    }
}

/// Bars while a state is on.
fn bars(svg: &mut String, scale: &Scale, verdict: &Verdict, ix: SignalIx, y: f64) {
    let recording = &verdict.cycle.recording;
    let s = |at: Micros| (at - verdict.cycle.start).0;
    let mut since = recording.initial.get(ix.at()).copied().flatten().filter(|on| *on).map(|_| scale.from);
    let mut bar = |from: f64, to: f64| {
        let _ = write!(
            svg,
            "<rect x=\"{:.1}\" y=\"{:.1}\" width=\"{:.1}\" height=\"{}\" fill=\"#444\"/>",
            scale.x(from),
            y + 3.0,
            (scale.x(to) - scale.x(from)).max(0.6),
            STATE - 5.5
        );
    };
    for edge in recording.edges.iter().filter(|edge| edge.signal == ix) {
        match (since, edge.on) {
            (None, true) => since = Some(s(edge.at)),
            (Some(from), false) => {
                if s(edge.at) > scale.from && from < scale.to {
                    bar(from, s(edge.at));
                }
                since = None;
            }
            _ => {}
        }
    }
    if let Some(from) = since.filter(|from| *from < scale.to) {
        bar(from, scale.to);
    }
}
