//! Blade fuses: how long they stand a current, and how much of that a run has used.

use foldwatch_units::{Amps, Micros, Seconds};

/// One line of a time-current class.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limit {
    /// Current over rating.
    pub load: f64,
    /// It does not open before ...
    pub shortest: Seconds,
    /// ... and not after; `None`: it may stand forever.
    pub longest: Option<Seconds>,
}

/// A fuse with its time-current class.
///
/// The two built-in classes are **from memory** of ISO 8820-3 and its like, and no citation: put the lines of the fuse
/// that is fitted in their place where it matters.
///
/// ```
/// use foldwatch_physics::fuse::Fuse;
/// use foldwatch_units::{Amps, Seconds};
/// let fuse = Fuse::standard_blade(Amps(40.0));
/// assert_eq!(fuse.shortest(Amps(80.0)), Some(Seconds(0.15))); // 200 %
/// assert_eq!(fuse.shortest(Amps(40.0)), None); // its rating it stands for good
/// assert!(Fuse::large_blade(Amps(40.0)).shortest(Amps(80.0)) > fuse.shortest(Amps(80.0)));
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Fuse {
    rating: Amps,
    limits: Vec<Limit>,
}

const fn limit(load: f64, shortest: f64, longest: f64) -> Limit {
    Limit { load, shortest: Seconds(shortest), longest: Some(Seconds(longest)) }
}

const CARRIES: Limit = Limit { load: 1.1, shortest: Seconds(360_000.0), longest: None };
const STANDARD: [Limit; 5] =
    [CARRIES, limit(1.35, 0.75, 600.0), limit(2.0, 0.15, 5.0), limit(3.5, 0.08, 0.5), limit(6.0, 0.03, 0.1)];
const LARGE: [Limit; 5] =
    [CARRIES, limit(1.35, 60.0, 1800.0), limit(2.0, 2.0, 60.0), limit(3.5, 0.2, 7.0), limit(6.0, 0.04, 1.0)];

impl Fuse {
    /// A standard blade fuse.
    pub fn standard_blade(rating: Amps) -> Fuse {
        Fuse { rating, limits: STANDARD.to_vec() }
    }

    /// A large blade fuse.
    pub fn large_blade(rating: Amps) -> Fuse {
        Fuse { rating, limits: LARGE.to_vec() }
    }

    /// A fuse of any class. `None` unless there is a rating above 0 and at least one line, loads rise and times, which
    /// are above 0, fall.
    pub fn of_class(rating: Amps, limits: Vec<Limit>) -> Option<Fuse> {
        let sound = |a: &Limit| {
            a.load > 0.0 && a.shortest > Seconds(0.0) && a.longest.is_none_or(|longest| longest >= a.shortest)
        };
        let falls = |a: &Limit, b: &Limit| a.load < b.load && a.shortest >= b.shortest;
        let valid = rating.value() > 0.0
            && !limits.is_empty()
            && limits.iter().all(sound)
            && limits.windows(2).all(|pair| falls(&pair[0], &pair[1]));
        valid.then_some(Fuse { rating, limits })
    }

    /// The time it stands a constant current for certain: straight between the lines of the class on logarithmic axes,
    /// beyond the last one by constant I²t. `None`: for good.
    pub fn shortest(&self, current: Amps) -> Option<Seconds> {
        self.opens(current, |limit| Some(limit.shortest))
    }

    /// The time after which it has opened for certain. `None`: it may stand for good.
    pub fn longest(&self, current: Amps) -> Option<Seconds> {
        self.opens(current, |limit| limit.longest)
    }

    fn opens(&self, current: Amps, time: fn(&Limit) -> Option<Seconds>) -> Option<Seconds> {
        let load = current / self.rating;
        let above = self.limits.partition_point(|limit| limit.load <= load);
        let low = self.limits.get(above.checked_sub(1)?)?;
        let t0 = time(low)?;
        let Some(high) = self.limits.get(above) else {
            return Some(t0 * (low.load / load).powi(2));
        };
        // Between a line that stands for good and one that doesn't, the later one's time is the least that is known.
        let t1 = time(high)?;
        let along = (load / low.load).ln() / (high.load / low.load).ln();
        Some(t0 * (t1 / t0).powf(along))
    }

    /// Share of the time to opening that a current trace has used: the sum of dt / t(I), as dependent-time relays add it
    /// up (IEC 60255-151, from memory). At 1 the fuse may open. It takes the fuse as cold at first and forgets nothing,
    /// so give it one cycle.
    ///
    /// ```
    /// use foldwatch_physics::fuse::Fuse;
    /// use foldwatch_units::{Amps, Micros};
    /// let times: Vec<Micros> = (0..=100).map(|i| Micros(i * 100_000)).collect();
    /// let fuse = Fuse::large_blade(Amps(40.0));
    /// let used = fuse.used(&times, &vec![54.0; 101]); // 10 s of 135 %, which it stands for 60 s
    /// assert!((used - 10.0 / 60.0).abs() < 1e-9);
    /// assert_eq!(fuse.used(&times, &vec![30.0; 101]), 0.0);
    /// ```
    pub fn used(&self, times: &[Micros], currents: &[f32]) -> f64 {
        let steps = times.windows(2).zip(currents.windows(2));
        steps
            .filter_map(|(t, i)| {
                let current = Amps(0.5 * f64::from(i[0] + i[1]));
                let dt = (t[1] - t[0]).max(Seconds(0.0));
                Some(dt / self.shortest(current)?)
            })
            .sum()
    }

    /// What is left of it: 1 before, 0 when the fuse may open, never below.
    pub fn margin(&self, times: &[Micros], currents: &[f32]) -> f64 {
        (1.0 - self.used(times, currents)).max(0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn between_the_lines_it_is_straight_on_logarithmic_axes() {
        let limits = vec![limit(2.0, 16.0, 32.0), limit(8.0, 1.0, 4.0)];
        let fuse = Fuse::of_class(Amps(10.0), limits).unwrap();
        assert!((fuse.shortest(Amps(40.0)).unwrap().value() - 4.0).abs() < 1e-12);
        assert!((fuse.longest(Amps(40.0)).unwrap().value() - 128f64.sqrt()).abs() < 1e-12);
        // Beyond the last line I²t is constant: twice the current, a quarter of the time.
        assert!((fuse.shortest(Amps(160.0)).unwrap().value() - 0.25).abs() < 1e-12);
        assert_eq!(fuse.shortest(Amps(19.9)), None);
        assert_eq!(fuse.shortest(Amps(f64::NAN)), None);
    }

    #[test]
    fn a_class_must_fall() {
        let class = |limits: &[Limit]| Fuse::of_class(Amps(10.0), limits.to_vec());
        assert!(class(&STANDARD).is_some() && class(&LARGE).is_some());
        assert!(class(&[]).is_none());
        assert!(class(&[limit(2.0, 1.0, 2.0), limit(3.0, 1.5, 2.0)]).is_none());
        assert!(class(&[limit(3.0, 1.0, 2.0), limit(2.0, 0.5, 2.0)]).is_none());
        assert!(class(&[limit(2.0, 3.0, 2.0)]).is_none());
        assert!(Fuse::of_class(Amps(0.0), STANDARD.to_vec()).is_none());
    }

    proptest! {
        #[test]
        fn more_current_opens_sooner(low in 45f64..400.0, more in 1f64..100.0) {
            for fuse in [Fuse::standard_blade(Amps(40.0)), Fuse::large_blade(Amps(40.0))] {
                let [a, b] = [low, low + more].map(|i| fuse.shortest(Amps(i)).unwrap());
                prop_assert!(a > b && fuse.longest(Amps(low)).is_none_or(|longest| longest > a));
            }
        }
    }
}
