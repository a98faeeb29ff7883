//! Archives a made-up week of one car and says how much room it takes, with sums for an independent reader.
//!
//! `cargo run -p foldwatch-store --example week -- FOLDER [continuous]`, then `python3 crates/store/examples/week.py
//! FOLDER`. The week has 16 signals: six numbers quantised to the steps of a 12-bit converter with noise of about one
//! step, ten states; ten cycles a day with 45 s at 100 Hz each, the rest at 1 Hz. `continuous` leaves out the steps:
//! the worst case, for a logger that sends numbers with noise in every digit.

use std::io::Write;
use std::sync::Arc;
use std::time::Instant;

use foldwatch_store::{Car, Day, Position, SampleColumn, Samples, Seal, Source, SqliteStore, Storage};
use foldwatch_units::Micros;

const FIRST: i64 = 1_764_028_800_000_000; // 2025-11-25
const NUMBERS: [(&str, &str, f64); 6] = [
    ("pressure", "bar", 250.0),
    ("pump_current", "A", 100.0),
    ("supply", "V", 20.0),
    ("oil_temperature", "°C", 200.0),
    ("air_temperature", "°C", 200.0),
    ("lid_angle", "deg", 180.0),
];

/// A small generator, so that everybody's week is the same.
struct Noise(u64);

impl Noise {
    fn uniform(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Twelve uniform numbers less six: as good as normal here, standard deviation 1.
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

fn columns() -> Arc<[SampleColumn]> {
    let numbers = NUMBERS.iter().map(|(name, unit, _)| SampleColumn {
        name: (*name).into(),
        unit: (*unit).into(),
        binary: false,
    });
    let state = |at| SampleColumn { name: format!("switch_{at}"), unit: String::new(), binary: true };
    numbers.chain((0..10).map(state)).collect()
}

fn day(number: i64, noise: &mut Noise, continuous: bool) -> Samples {
    let mut all = Samples::new(columns());
    let starts: Vec<i64> =
        (0..10).map(|cycle| 28_000 + cycle * 5_000 + (noise.uniform() * 4_000.0) as i64).collect();
    let mut second = 0;
    while second < 86_400 {
        let cycle = starts.iter().find(|start| (**start..**start + 45).contains(&second));
        let rows = if cycle.is_some() { 100 } else { 1 };
        for row in 0..rows {
            let t = second as f64 + row as f64 / rows as f64;
            let moving = cycle.is_some_and(|start| t < *start as f64 + 20.0);
            let phase = cycle.map_or(0.0, |start| t - *start as f64);
            let jitter = ((noise.uniform() - 0.5) * 60.0) as i64;
            all.times.push(Micros(FIRST + number * 86_400_000_000 + (t * 1e6) as i64 + 100 + jitter));
            all.sources.push(Source {
                logger: "logger-1".into(),
                boot: 3,
                sequence: (number * 86_400 + second) as u64,
            });
            let truth = [
                if moving { 80.0 + 40.0 * (phase * 0.7).sin() + 3.0 * (phase * 234.0).sin() } else { 2.0 },
                if moving { 35.0 + 10.0 * (phase * 0.7 + 0.3).sin() } else { 0.3 },
                12.6 - if moving { 0.8 } else { 0.0 } + 0.2 * (t / 9_000.0).sin(),
                25.0 + 5.0 * (t / 14_000.0).sin(),
                20.0 + 6.0 * (t / 14_000.0 - 1.0).sin(),
                if moving { phase * 5.0 } else { 100.0 },
            ];
            for (at, value) in truth.into_iter().enumerate() {
                let step = NUMBERS[at].2 / 4_096.0;
                let counts = (value / step + noise.normal()).clamp(0.0, 4_095.0);
                let counts = if continuous { counts } else { counts.round() };
                all.values[at].push((counts * step) as f32);
            }
            for at in 0..10 {
                let on = moving && phase > at as f64 * 1.7 && phase < at as f64 * 1.7 + 9.0;
                all.values[6 + at].push(f32::from(u8::from(on)));
            }
        }
        second += 1;
    }
    all
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let folder = arguments.next().ok_or("give a folder for the store")?;
    let continuous = arguments.next().is_some();
    let mut store = SqliteStore::open(&folder)?;
    let car = Car { id: "oak".into(), name: "Oak".into(), profile: "p".into(), recorded: Micros(FIRST) };
    store.put_car(&car)?;
    let mut noise = Noise(88_172_645_463_325_252);
    let (mut rows, mut bytes, mut spent) = (0, 0, 0.0);
    let mut sums = vec![0.0; 16];
    for number in 0..7 {
        let samples = day(number, &mut noise, continuous);
        for (sum, values) in sums.iter_mut().zip(&samples.values) {
            *sum += values.iter().map(|value| f64::from(*value)).sum::<f64>();
        }
        let seal = Seal {
            car: "oak".into(),
            day: Day::of(samples.times[0]).ok_or("no such day")?,
            columns: samples.columns.clone(),
            through: Position(0),
            at: Micros(FIRST),
        };
        let began = Instant::now();
        let sealed = store.seal(&seal, &mut std::iter::once(Ok(samples)))?;
        spent += began.elapsed().as_secs_f64();
        rows += sealed.rows;
        bytes += sealed.bytes;
    }
    let points = rows * 16;
    let a_point = bytes as f64 / points as f64;
    println!(
        "{rows} rows, {points} points, {bytes} bytes: {a_point:.3} bytes a point; sealed in {spent:.1} s"
    );
    let mut out = std::fs::File::create(std::path::Path::new(&folder).join("sums.txt"))?;
    writeln!(out, "rows {rows}")?;
    for (column, sum) in columns().iter().zip(sums) {
        writeln!(out, "{} {sum:.6}", column.name)?;
    }
    Ok(())
}
