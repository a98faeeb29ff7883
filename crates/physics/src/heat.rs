//! Heat of the pump motor: a first-order model from the square of its current.
//!
//! One state, which the current's square drives up and which falls back with one time constant. It is scaled by the two
//! numbers that a maker gives: 1 is where the longest run ends that starts cold at the running current, and the
//! cool-down time takes it from there to 5 %. It knows no winding temperature, and says so.

use foldwatch_units::{Amps, Micros, Seconds};

/// What is left of the heat when the cool-down is over (judgement: three time constants).
const COOLED: f64 = 0.05;

/// A motor's heat.
///
/// ```
/// use foldwatch_physics::heat::Heat;
/// use foldwatch_units::{Amps, Seconds};
/// // A motor of 20 A that may run for 60 s and has then to rest for 8 minutes.
/// let mut heat = Heat::new(Amps(20.0), Seconds(60.0), Seconds(480.0)).unwrap();
/// heat.run(Amps(20.0), Seconds(60.0));
/// assert!((heat.level() - 1.0).abs() < 1e-9);
/// assert!((heat.rest_needed(Seconds(60.0)) - Seconds(480.0)).value().abs() < 60.0);
/// heat.run(Amps(0.0), Seconds(480.0));
/// assert!((heat.level() - 0.05).abs() < 1e-9);
/// ```
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Heat {
    running: Amps,
    tau: Seconds,
    /// Where the state would end at the running current.
    ceiling: f64,
    level: f64,
}

impl Heat {
    /// A cold motor. `None` unless all three are above 0.
    pub fn new(running: Amps, longest_run: Seconds, cool_down: Seconds) -> Option<Heat> {
        let sound = running.value() > 0.0 && longest_run.value() > 0.0 && cool_down.value() > 0.0;
        let tau = cool_down / (1.0 / COOLED).ln();
        let ceiling = 1.0 / (1.0 - (-(longest_run / tau)).exp());
        (sound && ceiling.is_finite()).then_some(Heat { running, tau, ceiling, level: 0.0 })
    }

    /// The state: 0 is cold, 1 the limit of a run.
    pub fn level(&self) -> f64 {
        self.level
    }

    /// Goes on by a span at a constant current (0: rest), and tells the level. NaN counts as rest, and a negative span as none.
    pub fn run(&mut self, current: Amps, span: Seconds) -> f64 {
        let load = current / self.running;
        let end = if load.is_finite() { self.ceiling * load * load } else { 0.0 };
        let keeps = (-(span.max(Seconds(0.0)) / self.tau)).exp();
        self.level = end + (self.level - end) * keeps;
        self.level
    }

    /// Goes on by a recorded current, and tells the highest level on the way.
    pub fn run_trace(&mut self, times: &[Micros], currents: &[f32]) -> f64 {
        let mut highest = self.level;
        for (t, i) in times.windows(2).zip(currents.windows(2)) {
            let square = 0.5 * (f64::from(i[0]).powi(2) + f64::from(i[1]).powi(2));
            highest = highest.max(self.run(Amps(square.sqrt()), t[1] - t[0]));
        }
        highest
    }

    /// How long it may run on at the running current from now on.
    pub fn run_left(&self) -> Seconds {
        // ceiling > 1, so the logarithm's argument is above 0.
        let now = self.level.min(1.0);
        self.tau * ((self.ceiling - now) / (self.ceiling - 1.0)).ln()
    }

    /// How long it has to rest before it may run this long at the running current; at the most the cool-down for
    /// a run of full length, after which it is taken as cold.
    pub fn rest_needed(&self, run: Seconds) -> Seconds {
        // The level from which the run ends at 1 just so.
        let keeps = (-(run.max(Seconds(0.0)) / self.tau)).exp();
        let start = (self.ceiling - (self.ceiling - 1.0) / keeps).max(COOLED);
        if self.level <= start { Seconds(0.0) } else { self.tau * (self.level / start).ln() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn motor() -> Heat {
        Heat::new(Amps(20.0), Seconds(60.0), Seconds(480.0)).unwrap()
    }

    #[test]
    fn what_the_maker_gives_comes_out() {
        let mut heat = motor();
        assert!((heat.run_left().value() - 60.0).abs() < 1e-9);
        heat.run(Amps(20.0), Seconds(25.0));
        assert!((heat.run_left().value() - 35.0).abs() < 1e-9);
        assert_eq!(heat.rest_needed(Seconds(30.0)), Seconds(0.0));
        heat.run(Amps(20.0), Seconds(35.0));
        let needed = heat.rest_needed(Seconds(30.0));
        heat.run(Amps(0.0), needed);
        assert!((heat.run_left().value() - 30.0).abs() < 1e-6);
        // Twice the current, four times the heat: a quarter of the run, or less.
        let mut hard = motor();
        hard.run(Amps(40.0), Seconds(15.0));
        assert!(hard.level() > 1.0);
        assert_eq!(hard.run_left(), Seconds(0.0));
    }

    #[test]
    fn a_trace_adds_up_like_its_mean_square() {
        let times: Vec<Micros> = (0..=600).map(|i| Micros(i * 100_000)).collect();
        let highest = motor().run_trace(&times, &vec![20.0; 601]);
        assert!((highest - 1.0).abs() < 1e-9);
        assert_eq!(motor().run_trace(&times, &vec![f32::NAN; 601]), 0.0);
    }

    #[test]
    fn impossible_motors_are_none() {
        for (i, run, rest) in [(0.0, 60.0, 480.0), (20.0, 0.0, 480.0), (20.0, 60.0, f64::NAN)] {
            assert_eq!(Heat::new(Amps(i), Seconds(run), Seconds(rest)), None);
        }
    }

    proptest! {
        #[test]
        fn pieces_make_no_difference(i in 0f64..60.0, span in 0f64..900.0, cut in 0f64..1.0) {
            let (mut whole, mut pieces) = (motor(), motor());
            whole.run(Amps(i), Seconds(span));
            pieces.run(Amps(i), Seconds(span * cut));
            pieces.run(Amps(i), Seconds(span * (1.0 - cut)));
            prop_assert!((whole.level() - pieces.level()).abs() < 1e-9);
        }
    }
}
