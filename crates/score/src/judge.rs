//! One cycle to its verdict.

use foldwatch_profile::Profile;
use foldwatch_segment::Cycle;

use crate::checks::CHECKS;
use crate::history::History;
use crate::run::{self, RunFacts};
use crate::timing::{self, PhaseTiming};
use crate::view::View;
use crate::{Finding, Measure, measures, precedence};

/// All that was found out about one cycle.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Judged {
    /// What is known of each run of a step.
    pub runs: Vec<RunFacts>,
    /// What was measured.
    pub measures: Vec<Measure>,
    /// What each run should have taken.
    pub timings: Vec<PhaseTiming>,
    /// What is wrong, in order of time; empty on a sound cycle.
    pub findings: Vec<Finding>,
}

/// Judges one cycle by its profile and by what the car did before. Pure: the history is not changed, so a cycle may be
/// judged when its drive has ended and once more with its tail.
pub fn judge(profile: &Profile, cycle: &Cycle, history: &History) -> Judged {
    let runs = run::facts(profile, cycle);
    let timings = timing::timings(profile, cycle, &runs, history);
    let hold = measures::hold(profile, cycle);
    let unmeasured =
        View { profile, cycle, runs: &runs, hold: &hold, measures: &[], timings: &timings, history };
    let measures = measures::all(&unmeasured);
    let view = View { measures: &measures, ..unmeasured };
    let mut findings: Vec<Finding> = CHECKS.iter().flat_map(|check| check.examine(&view)).collect();
    precedence::settle(&mut findings);
    findings.sort_by_key(|finding| finding.at);
    Judged { runs, measures, timings, findings }
}
