//! A recording as the API and the charts want it: seconds from an origin, thinned to what a picture can show.

use foldwatch_physics::thin::with_extremes;
use foldwatch_profile::{Profile, Signal, SignalIx};
use foldwatch_report::rfc3339;
use foldwatch_segment::Recording;
use foldwatch_units::{Micros, Seconds};
use serde::Serialize;

/// What was recorded in a stretch of time.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Traces {
    /// All times below count from here. RFC 3339, UTC.
    pub origin: String,
    /// First moment asked for, in seconds from the origin.
    pub from_s: f64,
    /// Last moment asked for, in seconds from the origin.
    pub until_s: f64,
    /// The signals that are numbers.
    pub numbers: Vec<NumberTrace>,
    /// The signals that are on or off.
    pub states: Vec<StateTrace>,
    /// Stretches about which nothing is known, in seconds from the origin.
    pub gaps_s: Vec<(f64, f64)>,
    /// The sound cycle that each signal's `reference` is of; null where there is none, or none was asked for.
    pub reference: Option<ReferenceCycle>,
}

/// A sound earlier cycle of the same car and direction.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct ReferenceCycle {
    /// Its start, RFC 3339, UTC: where it is found.
    pub start: String,
    /// Oil temperature of its first step, if known.
    pub oil_temperature_c: Option<f64>,
}

/// The same signal in the reference cycle.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct ReferenceTrace {
    /// Seconds from the origin: each of its steps is stretched to begin and end where the same step does here.
    pub times_s: Vec<f64>,
    /// The values; null where a row says nothing.
    pub values: Vec<Option<f32>>,
}

/// A signal that is a number.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct NumberTrace {
    /// Its id in the profile.
    pub signal: String,
    /// Its name for people.
    pub label: String,
    /// `pressure`, `current`, `voltage`, `temperature` or `position`.
    pub kind: &'static str,
    /// The unit of the values.
    pub unit: &'static str,
    /// Rows that were recorded; more than there are values where it was thinned. No extreme is lost.
    pub recorded: usize,
    /// Seconds from the origin.
    pub times_s: Vec<f64>,
    /// The values; null where a row says nothing.
    pub values: Vec<Option<f32>>,
    /// The same signal in a sound earlier cycle, if there is one and it was asked for.
    pub reference: Option<ReferenceTrace>,
}

/// A signal that is on or off.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct StateTrace {
    /// Its id in the profile.
    pub signal: String,
    /// Its name for people.
    pub label: String,
    /// `switch`, `valve`, `pump` or `demand`.
    pub kind: &'static str,
    /// The spans in which it was on, in seconds from the origin.
    pub on_s: Vec<(f64, f64)>,
    /// It was recorded at all.
    pub known: bool,
}

/// The most points of one signal in an answer.
pub(crate) const MOST_POINTS: usize = 20_000;

impl Traces {
    /// Cuts `from..=until` out of a recording, each signal thinned to at most `points`.
    pub(crate) fn of(
        profile: &Profile,
        recording: &Recording,
        origin: Micros,
        (from, until): (Micros, Micros),
        points: usize,
    ) -> Traces {
        let secs = |at: Micros| tidy((at - origin).0);
        let rows = recording.rows(from, until);
        let numbers = recording
            .analog
            .iter()
            .filter_map(|trace| {
                let signal = profile.signals.get(trace.signal.at())?;
                let values = trace.values.get(rows.clone())?;
                let times = recording.times.get(rows.clone())?;
                if values.iter().all(|v| v.is_nan()) {
                    return None;
                }
                let kept = with_extremes(values, points.clamp(4, MOST_POINTS));
                Some(number(signal, values.len(), kept.iter().map(|n| (secs(times[*n]), values[*n]))))
            })
            .collect();
        let states = profile
            .signals()
            .filter(|(_, signal)| signal.kind.is_binary())
            .map(|(ix, signal)| StateTrace {
                signal: signal.id.clone(),
                label: signal.label.clone(),
                kind: signal.kind.as_str(),
                on_s: on_spans(recording, ix, from, until)
                    .into_iter()
                    .map(|(a, b)| (secs(a), secs(b)))
                    .collect(),
                known: recording.state(ix, until).is_some(),
            })
            .collect();
        let gaps_s = recording
            .gaps
            .iter()
            .filter(|gap| gap.to > from && gap.from < until)
            .map(|gap| (secs(gap.from.max(from)), secs(gap.to.min(until))))
            .collect();
        Traces {
            origin: rfc3339(origin),
            from_s: secs(from),
            until_s: secs(until),
            numbers,
            states,
            gaps_s,
            reference: None,
        }
    }
}

fn number(signal: &Signal, recorded: usize, kept: impl Iterator<Item = (f64, f32)>) -> NumberTrace {
    let (times_s, values) = kept.map(|(t, v)| (t, v.is_finite().then_some(v))).unzip();
    NumberTrace {
        signal: signal.id.clone(),
        label: signal.label.clone(),
        kind: signal.kind.as_str(),
        unit: signal.unit.symbol,
        recorded,
        times_s,
        values,
        reference: None,
    }
}

fn on_spans(recording: &Recording, ix: SignalIx, from: Micros, until: Micros) -> Vec<(Micros, Micros)> {
    let mut spans = Vec::new();
    let mut since = (recording.state(ix, from) == Some(true)).then_some(from);
    for edge in recording.edges.iter().filter(|e| e.signal == ix && e.at > from && e.at <= until) {
        match (edge.on, since) {
            (true, None) => since = Some(edge.at),
            (false, Some(start)) => {
                spans.push((start, edge.at));
                since = None;
            }
            _ => {}
        }
    }
    spans.extend(since.map(|start| (start, until)));
    spans
}

pub(crate) fn tidy(secs: f64) -> f64 {
    (secs * 1e6).round() / 1e6
}

/// How much before and after a cycle is shown with it.
pub(crate) const BEFORE: Seconds = Seconds(1.5);
pub(crate) const AFTER: Seconds = Seconds(6.0);
