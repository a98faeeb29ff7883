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
    past: usize,
    not_before: usize,
    not_before_held: usize,
    width_days: Vec<f64>,
}

pub fn run() {
    println!(
        "Forecast, {CARS} cars a line, limit 40 % above the first level, reached after 500 to 1,500 cycles, one to three"
    );
    println!(
        "outings a day; looked at when this part of the way to the limit is worn, and at four moments of each car drawn"
    );
    println!(
        "evenly from its first month to the limit. Stated: 90 % for the interval, 95 % for \"not before\""
    );
    println!(
        "noise               wear              worn      names a date  cycle held  date held  width   not before  held  too early  past"
    );
    let mut all = Count::default();
    for (sort, (name, noise)) in SORTS.into_iter().enumerate() {
        for (what, wear) in WEARS {
            // Every wear for the mixed fleet; the others show that it does not hang on the noise.
            let mixed_fleet = sort == SORTS.len() - 1;
            if !mixed_fleet && what != "steady" {
                continue;
            }
            let mut counts = [0.1, 0.25, 0.5, 0.75].map(|worn| (worn, Count::default()));
            let mut any = Count::default();
            let mut rng = generator(303);
            for _ in 0..CARS {
                let noise = noise.unwrap_or_else(|| mixed(&mut rng));
                let rate = 0.4 / rng.random_range(500.0..1_500.0);
                let outings = rng.random_range(1.0..3.0);
                let car = car(&mut rng, noise, wear(rate), outings, CYCLES);
                let Some(end) = car.levels.iter().position(|l| *l >= LIMIT) else { continue };
                for (worn, count) in &mut counts {
                    let level = FIRST_LEVEL * (1.0 + 0.4 * *worn);
                    count.add(&car, car.levels.iter().position(|l| *l >= level).unwrap_or(end), end);
                }
                for _ in 0..4 {
                    let day = rng.random_range(30.0..car.days[end]);
                    let now = car.days.partition_point(|d| *d < day);
                    any.add(&car, now, end);
                    if mixed_fleet {
                        all.add(&car, now, end);
                    }
                }
            }
            for (worn, count) in &mut counts {
                count.print(name, what, &format!("{:.0} %", 100.0 * *worn));
            }
            any.print(name, what, "any time");
        }
    }
    all.print("mixed fleet", "all four", "any time");
}

impl Count {
    fn add(&mut self, car: &Car, now: usize, end: usize) {
        let at = car.point(now).at;
        let Some(found) = assess(&car.series(now + 1), at, Some(LIMIT)) else { return };
        let truth = When { cycle: end as u64, at: car.point(end).at };
        match found.forecast {
            Forecast::Likely { earliest, latest, .. } => {
                self.named += 1;
                self.cycle_held += usize::from(earliest.cycle <= truth.cycle && truth.cycle <= latest.cycle);
                self.date_held += usize::from(earliest.at <= truth.at && truth.at <= latest.at);
                self.width_days.push((latest.at - earliest.at).0 / 86_400.0);
            }
            Forecast::NotBefore { earliest } => {
                self.not_before += 1;
                self.not_before_held += usize::from(earliest.at <= truth.at);
            }
            Forecast::TooEarly { .. } | Forecast::NoLimit => self.early += 1,
            Forecast::Past { .. } => self.past += 1,
        }
    }

    fn print(&mut self, noise: &str, wear: &str, when: &str) {
        let looks = self.named + self.not_before + self.early + self.past;
        println!(
            "{noise:18}  {wear:17} {when:8} {:9.1} % {:9.1} % {:8.1} % {:6.0} d {:9.1} % {:5.1} % {:7.1} % {:4.1} %",
            percent(self.named, looks),
            percent(self.cycle_held, self.named),
            percent(self.date_held, self.named),
            quantile(&mut self.width_days, 0.5),
            percent(self.not_before, looks),
            percent(self.not_before_held, self.not_before),
            percent(self.early, looks),
            percent(self.past, looks),
        );
    }
}
