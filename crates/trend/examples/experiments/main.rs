//! Does the engine keep its word? Simulated fleets with weather, odd cycles and wear; every table is repeatable:
//!
//! `cargo run --release -p foldwatch-trend --example experiments [-- slope|changes|forecast|alarms|warning|compare|speed]`

#![allow(clippy::unwrap_used, reason = "an experiment that cannot be made should stop")]

mod alarms;
mod changes;
mod compare;
mod forecast;
mod slope;
mod speed;
mod warning;
mod world;

/// A name for the command line, and what it runs.
type Experiment = (&'static str, fn());

const EXPERIMENTS: [Experiment; 7] = [
    ("slope", slope::run),
    ("changes", changes::run),
    ("forecast", forecast::run),
    ("alarms", alarms::run),
    ("warning", warning::run),
    ("compare", compare::run),
    ("speed", speed::run),
];

fn main() {
    let wanted: Vec<String> = std::env::args().skip(1).collect();
    for (name, run) in EXPERIMENTS {
        if wanted.is_empty() || wanted.iter().any(|w| w == name) {
            run();
            println!();
        }
    }
}

/// Part of a whole in per cent.
fn percent(part: usize, whole: usize) -> f64 {
    100.0 * part as f64 / whole.max(1) as f64
}

/// The value below which this share lies; NaN of nothing.
fn quantile(values: &mut [f64], share: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    let place = share * values.len().saturating_sub(1) as f64;
    values.get(place.round() as usize).copied().unwrap_or(f64::NAN)
}
