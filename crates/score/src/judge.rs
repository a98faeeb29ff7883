//! One cycle to its verdict.

use foldwatch_profile::Profile;
use foldwatch_segment::Cycle;

use crate::checks::{self, CHECKS};
use crate::history::History;
use crate::look;
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
    let period = look::period(cycle);
    let scatter = checks::scatter(profile, cycle);
    let unmeasured = View {
        profile,
        cycle,
        runs: &runs,
        hold: &hold,
        measures: &[],
        timings: &timings,
        history,
        period,
        scatter: &scatter,
    };
    let measures = measures::all(&unmeasured);
    let view = View { measures: &measures, ..unmeasured };
    let mut findings: Vec<Finding> = CHECKS.iter().flat_map(|check| check.examine(&view)).collect();
    precedence::settle(&mut findings);
    findings.sort_by_key(|finding| finding.at);
    Judged { runs, measures, timings, findings }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{Sketch, sig};
    use foldwatch_profile::SignalIx;
    use foldwatch_units::Direction;
    use proptest::prelude::*;

    /// A cycle with anything missing and anything added, however absurd.
    fn any_sketch() -> impl Strategy<Value = Sketch> {
        let signals = 0u16..14;
        let edges = prop::collection::vec((5.0..40.0, signals.clone(), any::<bool>()), 0..12);
        let glitches = prop::collection::vec((5.0..40.0, 0.0..3.0, signals.clone(), any::<bool>()), 0..6);
        let acts = prop::collection::vec((0.0..20.0, 0.0..20.0, any::<bool>(), any::<bool>()), 3);
        let odd = prop::sample::select(vec![0.0, 1.0, -3.0, 1e9, f64::NAN, f64::INFINITY]);
        let factors = (odd.clone(), odd.clone(), odd.clone(), odd);
        let absent = prop::collection::vec(signals, 0..10);
        (any::<bool>(), edges, glitches, acts, factors, absent, 1.0..100.0).prop_map(
            |(opening, edges, glitches, acts, factors, absent, rate)| {
                let direction = if opening { Direction::Opening } else { Direction::Closing };
                Sketch::healthy(direction).with(|s| {
                    s.rate = rate;
                    s.extra = edges.into_iter().map(|(t, ix, on)| (t, SignalIx(ix), on)).collect();
                    s.extra.retain(|e| e.1.0 < sig::PRESSURE.0);
                    s.glitches = glitches
                        .into_iter()
                        .map(|(t, lasted, ix, to)| (t, lasted, SignalIx(ix), to))
                        .collect();
                    for (act, (moves, waits, confirmed, goes_on)) in s.acts.iter_mut().zip(acts) {
                        (act.moves, act.waits, act.confirmed, act.goes_on) =
                            (moves, waits, confirmed, goes_on);
                    }
                    (s.pressure_factor, s.current_factor, s.supply, s.oil) = factors;
                    s.absent = absent.into_iter().map(SignalIx).collect();
                })
            },
        )
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(48))]

        #[test]
        fn no_cycle_breaks_it_and_its_record_is_kept_as_it_is(
            sketches in prop::collection::vec(any_sketch(), 1..4)
        ) {
            let mut history = History::default();
            for sketch in &sketches {
                let cycle = sketch.cycle();
                let judged = judge(&sketch.profile, &cycle, &history);
                for finding in &judged.findings {
                    prop_assert!((0.0..=1.0).contains(&finding.sure), "{finding:?}");
                    prop_assert!(!finding.message.contains("NaN"), "{finding:?}");
                }
                history.learn(&sketch.profile, &cycle, &judged);
                let kept = serde_json::to_string(&history).unwrap();
                let again: History = serde_json::from_str(&kept).unwrap();
                let kinds = |history: &History| {
                    let judged = judge(&sketch.profile, &cycle, history);
                    judged.findings.iter().map(|f| f.kind).collect::<Vec<_>>()
                };
                // JSON may lose the last bit of a number, but no verdict hangs on it.
                prop_assert_eq!(kinds(&again), kinds(&history));
            }
        }
    }

    #[test]
    fn the_record_does_not_grow_with_the_cycles() {
        let size = |cycles: usize| {
            serde_json::to_string(&Sketch::healthy(Direction::Opening).repeated(cycles)).unwrap().len()
        };
        assert!(size(150) < size(80) * 11 / 10, "{} {}", size(150), size(80));
    }
}
