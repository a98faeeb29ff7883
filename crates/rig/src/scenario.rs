//! What is simulated: which roof, how it is used, in which weather, with which faults, seen by which logger.

use foldwatch_profile::Profile;
use foldwatch_units::{Direction, Micros, Seconds};
use rand::{Rng, SeedableRng};
use rand_pcg::Pcg64Mcg;

use crate::fault::Fault;
use crate::layout::Layout;
use crate::params::RigParams;

/// A whole simulation. The same scenario gives the same log, byte for byte.
#[derive(Debug, Clone)]
pub struct Scenario {
    /// The kind of roof.
    pub profile: Profile,
    /// The one roof: parameters that [`RigParams::from_profile`] gives, or others.
    pub params: RigParams,
    /// Where everything sits.
    pub layout: Layout,
    /// Seed of all chance.
    pub seed: u64,
    /// Rows a second while the roof is driven, from 2 s before to 60 s after; 10 to 500.
    pub sample_rate_hz: f64,
    /// Rows a second during the relaxation after that.
    pub idle_rate_hz: f64,
    /// So long after the last drive the roof is computed and recorded at the idle rate; then the car sleeps, with no
    /// pressure left.
    pub relaxation: Seconds,
    /// Rows a second while the car sleeps.
    pub sleep_rate_hz: f64,
    /// First moment of the log.
    pub start: Micros,
    /// Last moment of the log; the last use is always recorded to its end.
    pub end: Micros,
    /// Uses of the roof, in order of time.
    pub uses: Vec<Use>,
    /// Weather.
    pub weather: Weather,
    /// What is wrong.
    pub faults: Vec<Fault>,
    /// Noise of the sensors, as a factor on the usual one.
    pub noise: f64,
}

/// One use of the roof.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Use {
    /// When the operator presses the button.
    pub at: Micros,
    /// Which way.
    pub direction: Direction,
    /// What the operator does.
    pub operator: Operator,
}

/// What the operator does with the button.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Operator {
    /// Holds it until the roof is done.
    Hold,
    /// Lets go after a while, and leaves it.
    Release(Seconds),
    /// Lets go after a while, and presses again after another.
    Resume(Seconds, Seconds),
    /// After a while goes the other way.
    Reverse(Seconds),
    /// Holds it, and the supply fails after a while; it is back a minute later.
    PowerLoss(Seconds),
    /// Presses it for a while although a permission is missing; its place in the profile.
    Refused(usize, Seconds),
    /// No button: the pump is run for a while without any valve.
    Service(Seconds),
}

/// Temperature around the car.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Weather {
    /// Mean over the year, °C.
    pub mean_c: f64,
    /// Swing of the year around it, K; warmest at the end of July.
    pub season_k: f64,
    /// Swing of the day, K; warmest at three in the afternoon.
    pub day_k: f64,
}

impl Weather {
    /// Always the same.
    pub fn steady(c: f64) -> Weather {
        Weather { mean_c: c, season_k: 0.0, day_k: 0.0 }
    }

    /// At a moment counted from the Unix epoch.
    pub fn at(&self, at: Micros) -> f64 {
        let days = at.as_secs() / 86_400.0;
        let year = ((days - 210.0) / 365.2425 * std::f64::consts::TAU).cos();
        let day = ((days - 15.0 / 24.0) * std::f64::consts::TAU).cos();
        self.mean_c + self.season_k * year + self.day_k * day
    }
}

/// Seconds in a day.
const DAY: f64 = 86_400.0;
/// An invented first day: 2025-06-02T00:00:00Z, a Monday.
const FIRST_DAY: f64 = 1_748_822_400.0;

impl Scenario {
    /// A roof with nothing wrong and no use yet, at the profile's reference temperature.
    pub fn new(profile: &Profile, seed: u64) -> Scenario {
        let layout = Layout::from_profile(profile);
        let params = RigParams::from_profile(profile, &layout);
        let start = Micros::from_secs(FIRST_DAY);
        Scenario {
            profile: profile.clone(),
            params,
            layout,
            seed,
            sample_rate_hz: 100.0,
            idle_rate_hz: 1.0,
            relaxation: Seconds(600.0),
            sleep_rate_hz: 0.1,
            start,
            end: start,
            uses: Vec::new(),
            weather: Weather::steady(profile.reference.oil_temperature.0),
            faults: Vec::new(),
            noise: 1.0,
        }
    }

    /// So many full cycles, opening and closing in turn, some minutes apart.
    pub fn cycles(profile: &Profile, seed: u64, count: u32) -> Scenario {
        let mut scenario = Scenario::new(profile, seed);
        for n in 0..count {
            let at = scenario.start + Seconds(30.0 + 900.0 * f64::from(n));
            let direction = if n % 2 == 0 { Direction::Opening } else { Direction::Closing };
            scenario.uses.push(Use { at, direction, operator: Operator::Hold });
        }
        scenario.end = scenario.start + Seconds(900.0 * f64::from(count));
        scenario
    }

    /// A week of a car that is driven to work and out at the weekend: about 40 cycles, at the temperatures of a
    /// changeable early summer.
    pub fn week(profile: &Profile, seed: u64) -> Scenario {
        let mut scenario = Scenario::new(profile, seed);
        scenario.weather = Weather { mean_c: 11.0, season_k: 9.0, day_k: 7.0 };
        scenario.fill(7, 3);
        scenario
    }

    /// A year of the same car: more use in summer, hardly any in winter.
    pub fn year(profile: &Profile, seed: u64) -> Scenario {
        let mut scenario = Scenario::new(profile, seed);
        scenario.weather = Weather { mean_c: 11.0, season_k: 9.0, day_k: 7.0 };
        scenario.sleep_rate_hz = 1.0 / 60.0;
        scenario.fill(365, 3);
        scenario
    }

    fn fill(&mut self, days: u32, most_pairs: u32) {
        let mut rng = Pcg64Mcg::seed_from_u64(self.seed ^ 0x5eed_0001);
        for day in 0..days {
            let midnight = self.start + Seconds(DAY * f64::from(day));
            let noon = self.weather.at(midnight + Seconds(DAY * 0.5));
            // Nobody opens the roof in the cold, and few on a rainy day.
            let pairs = if noon < 8.0 {
                u32::from(rng.random_bool(0.15))
            } else {
                rng.random_range(2..=most_pairs + 1)
            };
            let mut at = midnight + Seconds(DAY * rng.random_range(0.28..0.33));
            for _ in 0..pairs {
                for direction in [Direction::Opening, Direction::Closing] {
                    self.uses.push(Use { at, direction, operator: Operator::Hold });
                    at = at + Seconds(rng.random_range(1_200.0..6_000.0));
                }
            }
        }
        self.end = self.start + Seconds(DAY * f64::from(days));
    }
}
