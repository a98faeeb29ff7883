//! A finding's trace as a picture for paper: numbers and states of one cycle on one time axis.

use foldwatch_chart::{
    Axis, AxisKind, Band, BandKind, Bar, Figure, Flag, Lane, LaneKind, Shape, Words, extent, pieces,
};
use foldwatch_physics::thin;
use foldwatch_pipeline::Verdict;
use foldwatch_profile::{Profile, SignalIx, SignalKind};
use foldwatch_report::no_signed_zero;
use foldwatch_score::Finding;
use foldwatch_segment::Recording;
use foldwatch_units::Micros;

/// So many points of a line are drawn: more than paper shows.
const POINTS: usize = 700;
/// Shown before the first and after the last drive.
const LEAD_S: f64 = 1.0;
const TAIL_S: f64 = 4.0;
/// Rows of states, or the picture outgrows its page.
const STATES: usize = 10;
/// The palette's colour of a state's bars.
const STATE: usize = 5;

/// The picture.
pub(super) fn draw(profile: &Profile, verdict: &Verdict, finding: &Finding) -> String {
    let cycle = &verdict.cycle;
    let s = |at: Micros| (at - cycle.start).0;
    let axis = Axis { from: -LEAD_S, to: s(cycle.end).max(1.0) + TAIL_S, kind: AxisKind::Seconds };
    let mut lanes = vec![steps(verdict)];
    lanes.extend(numbers(profile, verdict, finding).iter().enumerate().filter_map(|(n, ix)| {
        let signal = profile.signal(*ix);
        let limit =
            finding.limit.filter(|_| finding.signal == Some(*ix) && finding.unit == signal.unit.symbol);
        let kind = line((&cycle.recording, cycle.start), *ix, axis, limit)?;
        Some(Lane { label: signal.label.clone(), unit: signal.unit.symbol, colour: n.min(4), kind })
    }));
    lanes.extend(states(profile, verdict, finding).into_iter().map(|ix| Lane {
        label: profile.signal(ix).label.clone(),
        unit: "",
        colour: STATE,
        kind: LaneKind::Bars(bars(verdict, ix, axis)),
    }));
    let (at, until) = (s(finding.at), finding.until.map(s));
    let mut bands: Vec<Band> = (cycle.phases.iter().step_by(2))
        .map(|run| band(s(run.start), s(run.end), BandKind::Step))
        .chain(cycle.recording.gaps.iter().map(|gap| band(s(gap.from), s(gap.to), BandKind::Gap)))
        .collect();
    bands.extend(until.filter(|until| *until > at).map(|until| band(at, until, BandKind::Found)));
    let flag = Flag {
        x: at,
        number: None,
        shape: Shape::of_weight(Some(finding.weight.as_str())),
        title: String::new(),
        href: String::new(),
    };
    let figure = Figure {
        id: "finding".into(),
        title: String::new(),
        note: String::new(),
        axis,
        lanes,
        bands,
        flags: vec![flag],
        empty: None,
        shared: false,
    };
    foldwatch_chart::on_paper(&figure, &Paper)
}

/// Whoever reads the paper: as recorded, with a decimal point.
struct Paper;

impl Words for Paper {
    fn number(&self, value: f64, decimals: usize) -> String {
        no_signed_zero(format!("{value:.decimals$}"))
    }

    fn unit(&self, recorded: &str) -> (String, f64, f64) {
        (recorded.to_owned(), 1.0, 0.0)
    }

    fn axis(&self, _: AxisKind) -> &'static str {
        "seconds from the first drive"
    }

    fn limit_is(&self, value: &str) -> String {
        format!("limit {value}")
    }

    fn flag(&self, _: Option<usize>, title: &str) -> String {
        title.to_owned()
    }

    fn expected_end(&self) -> &'static str {
        "expected end"
    }

    fn limit_mark(&self) -> &'static str {
        "limit"
    }
}

fn band(from: f64, to: f64, kind: BandKind) -> Band {
    Band { from, to, kind, title: String::new() }
}

/// A row of the steps' numbers.
fn steps(verdict: &Verdict) -> Lane {
    let s = |at: Micros| (at - verdict.cycle.start).0;
    let number = |(n, run): (usize, &foldwatch_segment::PhaseRun)| Bar {
        from: s(run.start),
        to: s(run.end),
        text: (n + 1).to_string(),
        within: true,
        ..Bar::default()
    };
    let bars = verdict.cycle.phases.iter().enumerate().map(number).collect();
    Lane { label: "step".into(), unit: "", colour: STATE + 1, kind: LaneKind::Bars(bars) }
}

/// What has numbers, pressure first; of positions only the one that the finding is of.
fn numbers(profile: &Profile, verdict: &Verdict, finding: &Finding) -> Vec<SignalIx> {
    [SignalKind::Pressure, SignalKind::Current, SignalKind::Voltage, SignalKind::Position]
        .iter()
        .flat_map(|kind| profile.of_kind(*kind))
        .map(|(ix, _)| ix)
        .filter(|ix| {
            let trace = verdict.cycle.recording.trace(*ix);
            trace.is_some_and(|values| values.iter().any(|v| v.is_finite()))
        })
        .filter(|ix| profile.signal(*ix).kind != SignalKind::Position || finding.signal == Some(*ix))
        .collect()
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
        .take(STATES)
        .collect()
}

/// A number's line, cut where nothing was recorded; `None` where the axis shows none of it.
fn line(
    (recording, start): (&Recording, Micros),
    ix: SignalIx,
    axis: Axis,
    limit: Option<f64>,
) -> Option<LaneKind> {
    let s = |at: Micros| (at - start).0;
    let values = recording.trace(ix)?;
    let rows = recording.times.len().min(values.len());
    let first = recording.times[..rows].partition_point(|at| s(*at) < axis.from);
    let last = recording.times[..rows].partition_point(|at| s(*at) <= axis.to);
    let (times, values) = (recording.times.get(first..last)?, values.get(first..last)?);
    let finite = values.iter().filter(|v| v.is_finite()).map(|v| f64::from(*v));
    let (low, high) = extent(finite.chain(limit))?;
    let high = high.max(low + 1.0);
    let drawn = thin::with_extremes(values, POINTS).into_iter();
    let points = drawn.map(|n| (s(times[n]), values[n].is_finite().then_some(f64::from(values[n]))));
    let gaps: Vec<(f64, f64)> = recording.gaps.iter().map(|gap| (s(gap.from), s(gap.to))).collect();
    let pieces = pieces(points, &gaps);
    Some(LaneKind::Line { pieces, beside: Vec::new(), low, high, limit })
}

/// Bars while a state is on.
fn bars(verdict: &Verdict, ix: SignalIx, axis: Axis) -> Vec<Bar> {
    let recording = &verdict.cycle.recording;
    let s = |at: Micros| (at - verdict.cycle.start).0;
    let mut since = recording.initial.get(ix.at()).copied().flatten().filter(|on| *on).map(|_| axis.from);
    let mut out = Vec::new();
    let mut bar = |from: f64, to: f64| {
        if to > axis.from && from < axis.to {
            out.push(Bar { from: from.max(axis.from), to: to.min(axis.to), ..Bar::default() });
        }
    };
    for edge in recording.edges.iter().filter(|edge| edge.signal == ix) {
        match (since, edge.on) {
            (None, true) => since = Some(s(edge.at)),
            (Some(from), false) => {
                bar(from, s(edge.at));
                since = None;
            }
            _ => {}
        }
    }
    if let Some(from) = since {
        bar(from, axis.to);
    }
    out
}

#[cfg(test)]
mod tests {
    use foldwatch_segment::{Gap, Trace};
    use foldwatch_units::Seconds;

    use super::*;

    #[test]
    fn a_line_is_not_drawn_where_nothing_was_recorded() {
        let at = |s: f64| Micros(0) + Seconds(s);
        // Ten rows a second: none from 20 s to 30 s, and no number from 50 s to 60 s.
        let seconds: Vec<f64> =
            (0..900).map(|n| f64::from(n) / 10.0).filter(|s| !(20.0..30.0).contains(s)).collect();
        let number = |s: &f64| if (50.0..60.0).contains(s) { f32::NAN } else { 7.0 };
        let signal = SignalIx(0);
        let recording = Recording {
            times: seconds.iter().map(|s| at(*s)).collect(),
            analog: vec![Trace { signal, values: seconds.iter().map(number).collect() }],
            gaps: vec![Gap { from: at(19.9), to: at(30.0), cause: None }],
            ..Recording::default()
        };
        let axis = Axis { from: 0.0, to: 90.0, kind: AxisKind::Seconds };
        let Some(LaneKind::Line { pieces, .. }) = line((&recording, Micros(0)), signal, axis, None) else {
            panic!("no line")
        };
        let ends: Vec<(f64, f64)> = pieces.iter().map(|p| (p[0].0, p[p.len() - 1].0)).collect();
        let expected = [(0.0, 19.9), (30.0, 49.9), (60.0, 89.9)];
        assert_eq!(ends.len(), expected.len(), "{ends:?}");
        for (end, expected) in ends.iter().zip(expected) {
            // Thinned, it may end a few rows earlier, and never later.
            let early = (end.0 - expected.0, expected.1 - end.1);
            assert!((-1e-6..0.5).contains(&early.0) && (-1e-6..0.5).contains(&early.1), "{ends:?}");
        }
    }
}
