//! Forecast: how often the stated interval holds the cycle and the date at which the level truly reaches the limit.

use crate::world::{Car, FIRST_LEVEL, SORTS, Wear, car, generator, mixed};
use crate::{percent, quantile};
use foldwatch_trend::{Forecast, When, assess};
use rand::Rng;

const CARS: usize = 400;
const LIMIT: f64 = 1.4 * FIRST_LEVEL;
const CYCLES: usize = 2_500;

/// What it is called, and the wear that reaches 40 % at about this rate.
type NamedWear = (&'static str, fn(f64) -> Wear);

const WEARS: [NamedWear; 4] = [
    ("steady", Wear::Steady),
    ("from some cycle", |rate| Wear::From(150.0, rate)),
    ("rate wanders 0.3", |rate| Wear::Wandering(rate, 0.3)),
    ("growing as square", |rate| Wear::Growing(0.4 * (rate / 0.4 * 1_000.0).powi(2))),
];

#[derive(Default)]
struct Count {
    named: usize,
    cycle_held: usize,
    date_held: usize,
    early: usize,
    early_wrong: usize,
    not_before: usize,
    not_before_held: usize,
    width_days: Vec<f64>,
}

pub fn run() {
    println!(
        "Forecast, {CARS} cars a line, limit 40 % above the first level, reached after 500 to 1,500 cycles, one to three"
    );
    println!(
        "outings a day; looked at when this part of the way to the limit is worn. Stated: 90 % for the interval, 95 % for"
    );
    println!("\"not before\". \"Too early\" says nothing, so it can't be wrong");
    println!(
        "noise               wear              worn   names a date  cycle held  date held  width   not before  held  too early"
    );
    for (sort, (name, noise)) in SORTS.into_iter().enumerate() {
        for (what, wear) in WEARS {
            // The full grid for the mixed fleet; the others show that it does not hang on the noise.
            if sort != SORTS.len() - 1 && what != "steady" {
                continue;
            }
            let mut counts: Vec<(f64, Count)> = [0.1, 0.25, 0.5, 0.75].map(|w| (w, Count::default())).into();
            let mut rng = generator(303);
            for _ in 0..CARS {
                let noise = noise.unwrap_or_else(|| mixed(&mut rng));
                let rate = 0.4 / rng.random_range(500.0..1_500.0);
                let outings = rng.random_range(1.0..3.0);
                let car = car(&mut rng, noise, wear(rate), outings, CYCLES);
                for (worn, count) in &mut counts {
                    look(&car, *worn, count);
                }
            }
            for (worn, mut c) in counts {
                let looks = c.named + c.not_before + c.early;
                println!(
                    "{name:18}  {what:17} {:3.0} % {:11.1} % {:9.1} % {:8.1} % {:6.0} d {:9.1} % {:5.1} % {:7.1} %",
                    100.0 * worn,
                    percent(c.named, looks),
                    percent(c.cycle_held, c.named),
                    percent(c.date_held, c.named),
                    quantile(&mut c.width_days, 0.5),
                    percent(c.not_before, looks),
                    percent(c.not_before_held, c.not_before),
                    percent(c.early, looks),
                );
                assert!(c.early_wrong == 0);
            }
        }
    }
}

fn look(car: &Car, worn: f64, count: &mut Count) {
    let level = |share: f64| FIRST_LEVEL * (1.0 + 0.4 * share);
    let Some(now) = car.levels.iter().position(|l| *l >= level(worn)) else { return };
    let Some(end) = car.levels.iter().position(|l| *l >= LIMIT) else { return };
    let at = car.point(now).at;
    let Some(found) = assess(&car.series(now + 1), at, Some(LIMIT)) else { return };
    let truth = When { cycle: end as u64, at: car.point(end).at };
    match found.forecast {
        Forecast::Likely { earliest, latest, .. } => {
            count.named += 1;
            count.cycle_held += usize::from(earliest.cycle <= truth.cycle && truth.cycle <= latest.cycle);
            count.date_held += usize::from(earliest.at <= truth.at && truth.at <= latest.at);
            count.width_days.push((latest.at - earliest.at).0 / 86_400.0);
        }
        Forecast::NotBefore { earliest } => {
            count.not_before += 1;
            count.not_before_held += usize::from(earliest.at <= truth.at);
        }
        Forecast::TooEarly { .. } => count.early += 1,
        Forecast::Past { .. } => {
            count.named += 1;
        }
        Forecast::NoLimit => count.early_wrong += 1,
    }
}
