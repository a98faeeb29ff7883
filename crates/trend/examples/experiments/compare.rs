//! Before and after: false verdicts where nothing changed, and how often a true change is told.

use crate::percent;
use crate::world::{SORTS, Wear, car, generator, mixed};
use foldwatch_trend::{Verdict, Worse, compare};

const CARS: usize = 1_000;

pub fn run() {
    println!("Before and after, {CARS} cars a line, two outings a day, a week between; worth knowing: 5 %");
    println!("noise               cycles     change   better  worse  no change  can't tell  interval holds");
    for (name, noise) in SORTS {
        for (before, after) in [(6, 6), (30, 15), (60, 60)] {
            for change in [0.0, -0.03, -0.1] {
                let mut rng = generator(606);
                let (mut better, mut worse, mut none, mut open, mut held) = (0, 0, 0, 0, 0);
                for _ in 0..CARS {
                    let noise = noise.unwrap_or_else(|| mixed(&mut rng));
                    let mut car = car(&mut rng, noise, Wear::None, 2.0, before + after + 14);
                    car.values[before..].iter_mut().for_each(|v| *v *= 1.0 + change);
                    let lot =
                        |from: usize, n: usize| (from..from + n).map(|c| car.point(c)).collect::<Vec<_>>();
                    let found = compare(&lot(0, before), &lot(before + 14, after), Worse::Higher).unwrap();
                    match found.verdict {
                        Verdict::Better => better += 1,
                        Verdict::Worse => worse += 1,
                        Verdict::NoChangeShown => none += 1,
                        Verdict::CannotTell { .. } => open += 1,
                    }
                    let truth = crate::world::FIRST_LEVEL * change;
                    held += usize::from(found.shift.low <= truth && truth <= found.shift.high);
                }
                println!(
                    "{name:18} {before:3} + {after:3} {:+8.0} % {:7.1} {:6.1} {:9.1} {:11.1} {:13.1} %",
                    100.0 * change,
                    percent(better, CARS),
                    percent(worse, CARS),
                    percent(none, CARS),
                    percent(open, CARS),
                    percent(held, CARS),
                );
            }
        }
    }
}
