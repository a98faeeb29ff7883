//! What came of one run: each true cycle beside its verdict, reduced to what is counted.

use foldwatch_pipeline::Verdict;
use foldwatch_profile::{Expr, Profile, SignalIx};
use foldwatch_rig::{CycleTruth, Fault, FaultKind, Scenario, SolverError, Target, TrueOutcome};
use foldwatch_segment::Outcome;
use foldwatch_units::Micros;

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
    /// Switches are logged with their own times, not in the rows.
    pub own_times: bool,
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
    pub edges: Vec<EdgeSeen>,
}

/// How far the told end of a step is off, in samples; later is positive.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EdgeSeen {
    /// From the first contact of its switch.
    pub from_contact: f64,
    /// From the first moment at which the log shows it: a log of rows shows a contact at the next row, and at a later
    /// one where the contact bounces open just then.
    pub from_shown: f64,
}

impl EdgeSeen {
    /// One sample at the most; what is a rounding of the clock beyond it is none of it.
    pub fn within_a_sample(off: f64) -> bool {
        off.abs() <= 1.0 + 1e-3
    }
}

/// Plays a run and looks at it.
///
/// # Errors
/// Where the rig can't compute the scenario.
pub fn see(run: &Run) -> Result<Seen, SolverError> {
    let Played { truth, verdicts, shown, .. } = play(&run.scenario, &run.logger)?;
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
            cycle(run, truth, verdict, &shown)
        })
        .collect();
    let invented = taken.iter().filter(|taken| !**taken).count() as u64;
    let own_times = run.logger.edges;
    Ok(Seen { fault: run.fault, rate_hz: run.scenario.sample_rate_hz, own_times, cycles, invented })
}

fn cycle(run: &Run, truth: &CycleTruth, verdict: Option<&Verdict>, shown: &[Shown]) -> CycleSeen {
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
    let unseen = run.scenario.faults.iter().any(|fault| only_slow(&run.scenario.profile, fault));
    let named =
        |kind: &str| right.is_some_and(|right| right.names.contains(&kind)) || unseen && kind == "slow-phase";
    // A log with a hole in it can't show how the cycle ended, and says so.
    let torn = verdict.cycle.outcome == Outcome::RecordingGap
        && run.fault.is_some_and(|(kind, _)| kind == FaultKind::LogGap);
    CycleSeen {
        found: true,
        faulty,
        asked,
        hit: told.iter().any(|(kind, _)| named(kind)),
        ended_right: torn
            || verdict.cycle.direction == truth.direction
                && verdict.cycle.outcome.as_str() == outcome(truth.outcome),
        // What happened in a hole of the recording nobody can time.
        edges: if told.iter().any(|(kind, _)| *kind == "recording-gap") {
            Vec::new()
        } else {
            edges(&run.scenario, truth, verdict, shown)
        },
        told,
    }
}

/// A switch that comes late in steps without the pump: neither pressure nor current shows when their mechanism was there,
/// so a slow step is all that can be told.
fn only_slow(profile: &Profile, fault: &Fault) -> bool {
    let Target::Signal(at) = fault.target else { return false };
    let mut steps = profile.opening.iter().chain(&profile.closing);
    fault.kind == FaultKind::SwitchLate
        && steps.all(|step| !step.pump || !step.confirm.wanted().contains(&(at, true)))
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

/// A change as the log carries it: see [`Played::shown`].
type Shown = (Micros, SignalIx, bool);

/// Ends of steps that the unit ran and a switch confirmed in truth, against what was told of them. A step that is not told at all is as
/// far off as it took.
fn edges(scenario: &Scenario, truth: &CycleTruth, verdict: &Verdict, shown: &[Shown]) -> Vec<EdgeSeen> {
    truth
        .phases
        .iter()
        .filter(|step| step.confirmed && !step.carried)
        .map(|step| {
            let nearest = |to: Micros| {
                let told = verdict.cycle.phases.iter().filter(|run| run.phase == step.phase);
                let off = told.map(|run| (run.end - to).0).min_by(|a, b| a.abs().total_cmp(&b.abs()));
                off.unwrap_or((step.end_us - step.start_us).0) * scenario.sample_rate_hz
            };
            let confirm = &step.phase.of(&scenario.profile).confirm;
            let log = first_shown(confirm, step.end_us, shown).unwrap_or(step.end_us);
            EdgeSeen { from_contact: nearest(step.end_us), from_shown: nearest(log) }
        })
        .collect()
}

/// The first moment from the contact on at which the log shows that the confirmation holds; `None` where it never does.
fn first_shown(confirm: &Expr, contact: Micros, shown: &[Shown]) -> Option<Micros> {
    let wanted = confirm.wanted();
    let after = shown.partition_point(|change| change.0 < contact);
    let mut states: Vec<(SignalIx, Option<bool>)> = wanted
        .iter()
        .map(|(ix, _)| {
            (*ix, shown[..after].iter().rev().find(|change| change.1 == *ix).map(|change| change.2))
        })
        .collect();
    shown[after..].chunk_by(|a, b| a.0 == b.0).find_map(|moment| {
        for (_, signal, on) in moment {
            states.iter_mut().filter(|(ix, _)| ix == signal).for_each(|(_, state)| *state = Some(*on));
        }
        let state =
            |ix: SignalIx| states.iter().find(|(known, _)| *known == ix).and_then(|(_, state)| *state);
        // A signal that has not changed yet in this log is open: that is how a rig's roof begins.
        (confirm.holds(&|ix| Some(state(ix).unwrap_or(false))) == Some(true)).then_some(moment[0].0)
    })
}
