//! Simulated cars: how often they are used, what the weather leaves in the corrected times, and how they wear.
//!
//! Everything is drawn from one seeded generator, so the same seed gives the same cars.

use foldwatch_trend::{Point, Series, Worse};
use foldwatch_units::Micros;
use rand::{Rng, SeedableRng};
use rand_distr::{Distribution, LogNormal, Normal, Poisson};
use rand_pcg::Pcg64Mcg;

/// How one car's times scatter about its level, as shares of the level.
#[derive(Clone, Copy)]
pub struct Noise {
    /// Independent from cycle to cycle.
    pub white: f64,
    /// Lasting part: standard deviation and lasting time in days.
    pub weather: (f64, f64),
    /// Correlation with the cycle before, of the independent part; 0 for none.
    pub per_cycle: f64,
    /// Half the swing over the year that the correction misses.
    pub season: f64,
    /// Share of cycles that something disturbs: 5 to 40 % longer.
    pub outliers: f64,
}

/// Named sorts of noise, for the tables; the last is none of them: every car draws its own.
pub const SORTS: [(&str, Option<Noise>); 6] = [
    ("independent", Some(WHITE)),
    ("with outliers", Some(Noise { outliers: 0.02, ..WHITE })),
    ("cycle to cycle 0.4", Some(Noise { per_cycle: 0.4, outliers: 0.01, ..WHITE })),
    ("weather", Some(Noise { white: 0.022, weather: (0.011, 4.0), outliers: 0.01, ..WHITE })),
    (
        "rough weather",
        Some(Noise { white: 0.03, weather: (0.02, 5.0), season: 0.005, outliers: 0.02, ..WHITE }),
    ),
    ("mixed fleet", None),
];

const WHITE: Noise = Noise { white: 0.025, weather: (0.0, 1.0), per_cycle: 0.0, season: 0.0, outliers: 0.0 };

/// A car of the mixed fleet.
pub fn mixed(rng: &mut Pcg64Mcg) -> Noise {
    Noise {
        white: rng.random_range(0.015..0.035),
        weather: (rng.random_range(0.0..0.02), rng.random_range(1.0..8.0)),
        per_cycle: if rng.random_bool(0.25) { 0.3 } else { 0.0 },
        season: rng.random_range(0.0..0.005),
        outliers: rng.random_range(0.0..0.02),
    }
}

/// How the level grows with the cycles since the last repair.
#[derive(Clone, Copy)]
pub enum Wear {
    /// Not at all.
    None,
    /// By this share of the first level a cycle, from the first cycle on.
    Steady(f64),
    /// From some cycle on.
    From(f64, f64),
    /// As the square of the cycles: twice as fast at each doubling. The share reached after 1,000 cycles.
    Growing(f64),
    /// Steady, but the rate wanders: each 50 cycles have their own, log-normal with this spread.
    Wandering(f64, f64),
}

/// One car's one phase.
pub struct Car {
    /// Days since the beginning, one a cycle, rising.
    pub days: Vec<f64>,
    /// Corrected times in seconds.
    pub values: Vec<f64>,
    /// The level behind them.
    pub levels: Vec<f64>,
}

pub const FIRST_LEVEL: f64 = 4.0;

/// A car with `outings` a day on average, for so many cycles.
pub fn car(rng: &mut Pcg64Mcg, noise: Noise, wear: Wear, outings: f64, cycles: usize) -> Car {
    let days = usage(rng, outings, cycles);
    let mut rates = Vec::new();
    if let Wear::Wandering(_, spread) = wear {
        let draw = LogNormal::new(-spread * spread / 2.0, spread).unwrap();
        rates = (0..=cycles / 50).map(|_| draw.sample(rng)).collect();
    }
    let mut grown = 0.0;
    let levels: Vec<f64> = (0..cycles)
        .map(|c| {
            let c_f = c as f64;
            let share = match wear {
                Wear::None => 0.0,
                Wear::Steady(rate) => rate * c_f,
                Wear::From(start, rate) => rate * (c_f - start).max(0.0),
                Wear::Growing(share) => share * (c_f / 1_000.0).powi(2),
                Wear::Wandering(rate, _) => {
                    grown += rate * rates[c / 50];
                    grown
                }
            };
            FIRST_LEVEL * (1.0 + share)
        })
        .collect();
    let unit = Normal::new(0.0, 1.0).unwrap();
    let (sd, lasting) = noise.weather;
    let mut weather: f64 = sd * unit.sample(rng);
    let mut chained: f64 = noise.white * unit.sample(rng);
    let turn = rng.random_range(0.0..std::f64::consts::TAU);
    let mut before = days[0];
    let values = days
        .iter()
        .zip(&levels)
        .map(|(day, level)| {
            let fade = (-(day - before) / lasting).exp();
            before = *day;
            weather = fade * weather + sd * (1.0 - fade * fade).sqrt() * unit.sample(rng);
            let fresh: f64 = noise.white * unit.sample(rng);
            chained = noise.per_cycle * chained + (1.0 - noise.per_cycle.powi(2)).sqrt() * fresh;
            let season = noise.season * (turn + std::f64::consts::TAU * day / 365.25).sin();
            let odd = if rng.random_bool(noise.outliers) { rng.random_range(0.05..0.4) } else { 0.0 };
            level * (weather + chained + season + odd).exp()
        })
        .collect();
    Car { days, values, levels }
}

/// Moments of the cycles: some days none, some days several; every week and every season has its own pace.
fn usage(rng: &mut Pcg64Mcg, outings: f64, cycles: usize) -> Vec<f64> {
    let pace = LogNormal::new(-0.045, 0.3).unwrap();
    let turn = rng.random_range(0.0..std::f64::consts::TAU);
    let mut days = Vec::with_capacity(cycles);
    let mut day = 0u32;
    let mut week_pace = 1.0;
    while days.len() < cycles {
        if day.is_multiple_of(7) {
            week_pace = pace.sample(rng);
        }
        let season = 1.0 + 0.3 * (turn + std::f64::consts::TAU * f64::from(day) / 365.25).sin();
        let today = Poisson::new(outings * week_pace * season).unwrap().sample(rng) as usize;
        let mut hours: Vec<f64> = (0..today).map(|_| rng.random_range(7.0..21.0)).collect();
        hours.sort_by(f64::total_cmp);
        days.extend(hours.into_iter().map(|h| f64::from(day) + h / 24.0));
        day += 1;
    }
    days.truncate(cycles);
    days
}

impl Car {
    /// The cycle as the engine gets it. Cycles are counted from 0.
    pub fn point(&self, cycle: usize) -> Point {
        let value = self.values[cycle];
        Point { cycle: cycle as u64, at: moment(self.days[cycle]), value, raw: value }
    }

    /// All cycles before some cycle.
    pub fn series(&self, cycles: usize) -> Series {
        let mut series = Series::new(Worse::Higher);
        for cycle in 0..cycles {
            series.push(self.point(cycle)).unwrap();
        }
        series
    }
}

pub fn moment(days: f64) -> Micros {
    Micros::from_secs(days * 86_400.0)
}

/// Added to every seed. The engine's settings were chosen with other draws than those of the tables.
const DRAW: u64 = 20_000;

pub fn generator(seed: u64) -> Pcg64Mcg {
    Pcg64Mcg::seed_from_u64(DRAW + seed)
}
