//! What concerns each signal by itself.

use foldwatch_profile::{PhaseRef, SignalIx, SignalKind};
use foldwatch_score::state_before;

use crate::observe::Eye;
use crate::place::Place;
impl Eye<'_> {
    /// Where nothing moves, for two switches contradict each other: of the two, the one that is closed where the end position
    /// leaves it open, if all the others are as that position leaves them.
    pub(super) fn contradictions(&mut self) {
        let (cycle, profile) = (self.cycle, self.profile);
        let first = PhaseRef { direction: cycle.direction, index: 0 };
        let left_on = |ix| state_before(profile, first, ix);
        let is_on = |ix| cycle.recording.state(ix, cycle.start);
        let switches = || profile.of_kind(SignalKind::Switch);
        let otherwise = |ix| left_on(ix).zip(is_on(ix)).is_some_and(|(left, is)| left != is);
        let otherwise: Vec<SignalIx> = switches().map(|(ix, _)| ix).filter(|ix| otherwise(*ix)).collect();
        for (ix, signal) in switches().filter(|(_, signal)| !signal.excludes.is_empty()) {
            let Some(on) = is_on(ix) else { continue };
            let place = Place::signal(ix);
            // Told of one of the two, it concerns both.
            let concerns = |of: SignalIx| of == ix || signal.excludes.contains(&of);
            let told = self.findings("contradiction").any(|f| f.signal.is_some_and(concerns));
            self.put("contradiction", place, on && told);
            if let ([one], Some(_)) = (otherwise.as_slice(), left_on(ix)) {
                self.put("stuck-closed", place, on && *one == ix);
            }
        }
    }

    /// What concerns each signal by itself.
    pub(super) fn signals(&mut self) {
        let whole = self.cycle.recording.gaps.is_empty();
        for (ix, signal) in self.profile.signals() {
            let place = Place::signal(ix);
            let about = |eye: &Self, kind| eye.findings(kind).any(|f| f.signal == Some(ix));
            if !signal.kind.is_binary() {
                if self.cycle.recording.trace(ix).is_some_and(|t| t.iter().any(|v| v.is_finite())) {
                    self.put("signal-fault", place, about(self, "signal-fault"));
                }
                continue;
            }
            if !self.is_recorded(ix) {
                continue;
            }
            match signal.kind {
                SignalKind::Switch => {
                    self.put("dropout", place, about(self, "dropout"));
                    self.put("chatter", place, about(self, "chatter"));
                    if !signal.excludes.is_empty() {
                        self.put("contradiction", place, about(self, "contradiction"));
                    }
                    let asked =
                        self.cycle.phases.iter().any(|run| {
                            run.phase.of(self.profile).confirm.wanted().iter().any(|(s, _)| *s == ix)
                        });
                    if asked && whole {
                        let stuck = self.findings("stuck-switch").find(|f| f.signal == Some(ix));
                        let on = stuck.and_then(|_| self.cycle.recording.state(ix, self.cycle.start));
                        self.put("stuck-open", place, on == Some(false));
                        self.put("stuck-closed", place, on == Some(true));
                    }
                }
                SignalKind::Valve | SignalKind::Pump => {
                    self.put("dropout", place, about(self, "dropout"));
                }
                _ => {}
            }
        }
    }
}
