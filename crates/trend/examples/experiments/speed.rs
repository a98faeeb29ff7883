//! Speed: what a cycle, a rebuild, an assessment and a fleet cost.

use crate::world::{FIRST_LEVEL, Wear, car, generator, mixed};
use foldwatch_trend::fleet::{Entry, Order, rank};
use foldwatch_trend::{Assessment, Series, Worse, assess};
use std::time::Instant;

const CARS: usize = 1_000;
const CYCLES: usize = 1_000;

pub fn run() {
    let mut rng = generator(707);
    let cars: Vec<_> = (0..CARS)
        .map(|ix| {
            let noise = mixed(&mut rng);
            let wear = if ix % 10 == 0 { Wear::Steady(0.4 / 1_500.0) } else { Wear::None };
            car(&mut rng, noise, wear, 2.0, CYCLES)
        })
        .collect();
    println!("Speed, {CARS} cars with {CYCLES} cycles of one series, one thread");
    let start = Instant::now();
    let series: Vec<Series> =
        cars.iter().map(|c| Series::build(Worse::Higher, (0..CYCLES).map(|i| c.point(i)), []).0).collect();
    let built = start.elapsed().as_secs_f64();
    println!(
        "rebuild of all series      {built:8.3} s, {:.2} µs a cycle",
        1e6 * built / (CARS * CYCLES) as f64
    );
    for (first, last) in [(500, 600), (9_900, 10_000)] {
        let noise = mixed(&mut rng);
        let c = car(&mut rng, noise, Wear::None, 2.0, last);
        let mut s = c.series(first);
        let start = Instant::now();
        (first..last).for_each(|i| s.push(c.point(i)).unwrap());
        println!(
            "a cycle after {first:5} cycles {:9.2} µs",
            1e6 * start.elapsed().as_secs_f64() / (last - first) as f64
        );
    }
    let start = Instant::now();
    let found: Vec<Assessment> = series
        .iter()
        .zip(&cars)
        .filter_map(|(s, c)| assess(s, c.point(CYCLES - 1).at, Some(1.4 * FIRST_LEVEL)))
        .collect();
    let assessed = start.elapsed().as_secs_f64();
    println!("assessment of all series   {assessed:8.3} s, {:.2} ms each", 1e3 * assessed / CARS as f64);
    let entries: Vec<Entry<'_>> = found
        .iter()
        .map(|assessment| Entry { kind: "roof", series: "phase", worse: Worse::Higher, assessment })
        .collect();
    let start = Instant::now();
    let standings = rank(&entries, found[0].newest_at, Order::Days);
    println!("ranking of {} series      {:8.3} ms", standings.len(), 1e3 * start.elapsed().as_secs_f64());
}
