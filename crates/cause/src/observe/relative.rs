//! The steps of a movement against each other and against the profile.

use foldwatch_profile::{PhaseRef, SignalKind};
use foldwatch_segment::Confirmation;

use crate::observe::Eye;
use crate::place::{Place, is_first};
use crate::trace::quantile;

/// Pressure as a share of the relief setting: what moves above it has little left.
const NEAR_RELIEF: f64 = 0.7;
/// A step's mean pressure against the median of the others of its movement. Loads differ from step to step.
const HEAVIER: f64 = 1.4;
/// The same where it is only a trace.
const SOMEWHAT_HEAVIER: f64 = 1.15;
/// The same against what the profile states of the step: sound roofs of a kind differ by a tenth, so that four of a thousand
/// pass the first, and hardly any the last.
const FAR_HEAVIER_THAN_STATED: f64 = 1.5;
const HEAVIER_THAN_STATED: f64 = 1.3;
const SOMEWHAT_HEAVIER_THAN_STATED: f64 = 1.15;
/// Seconds by which a step is longer and the next one shorter, and how well the two must agree.
const HANDED_OVER: f64 = 0.2;
const AGREE: std::ops::Range<f64> = 0.55..1.8;
/// How far a step of a sound roof may be off the others against the profile.
const TIMES_HOLD: f64 = 0.04;

impl Eye<'_> {
    /// The pressure that each step needs: against what the profile states of it, or else against the other steps.
    fn loads(&mut self) {
        if self.sound(SignalKind::Pressure).is_none() {
            return;
        }
        let whole = self.judged.runs.iter().filter(|f| f.cut.is_none() && !f.part && f.motion.is_some());
        let loads: Vec<(PhaseRef, usize, f64)> = whole
            .map(|f| (self.cycle.phases[f.run].phase, f.run))
            .filter(|(phase, _)| phase.of(self.profile).pump)
            .filter_map(|(phase, run)| Some((phase, run, self.measure("mean-pressure", Some(run))?)))
            .collect();
        for (n, (phase, run, bar)) in loads.iter().enumerate() {
            let place = Place::step(*phase);
            if let Some(share) = self.measure("pressure-against-profile", Some(*run)) {
                let limits = [HEAVIER_THAN_STATED, SOMEWHAT_HEAVIER_THAN_STATED];
                self.put_by_degree("heavier-than-stated", place, share, limits);
                if share > HEAVIER_THAN_STATED {
                    self.put("far-heavier-than-stated", place, share > FAR_HEAVIER_THAN_STATED);
                }
                continue;
            }
            let others = loads.iter().enumerate().filter(|(m, _)| *m != n).map(|(_, load)| load.2);
            let Some(usual) = quantile(others, 0.5).filter(|_| loads.len() >= 3) else { continue };
            let limits = [HEAVIER * usual, SOMEWHAT_HEAVIER * usual];
            self.put_by_degree("heavier-than-others", place, *bar, limits);
            // The heaviest step of a sound roof may well be near the relief setting, so it tells something only of a heavy one.
            if let Some(relief) = self.profile.hydraulics.relief.filter(|_| *bar > limits[0]) {
                self.put("near-relief", place, *bar > NEAR_RELIEF * relief.0);
            }
        }
    }

    /// Times over the profile's, at reference conditions: the median past each direction's first step (ln), and each.
    pub(super) fn against_profile(&mut self) -> (Option<f64>, Vec<(PhaseRef, f64)>) {
        let mut ratios: Vec<(PhaseRef, f64)> = Vec::new();
        for timing in &self.judged.timings {
            let facts = self.judged.runs.iter().find(|r| r.run == timing.run);
            let whole = facts.is_some_and(|f| f.cut.is_none() && !f.part && f.motion.is_some());
            let phase = timing.phase.of(self.profile);
            let late = self.found_in("late-confirmation", timing.phase)
                || self.findings("dropout").any(|f| f.phase == Some(timing.phase));
            let confirmed = self.cycle.phases[timing.run].confirmation == Confirmation::Confirmed;
            if whole && confirmed && phase.pump && !late && phase.expected.0 > 0.0 {
                ratios.push((timing.phase, timing.corrected.0 / phase.expected.0));
            }
        }
        self.loads();
        let Some(usual) = quantile(ratios.iter().map(|r| r.1), 0.5).filter(|_| ratios.len() >= 3) else {
            return (None, ratios);
        };
        // With the same valves on, the next part moves on by itself while the switch is still waited for.
        for pair in ratios.windows(2) {
            let [(here, slow), (next, fast)] = [pair[0], pair[1]];
            let (a, b) = (here.of(self.profile), next.of(self.profile));
            if next.index != here.index + 1 || next.direction != here.direction || a.valves != b.valves {
                continue;
            }
            let (more, less) = ((slow - usual) * a.expected.0, (usual - fast) * b.expected.0);
            let handed = more > HANDED_OVER && less > 0.0 && AGREE.contains(&(less / more));
            // How much shorter a long step was is known no better than its time in the profile.
            let unclear = more > HANDED_OVER && TIMES_HOLD * b.expected.0 > 0.5 * more;
            if unclear && !handed {
                continue;
            }
            // The last part of the confirmation is what was waited for.
            let run = self.cycle.phases.iter().find(|run| run.phase == here);
            let Some(confirmed) = run.and_then(|run| run.confirmed_at) else { continue };
            for (signal, wanted) in a.confirm.wanted() {
                let last = self.came_last(signal, wanted, confirmed);
                if last && (wanted || handed) {
                    let place = Place { phase: Some(here), signal: Some(signal) };
                    self.put("handed-over", place, handed);
                }
            }
        }
        let later = ratios.iter().filter(|r| !is_first(r.0, self.profile)).map(|r| r.1);
        (quantile(later, 0.5).filter(|median| *median > 0.0).map(f64::ln), ratios)
    }
}
