//! Which finding explains which: one matter is told once.

use crate::Finding;

/// How far an explanation reaches.
enum Reach {
    Phase,
    Signal,
    Cycle,
}

/// (what explains, what is then not told, how far it reaches).
const EXPLAINS: &[(&str, &str, Reach)] = &[
    // The relay holds the pump on: nothing commands it.
    ("stuck-relay", "run-on", Reach::Cycle),
    ("stuck-relay", "unconfirmed-running", Reach::Phase),
    // A pump that moves no oil moves no mechanism: its switch can't come, and it is not the switch.
    ("no-pressure", "missing-confirmation", Reach::Phase),
    ("no-pressure", "signal-fault", Reach::Phase),
    // Nor is the step slow: it did not begin.
    ("no-pressure", "slow-phase", Reach::Phase),
    // The pressure of the wait at the stop is in the step's mean.
    ("late-confirmation", "heavy-going", Reach::Phase),
    // Many openings in a row are told once.
    ("chatter", "dropout", Reach::Signal),
    ("signal-fault", "chatter", Reach::Signal),
    ("signal-fault", "dropout", Reach::Signal),
];

/// Takes out what another finding explains.
pub(crate) fn settle(findings: &mut Vec<Finding>) {
    let hidden: Vec<bool> = findings
        .iter()
        .map(|finding| {
            EXPLAINS.iter().filter(|(_, hides, _)| *hides == finding.kind).any(|(by, _, reach)| {
                findings.iter().filter(|other| other.kind == *by).any(|other| match reach {
                    Reach::Phase => other.phase.is_some() && other.phase == finding.phase,
                    Reach::Signal => other.signal.is_some() && other.signal == finding.signal,
                    Reach::Cycle => true,
                })
            })
        })
        .collect();
    let mut hidden = hidden.into_iter();
    findings.retain(|_| !hidden.next().unwrap_or(false));
}
