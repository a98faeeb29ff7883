//! Numbers taken from a cycle, one file a group.

use foldwatch_profile::Profile;
use foldwatch_segment::Cycle;

use crate::Measure;
use crate::history::History;
use crate::run::RunFacts;

/// Everything that can be measured of a cycle, and why what can't be isn't.
pub(crate) fn all(profile: &Profile, cycle: &Cycle, runs: &[RunFacts], history: &History) -> Vec<Measure> {
    let _ = (profile, cycle, runs, history);
    Vec::new()
}
