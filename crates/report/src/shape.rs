//! The shapes of a verdict in JSON.

use foldwatch_pipeline::Verdict;
use foldwatch_profile::Profile;
use foldwatch_score::Observed;
use serde::{Deserialize, Serialize};

use crate::time::{Utc, rfc3339};

/// One movement of the roof.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct Cycle {
    /// First drive, RFC 3339, UTC.
    pub start: String,
    /// Last drive, RFC 3339, UTC.
    pub end: String,
    /// `opening` or `closing`.
    pub direction: String,
    /// `completed`, `refused`, `stopped-by-operator`, `given-up`, `reversed`, `power-lost`, `recording-gap` or
    /// `service-run`.
    pub outcome: String,
    /// It did not begin in the end position that the direction starts from.
    pub from_part_way: bool,
    /// For a refused demand: the permissions that were missing.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub refused_by: Vec<String>,
    /// The steps that were run, in order of time.
    pub phases: Vec<Phase>,
    /// What is wrong.
    pub findings: Vec<Finding>,
    /// What was measured over the whole cycle.
    pub measures: Vec<Measure>,
}

/// One step of a cycle.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct Phase {
    /// Its name in the profile.
    pub name: String,
    /// Whose sequence it belongs to; another than the cycle's after a reversal.
    pub direction: String,
    /// Its place in the sequence, from 0.
    pub index: usize,
    /// When it began, RFC 3339, UTC.
    pub start: String,
    /// When it ended, RFC 3339, UTC.
    pub end: String,
    /// From start to end, in seconds.
    pub duration_s: f64,
    /// Standard uncertainty of the duration, in seconds.
    pub u_duration_s: f64,
    /// `confirmed`, `late`, `inferred` or `missing`.
    pub confirmation: String,
    /// What it should have taken under these conditions, in seconds.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub expected_s: Option<f64>,
    /// Its limit under these conditions, in seconds.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub limit_s: Option<f64>,
    /// What it would have taken at reference conditions, in seconds.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub corrected_s: Option<f64>,
    /// Standard uncertainty of the corrected time, in seconds.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub u_corrected_s: Option<f64>,
    /// Oil temperature, in degrees Celsius.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub oil_temperature_c: Option<f64>,
    /// Supply voltage while the pump ran, in volts.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub supply_v: Option<f64>,
    /// What made it take longer or shorter than at reference conditions.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub contributions: Vec<Contribution>,
    /// What was measured.
    pub measures: Vec<Measure>,
}

/// A part of a step's time and what it comes from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct Contribution {
    /// `cold oil`, `low supply` and the like.
    pub from: String,
    /// Seconds; negative where it made the step faster.
    pub seconds: f64,
}

/// A number taken from a cycle.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct Measure {
    /// What it is.
    pub name: String,
    /// Its unit.
    pub unit: String,
    /// Its value; none where it is not observable.
    pub value: Option<f64>,
    /// Its standard uncertainty, in the same unit.
    pub u: Option<f64>,
    /// Why there is no value.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub not_observable: Option<String>,
}

/// One thing that is wrong.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct Finding {
    /// Its plain name.
    pub kind: String,
    /// `note`, `attend` or `stop-using`.
    pub weight: String,
    /// The step it belongs to.
    pub phase: Option<String>,
    /// The signal it belongs to, by its id.
    pub signal: Option<String>,
    /// When it began, RFC 3339, UTC.
    pub at: String,
    /// When it ended.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub until: Option<String>,
    /// How much.
    pub value: f64,
    /// The unit of value and limit.
    pub unit: String,
    /// Against which limit.
    pub limit: Option<f64>,
    /// How sure, from 0 to 1.
    pub sure: f64,
    /// The sentence for the technician.
    pub message: String,
}

/// A verdict in its JSON shape.
pub fn cycle(profile: &Profile, verdict: &Verdict, utc: Utc) -> Cycle {
    let Verdict { cycle, judged } = verdict;
    let when = |at| rfc3339(utc(at));
    let measures =
        |run: Option<usize>| judged.measures.iter().filter(|m| m.run == run).map(measure).collect::<Vec<_>>();
    let phases = cycle
        .phases
        .iter()
        .enumerate()
        .map(|(n, run)| {
            let timing = judged.timings.iter().find(|t| t.run == n);
            let late = judged.findings.iter().any(|f| {
                f.kind == "late-confirmation"
                    && f.phase == Some(run.phase)
                    && f.at >= run.start
                    && f.at <= run.end
            });
            Phase {
                name: run.phase.of(profile).name.clone(),
                direction: run.phase.direction.to_string(),
                index: run.phase.index,
                start: when(run.start),
                end: when(run.end),
                duration_s: tidy(run.duration().0),
                u_duration_s: tidy(run.u_duration.0),
                confirmation: if late { "late" } else { run.confirmation.as_str() }.to_owned(),
                expected_s: timing.map(|t| tidy(t.expected.0)),
                limit_s: timing.map(|t| tidy(t.limit.0)),
                corrected_s: timing.map(|t| tidy(t.corrected.0)),
                u_corrected_s: timing.map(|t| tidy(t.u_corrected.0)),
                oil_temperature_c: timing.and_then(|t| t.conditions.oil).map(|c| tidy(c.0)),
                supply_v: timing.and_then(|t| t.conditions.supply).map(|v| tidy(v.0)),
                contributions: timing
                    .map(|t| {
                        t.contributions
                            .iter()
                            .map(|(from, s)| Contribution { from: (*from).to_owned(), seconds: tidy(s.0) })
                            .collect()
                    })
                    .unwrap_or_default(),
                measures: measures(Some(n)),
            }
        })
        .collect();
    Cycle {
        start: when(cycle.start),
        end: when(cycle.end),
        direction: cycle.direction.to_string(),
        outcome: cycle.outcome.as_str().to_owned(),
        from_part_way: cycle.from_part_way,
        refused_by: cycle
            .refused_by
            .iter()
            .filter_map(|n| profile.permissions.get(*n))
            .map(|p| p.label.clone())
            .collect(),
        phases,
        findings: judged.findings.iter().map(|f| finding(profile, f, utc)).collect(),
        measures: measures(None),
    }
}

/// A finding in its JSON shape.
pub fn finding(profile: &Profile, finding: &foldwatch_score::Finding, utc: Utc) -> Finding {
    Finding {
        kind: finding.kind.to_owned(),
        weight: finding.weight.as_str().to_owned(),
        phase: finding.phase.map(|phase| phase.of(profile).name.clone()),
        signal: finding.signal.map(|ix| profile.signal(ix).id.clone()),
        at: rfc3339(utc(finding.at)),
        until: finding.until.map(|at| rfc3339(utc(at))),
        value: tidy(finding.value),
        unit: finding.unit.to_owned(),
        limit: finding.limit.map(tidy),
        sure: tidy(finding.sure),
        message: finding.message.clone(),
    }
}

fn measure(measure: &foldwatch_score::Measure) -> Measure {
    let (value, u, not_observable) = match &measure.value {
        Observed::Value(m) => (Some(tidy(m.value)), Some(tidy(m.u)), None),
        Observed::NotObservable(why) => (None, None, Some(why.clone())),
    };
    Measure { name: measure.id.to_owned(), unit: measure.unit.to_owned(), value, u, not_observable }
}

/// To a microsecond (or a millionth of whatever it is), so that no noise of the arithmetic is printed; what is not a
/// number can't be written in JSON and becomes 0.
fn tidy(value: f64) -> f64 {
    if value.is_finite() { (value * 1e6).round() / 1e6 } else { 0.0 }
}
