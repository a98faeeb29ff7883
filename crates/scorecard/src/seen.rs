//! What came of one run: each true cycle beside its verdict, reduced to what is counted.

use foldwatch_pipeline::Verdict;
use foldwatch_rig::{CycleTruth, FaultKind, SolverError, TrueOutcome};

use crate::design::Run;
use crate::play::{Played, play};
use crate::right::right_for;

/// A verdict belongs to a true cycle when it begins this near to it, in seconds.
const SAME: f64 = 3.0;

/// What came of one run.
#[derive(Debug, Clone, PartialEq)]
pub struct Seen {
    /// What was wrong, and how much.
    pub fault: Option<(FaultKind, f64)>,
    /// Rows a second.
    pub rate_hz: f64,
    /// Each true cycle.
    pub cycles: Vec<CycleSeen>,
    /// Verdicts on cycles that never were.
    pub invented: u64,
}

/// What came of one true cycle.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct CycleSeen {
    /// A verdict was given.
    pub found: bool,
    /// The fault was at work.
    pub faulty: bool,
    /// The fault had its moment in it, so that it can be asked for.
    pub asked: bool,
    /// One of its names was told.
    pub hit: bool,
    /// Findings told, and whether each one is right.
    pub told: Vec<(&'static str, bool)>,
    /// Direction and outcome are right.
    pub ended_right: bool,
    /// How far the confirmed edges of its steps are off, in samples; later is positive.
    pub edges: Vec<f64>,
}

/// Plays a run and looks at it.
///
/// # Errors
/// Where the rig can't compute the scenario.
pub fn see(run: &Run) -> Result<Seen, SolverError> {
    let Played { truth, verdicts, .. } = play(&run.scenario, &run.logger)?;
    let mut taken = vec![false; verdicts.len()];
    let cycles = truth
        .iter()
        .map(|truth| {
            let off = |v: &Verdict| (v.cycle.start - truth.start_us).0.abs();
            let nearest = (0..verdicts.len())
                .filter(|n| !taken[*n] && off(&verdicts[*n]) < SAME)
                .min_by(|a, b| off(&verdicts[*a]).total_cmp(&off(&verdicts[*b])));
            let verdict = nearest.map(|n| {
                taken[n] = true;
                &verdicts[n]
            });
            cycle(run, truth, verdict)
        })
        .collect();
    let invented = taken.iter().filter(|taken| !**taken).count() as u64;
    Ok(Seen { fault: run.fault, rate_hz: run.scenario.sample_rate_hz, cycles, invented })
}

fn cycle(run: &Run, truth: &CycleTruth, verdict: Option<&Verdict>) -> CycleSeen {
    let right = run.fault.and_then(|(kind, _)| right_for(kind));
    let faulty = !truth.faults.is_empty();
    let asked = right.is_some_and(|right| !right.names.is_empty())
        && faulty
        && truth.expect.iter().any(|expected| expected.certain);
    let Some(verdict) = verdict else { return CycleSeen { faulty, asked, ..CycleSeen::default() } };
    let mut told: Vec<(&'static str, bool)> = Vec::new();
    for finding in &verdict.judged.findings {
        let known = right.filter(|_| faulty);
        let fits = known
            .is_some_and(|right| right.names.contains(&finding.kind) || right.beside.contains(&finding.kind));
        if told.iter().all(|(kind, _)| *kind != finding.kind) {
            told.push((finding.kind, fits));
        }
    }
    let named = |kind: &str| right.is_some_and(|right| right.names.contains(&kind));
    CycleSeen {
        found: true,
        faulty,
        asked,
        hit: told.iter().any(|(kind, _)| named(kind)),
        ended_right: verdict.cycle.direction == truth.direction
            && verdict.cycle.outcome.as_str() == outcome(truth.outcome),
        // What happened in a hole of the recording nobody can time.
        edges: if told.iter().any(|(kind, _)| *kind == "recording-gap") {
            Vec::new()
        } else {
            edges(run.scenario.sample_rate_hz, truth, verdict)
        },
        told,
    }
}

fn outcome(outcome: TrueOutcome) -> &'static str {
    match outcome {
        TrueOutcome::Completed => "completed",
        TrueOutcome::Refused => "refused",
        TrueOutcome::Stopped => "stopped-by-operator",
        TrueOutcome::GivenUp => "given-up",
        TrueOutcome::Reversed => "reversed",
        TrueOutcome::PowerLost => "power-lost",
        TrueOutcome::ServiceRun => "service-run",
    }
}

/// Ends of steps that a switch confirmed in truth, against what was told of them. A step that is not told at all is as
/// far off as it took.
fn edges(rate_hz: f64, truth: &CycleTruth, verdict: &Verdict) -> Vec<f64> {
    truth
        .phases
        .iter()
        .filter(|step| step.confirmed)
        .map(|step| {
            let told = verdict.cycle.phases.iter().filter(|run| run.phase == step.phase);
            let off = told.map(|run| (run.end - step.end_us).0).min_by(|a, b| a.abs().total_cmp(&b.abs()));
            off.unwrap_or((step.end_us - step.start_us).0) * rate_hz
        })
        .collect()
}
