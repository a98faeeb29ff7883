//! False alarms: healthy cars for a year.

use crate::percent;
use crate::world::{FIRST_LEVEL, SORTS, Wear, car, generator, mixed};
use foldwatch_trend::fleet::{Call, Entry, Order, rank};
use foldwatch_trend::watch::{expected_false_alarms, run_lengths};
use foldwatch_trend::{Assessment, Series, Worse, assess};
use rand::Rng;

const CARS: usize = 500;
const PHASES: usize = 12;
const LIMIT: f64 = 1.4 * FIRST_LEVEL;

pub fn run() {
    let (cusum, ewma) = run_lengths();
    println!(
        "Watch: with the baseline known, {cusum:.0} cycles between false alarms of the CUSUM, {ewma:.0} of the EWMA;"
    );
    println!(
        "with a baseline learned from 40 independent cycles, {:.3} false alarms of a series in 730 cycles",
        expected_false_alarms(730.0, 1.0 / 40f64.sqrt())
    );
    println!(
        "False alarms, {CARS} healthy cars with {PHASES} series each, one year, one to four outings a day"
    );
    println!("noise               alarms per car-year  cars with any");
    for (name, noise) in SORTS {
        let mut rng = generator(404);
        let (mut given, mut cars) = (0, 0);
        for _ in 0..CARS {
            let noise = noise.unwrap_or_else(|| mixed(&mut rng));
            let outings = rng.random_range(1.0..4.0);
            let mut of_car = 0;
            for _ in 0..PHASES {
                let series = year(&mut rng, noise, outings);
                of_car += series.watch().alarms_given() as usize;
            }
            given += of_car;
            cars += usize::from(of_car > 0);
        }
        println!("{name:18} {:20.3} {:14.1} %", given as f64 / CARS as f64, percent(cars, CARS));
    }
    calls();
}

fn year(rng: &mut rand_pcg::Pcg64Mcg, noise: crate::world::Noise, outings: f64) -> Series {
    let car = car(rng, noise, Wear::None, outings, (outings * 365.0) as usize);
    car.series(car.values.len())
}

/// The same cars as a fleet that is looked through once a month: what would have been called.
fn calls() {
    const SOME: usize = 100;
    let mut rng = generator(405);
    let cars: Vec<(usize, crate::world::Car)> = (0..SOME)
        .flat_map(|id| {
            let noise = mixed(&mut rng);
            let outings = rng.random_range(1.0..4.0);
            (0..PHASES)
                .map(|_| (id, car(&mut rng, noise, Wear::None, outings, (outings * 365.0) as usize)))
                .collect::<Vec<_>>()
        })
        .collect();
    let mut series: Vec<Series> = cars.iter().map(|_| Series::new(Worse::Higher)).collect();
    let mut called = [false; SOME];
    for month in 1..=12 {
        let now = f64::from(month) * 365.0 / 12.0;
        for ((_, car), series) in cars.iter().zip(&mut series) {
            let from = series.total() as usize;
            for cycle in (from..car.days.len()).take_while(|c| car.days[*c] < now) {
                series.push(car.point(cycle)).unwrap();
            }
        }
        let at = crate::world::moment(now);
        let found: Vec<Option<Assessment>> = series.iter().map(|s| assess(s, at, Some(LIMIT))).collect();
        let (ids, entries): (Vec<usize>, Vec<Entry<'_>>) = cars
            .iter()
            .zip(&found)
            .filter_map(|((id, _), a)| {
                let assessment = a.as_ref()?;
                Some((*id, Entry { kind: "roof", series: "phase", worse: Worse::Higher, assessment }))
            })
            .unzip();
        for standing in rank(&entries, at, Order::Days) {
            called[ids[standing.entry]] |= standing.call == Call::Book;
        }
    }
    let any = called.iter().filter(|c| **c).count();
    println!(
        "Calls to book, {SOME} healthy cars of the mixed fleet looked through once a month for a year: {any} cars called"
    );
}
