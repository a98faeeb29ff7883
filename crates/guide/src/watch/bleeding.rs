//! After hydraulic work: the oil gets stiffer with each movement while air leaves it, and then no more.

use foldwatch_profile::PhaseRef;

use super::Watch;
use crate::{Answer, Grade, Seen, words};

/// How stiff the oil was against the stop of a step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stiffness {
    /// Which step.
    pub phase: PhaseRef,
    /// The effective bulk modulus, in bar.
    pub bar: f64,
}

/// From one movement to the next a rise by less than this share is none. Judgment: the measure itself scatters by less.
const RISES: f64 = 0.05;
/// So many movements of one step show that it rises no more. Judgment.
const FEWEST: usize = 3;
/// Movements that a session goes through at the most; a roof that is not bled by then needs another look. Judgment.
const MOST: usize = 40;

#[derive(Debug, Default)]
pub(crate) struct Bleeding {
    series: Vec<(PhaseRef, Vec<f64>)>,
    movements: usize,
    without: usize,
}

impl Bleeding {
    fn steady(series: &[f64]) -> bool {
        let rises = |pair: &[f64]| pair[1] > pair[0] * (1.0 + RISES);
        series.len() >= FEWEST && !series[series.len() - FEWEST..].windows(2).any(rises)
    }

    /// The step that has been seen most often: it says most.
    fn best(&self) -> Option<&(PhaseRef, Vec<f64>)> {
        self.series.iter().max_by_key(|(_, series)| series.len())
    }
}

impl Watch for Bleeding {
    fn begin(&mut self) {
        *self = Bleeding::default();
    }

    fn look(&mut self, _: &Seen<'_>) -> Option<Answer> {
        None
    }

    fn movement(&mut self, stiffness: &[Stiffness], seen: &Seen<'_>) -> Option<Answer> {
        self.movements += 1;
        self.without = if stiffness.is_empty() { self.without + 1 } else { 0 };
        for found in stiffness.iter().filter(|s| s.bar.is_finite() && s.bar > 0.0) {
            match self.series.iter_mut().find(|(phase, _)| *phase == found.phase) {
                Some((_, series)) => series.push(found.bar),
                None => self.series.push((found.phase, vec![found.bar])),
            }
        }
        // Every step that has been seen often enough must have settled; one at the least.
        let seen_enough = self.series.iter().filter(|(_, series)| series.len() >= FEWEST);
        let settled =
            seen_enough.clone().count() > 0 && seen_enough.clone().all(|(_, s)| Bleeding::steady(s));
        if settled {
            return self.best().map(|(phase, series)| {
                Answer::new(Grade::Passed, words::air_is_out(&phase.of(seen.profile).name, series))
            });
        }
        (self.movements >= MOST).then(|| self.did_not(seen))
    }

    fn says(&self, seen: &Seen<'_>) -> String {
        match self.best() {
            _ if self.without >= 2 => words::BLEEDING_UNSEEN.to_owned(),
            Some((phase, series)) => {
                words::bleeding_so_far(&phase.of(seen.profile).name, series, self.movements)
            }
            None => words::bleeding_waits(self.movements),
        }
    }

    fn did_not(&mut self, seen: &Seen<'_>) -> Answer {
        match self.best().filter(|(_, series)| series.len() >= 2) {
            Some((phase, series)) => {
                Answer::new(Grade::Remark, words::air_still_rises(&phase.of(seen.profile).name, series))
            }
            None => Answer::new(Grade::Skipped, words::BLEEDING_UNSEEN),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::watch::testing::Bed;
    use foldwatch_units::Direction;

    fn run(bars: &[f64]) -> Option<Answer> {
        let bed = Bed::new();
        let mut watch = Bleeding::default();
        let phase = PhaseRef { direction: Direction::Opening, index: 0 };
        bars.iter().find_map(|bar| watch.movement(&[Stiffness { phase, bar: *bar }], &bed.seen()))
    }

    #[test]
    fn the_air_is_out_when_the_oil_gets_no_stiffer() {
        assert_eq!(run(&[3000.0, 5000.0, 7000.0, 8500.0]), None);
        let out = run(&[3000.0, 5000.0, 7000.0, 7100.0, 7050.0]).unwrap();
        assert!(out.grade == Grade::Passed && out.says.contains("7050"), "{out:?}");
    }

    #[test]
    fn a_movement_that_shows_nothing_is_said() {
        let bed = Bed::new();
        let mut watch = Bleeding::default();
        assert_eq!(watch.movement(&[], &bed.seen()), None);
        assert_eq!(watch.movement(&[], &bed.seen()), None);
        assert_eq!(watch.says(&bed.seen()), words::BLEEDING_UNSEEN);
        assert_eq!(watch.did_not(&bed.seen()).grade, Grade::Skipped);
    }
}
