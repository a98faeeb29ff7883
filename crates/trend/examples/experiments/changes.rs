//! Changes: how often a well or steadily wearing car shows one that is not there, and how often a true one is found.

use crate::percent;
use crate::world::{SORTS, Wear, car, generator, mixed};
use foldwatch_trend::{Kind, assess};

const CARS: usize = 400;
const CYCLES: usize = 300;

pub fn run() {
    println!("Changes, {CARS} cars a line, {CYCLES} cycles, step at cycle 200, two outings a day");
    println!(
        "noise                what happens       some step shown  step found within 5 cycles  some bend shown"
    );
    for (name, noise) in SORTS {
        for (what, wear, step) in [
            ("nothing", Wear::None, 0.0),
            ("steady wear", Wear::Steady(0.4 / 1_000.0), 0.0),
            ("step of 5 %", Wear::None, -0.05),
            ("step of 10 %", Wear::None, -0.10),
            ("step of 20 %", Wear::None, -0.20),
            ("wear from 150 on", Wear::From(150.0, 1.0 / 1_000.0), 0.0),
        ] {
            let mut rng = generator(202);
            let (mut steps, mut near, mut bends) = (0, 0, 0);
            for _ in 0..CARS {
                let noise = noise.unwrap_or_else(|| mixed(&mut rng));
                let mut car = car(&mut rng, noise, wear, 2.0, CYCLES);
                car.values[200..].iter_mut().for_each(|v| *v *= 1.0 + step);
                let found = assess(&car.series(CYCLES), car.point(CYCLES - 1).at, None).unwrap().changes;
                let is_step = |c: &&foldwatch_trend::Change| c.kind == Kind::Step;
                steps += usize::from(found.iter().any(|c| is_step(&c)));
                near += usize::from(found.iter().filter(is_step).any(|c| c.cycle.abs_diff(200) <= 5));
                bends += usize::from(found.iter().any(|c| c.kind == Kind::Bend));
            }
            println!(
                "{name:18}   {what:17} {:13.1} % {:22.1} % {:18.1} %",
                percent(steps, CARS),
                percent(near, CARS),
                percent(bends, CARS)
            );
        }
    }
}
