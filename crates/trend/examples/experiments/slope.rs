//! Slope: how far off, and how often the 95 % interval holds the truth.

use crate::world::{FIRST_LEVEL, SORTS, Wear, car, generator, mixed};
use crate::{percent, quantile};
use foldwatch_trend::assess;

const CARS: usize = 1_000;

pub fn run() {
    println!(
        "Slope, {CARS} cars a line, wear of 40 % in 1,000 cycles from the first cycle on, two outings a day"
    );
    println!("noise               cycles  95 % interval holds  off by (median)  off by (9 of 10)  bias");
    for (name, noise) in SORTS {
        let mut rng = generator(101);
        for cycles in [60, 120, 250, 400] {
            let truth = 100.0 * FIRST_LEVEL * 0.4 / 1_000.0;
            let mut held = 0;
            let mut off = Vec::new();
            let mut sum = 0.0;
            for _ in 0..CARS {
                let noise = noise.unwrap_or_else(|| mixed(&mut rng));
                let car = car(&mut rng, noise, Wear::Steady(0.4 / 1_000.0), 2.0, cycles);
                let found = assess(&car.series(cycles), car.point(cycles - 1).at, None).unwrap();
                let slope = found.slope.unwrap().per_100_cycles;
                held += usize::from(slope.low <= truth && truth <= slope.high);
                off.push((slope.value / truth - 1.0).abs());
                sum += slope.value / truth - 1.0;
            }
            println!(
                "{name:18} {cycles:6} {:15.1} % {:16.1} % {:15.1} % {:+8.1} %",
                percent(held, CARS),
                100.0 * quantile(&mut off, 0.5),
                100.0 * quantile(&mut off, 0.9),
                100.0 * sum / CARS as f64,
            );
        }
    }
}
