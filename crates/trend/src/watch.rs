//! The standing watch over one series: learns a baseline, then adds up what lies beyond it, cycle by cycle.
//!
//! Two charts look for the same thing at different speed: a CUSUM finds a small lasting change, an EWMA a larger one
//! sooner. Both work on the distance from the baseline in steps of [`Baseline::scale`], never finer than a change that
//! is worth knowing, and only the worse side alarms. Each cycle costs the same.

use crate::point::{Point, Worse, days_between};
use crate::stats::order::{median, scaled_mad};
use crate::stats::{correlated, cusum, ewma};
use foldwatch_units::Micros;
use std::sync::OnceLock;

/// The baseline is learned from at least this many cycles. Judgement: about a month of a car in regular use.
pub const LEARN: usize = 40;

/// The baseline takes at least this many days, so that it is not learned from one spell of weather...
pub const LEARN_DAYS: f64 = 21.0;

/// ...but no more than this many cycles, however fast they come.
pub const LEARN_MOST: usize = 150;

/// A lasting change of this part of the baseline is worth knowing; a smaller one is not worth a call. Judgement: the
/// limits of the shipped profiles lie 30 to 60 % above the expected times.
pub const WORTH: f64 = 0.05;

/// The CUSUM's allowance and decision value, and the EWMA's weight and reach, in scales.
/// [`expected_false_alarms`] says what they cost.
pub const ALLOWANCE: f64 = 0.5;
/// See [`ALLOWANCE`].
pub const DECISION: f64 = 10.0;
/// See [`ALLOWANCE`].
pub const WEIGHT: f64 = 0.1;
/// See [`ALLOWANCE`].
pub const REACH: f64 = 4.5;

/// Average number of cycles between false alarms of each chart where the baseline is exactly known and the values are
/// independent: (CUSUM, EWMA). Computed from the chart's Markov chain, once.
pub fn run_lengths() -> (f64, f64) {
    static LENGTHS: OnceLock<(f64, f64)> = OnceLock::new();
    *LENGTHS.get_or_init(|| {
        let cusum = cusum::one_sided_run_length(ALLOWANCE, DECISION, 0.0);
        (cusum, ewma::upper_run_length(WEIGHT, REACH, 0.0))
    })
}

/// The expected number of false alarms of one series in so many cycles, the baseline's own error being
/// `u` scales: a baseline learned too low makes alarms likelier for as long as it stands.
pub fn expected_false_alarms(cycles: f64, u: f64) -> f64 {
    let nodes = 25;
    let width = 6.0 / f64::from(nodes - 1);
    (0..nodes)
        .map(|i| {
            let z = -3.0 + width * f64::from(i);
            let rate = 1.0 / cusum::one_sided_run_length(ALLOWANCE, DECISION, z * u)
                + 1.0 / ewma::upper_run_length(WEIGHT, REACH, z * u);
            // A standing alarm is not given twice.
            crate::stats::dist::normal_density(z) * width * (1.0 - (-rate * cycles).exp())
        })
        .sum()
}

/// What a series is when it is well, learned from its first cycles.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Baseline {
    /// The level.
    pub level: f64,
    /// One step of the charts: the long-run standard deviation, at least [`WORTH`] of the level.
    pub scale: f64,
    /// Standard deviation of a single value; a value further than three of it counts as that far.
    pub sd: f64,
    /// Standard uncertainty of the level.
    pub u_level: f64,
}

/// Why an alarm was given.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Reason {
    /// Small excesses have added up.
    AddedUp,
    /// The moving average is past its limit.
    Average,
}

/// An alarm that stands.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Alarm {
    /// The cycle that raised it.
    pub cycle: u64,
    /// When.
    pub at: Micros,
    /// Which chart.
    pub reason: Reason,
    /// About when the excess began: the last cycle at which the CUSUM stood at 0.
    pub began: u64,
}

/// The watch's state. Equal pushes give equal states.
#[derive(Debug, Clone, PartialEq, Default, serde::Serialize, serde::Deserialize)]
pub struct Watch {
    worse: Worse,
    learning: Vec<Point>,
    baseline: Option<Baseline>,
    sum: f64,
    average: f64,
    zero_at: u64,
    alarm: Option<Alarm>,
    given: u32,
}

impl Watch {
    /// A watch that knows nothing yet.
    pub fn new(worse: Worse) -> Self {
        Watch { worse, ..Watch::default() }
    }

    /// Takes in a cycle.
    pub fn push(&mut self, point: Point) {
        let Some(baseline) = self.baseline else {
            self.learning.push(point);
            let days = self.learning.first().map_or(0.0, |first| days_between(first.at, point.at));
            let count = self.learning.len();
            if count >= LEARN && (days >= LEARN_DAYS || count >= LEARN_MOST) {
                self.baseline = learn(&self.learning);
                self.learning = Vec::new();
                self.zero_at = point.cycle;
            }
            return;
        };
        let off = (point.value - baseline.level).clamp(-3.0 * baseline.sd, 3.0 * baseline.sd);
        // A baseline that never varied around 0 has no scale; then nothing is ever beyond it.
        let steps = if baseline.scale > 0.0 { self.worse.sign() * off / baseline.scale } else { 0.0 };
        self.sum = (self.sum + steps - ALLOWANCE).max(0.0);
        self.average += WEIGHT * (steps - self.average);
        if self.sum == 0.0 {
            self.zero_at = point.cycle;
        }
        let reason = if self.sum > DECISION {
            Some(Reason::AddedUp)
        } else if self.average > average_limit() {
            Some(Reason::Average)
        } else {
            None
        };
        match (self.alarm, reason) {
            (None, Some(reason)) => {
                self.alarm = Some(Alarm { cycle: point.cycle, at: point.at, reason, began: self.zero_at });
                self.given += 1;
            }
            // One matter is one alarm: it ends when the excess is gone, not when it dips below the limit.
            (Some(_), None) if self.sum == 0.0 => self.alarm = None,
            _ => {}
        }
    }

    /// What was learned; `None` while learning.
    pub fn baseline(&self) -> Option<Baseline> {
        self.baseline
    }

    /// The watch has not begun yet.
    pub fn still_learning(&self) -> bool {
        self.baseline.is_none()
    }

    /// The CUSUM in scales; alarm above [`DECISION`].
    pub fn sum(&self) -> f64 {
        self.sum
    }

    /// The EWMA in scales from the baseline, positive is worse; alarm above [`average_limit`].
    pub fn average(&self) -> f64 {
        self.average
    }

    /// The alarm that stands.
    pub fn alarm(&self) -> Option<Alarm> {
        self.alarm
    }

    /// How many alarms were given since the watch began.
    pub fn alarms_given(&self) -> u32 {
        self.given
    }
}

/// The EWMA's limit in scales from the baseline.
pub fn average_limit() -> f64 {
    ewma::Chart { target: 0.0, sd: 1.0, weight: WEIGHT, reach: REACH }.steady_half_width()
}

fn learn(points: &[Point]) -> Option<Baseline> {
    let mut values: Vec<f64> = points.iter().map(|p| p.value).collect();
    let sd = scaled_mad(&values)?;
    let level = median(&mut values)?;
    let start = points.first()?.at;
    let days: Vec<f64> = points.iter().map(|p| days_between(start, p.at)).collect();
    let calm: Vec<f64> = points.iter().map(|p| (p.value - level).clamp(-3.0 * sd, 3.0 * sd)).collect();
    let fit = correlated::fit(&vec![[1.0]; calm.len()], &days, &calm)?;
    let scale = fit.long_run_sd.max(WORTH * level.abs());
    Some(Baseline { level, scale, sd: sd.max(0.2 * scale), u_level: fit.u([1.0]) })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(cycle: u64, value: f64) -> Point {
        Point { cycle, at: Micros::from_secs(cycle as f64 * 40_000.0), value, raw: value }
    }

    fn scatter(cycle: u64) -> f64 {
        // A fixed sequence without pattern: golden-ratio steps.
        ((cycle as f64 * 0.618_033_988_749_895).fract() - 0.5) * 0.3
    }

    #[test]
    fn silent_while_well_and_alarms_once_when_slower() {
        let mut watch = Watch::new(Worse::Higher);
        for cycle in 0..400 {
            watch.push(point(cycle, 4.0 + scatter(cycle)));
        }
        assert_eq!((watch.still_learning(), watch.alarms_given()), (false, 0));
        for cycle in 400..460 {
            watch.push(point(cycle, 4.5 + scatter(cycle)));
        }
        let alarm = watch.alarm().unwrap();
        assert!((400..420).contains(&alarm.cycle), "{alarm:?}");
        assert!(alarm.began <= 401, "{alarm:?}");
        assert_eq!(watch.alarms_given(), 1);
    }

    #[test]
    fn faster_is_no_alarm_unless_less_is_worse() {
        for (worse, expected) in [(Worse::Higher, 0), (Worse::Lower, 1)] {
            let mut watch = Watch::new(worse);
            for cycle in 0..200 {
                watch.push(point(cycle, if cycle < 100 { 4.0 } else { 3.0 } + scatter(cycle)));
            }
            assert_eq!(watch.alarms_given(), expected);
        }
    }

    #[test]
    fn one_wild_cycle_is_no_alarm() {
        let mut watch = Watch::new(Worse::Higher);
        for cycle in 0..300 {
            let wild = if cycle % 60 == 59 { 30.0 } else { 0.0 };
            watch.push(point(cycle, 4.0 + scatter(cycle) + wild));
        }
        assert_eq!(watch.alarms_given(), 0);
    }

    #[test]
    fn constant_values_do_not_break_it() {
        for value in [0.0, 5.0] {
            let mut watch = Watch::new(Worse::Higher);
            (0..100).for_each(|cycle| watch.push(point(cycle, value)));
            assert_eq!(watch.alarms_given(), 0);
            assert!(watch.sum().is_finite() && watch.average().is_finite());
        }
    }

    /// The settings hold what the documents state: with the baseline known, more than 50,000 cycles between false
    /// alarms of either chart.
    #[test]
    fn stated_run_lengths() {
        let (cusum, ewma) = run_lengths();
        assert!(cusum > 1e5, "{cusum}");
        assert!(ewma > 5e4, "{ewma}");
    }
}
