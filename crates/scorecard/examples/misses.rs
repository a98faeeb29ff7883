//! Prints every cycle of the shortened scorecard that the verdict got wrong, to be read one by one. Arguments: a roof's
//! profile and a seed.

use foldwatch_scorecard::{Design, see};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let from = std::env::args().nth(1).unwrap_or_else(|| "config/profiles/hardtop-five.toml".to_owned());
    let seed = std::env::args().nth(2).and_then(|s| s.parse().ok()).unwrap_or(1);
    let profile = foldwatch_profile::parse(&std::fs::read_to_string(from)?)
        .map_err(|problems| problems[0].to_string())?
        .profile;
    let design = Design { before: 2, with: 2, ..Design::quick(seed) };
    for run in design.runs(&[profile]) {
        let what = run.fault.map_or("operators".to_owned(), |(kind, s)| format!("{kind} {s}"));
        let place =
            run.scenario.faults.first().map(|fault| format!("{:?}", fault.target)).unwrap_or_default();
        for (n, cycle) in see(&run)?.cycles.iter().enumerate() {
            let wrong: Vec<&str> = cycle.told.iter().filter(|told| !told.1).map(|told| told.0).collect();
            let missed = cycle.asked && !cycle.hit;
            let off =
                cycle.edges.iter().copied().fold(0.0, |a: f64, b| if b.abs() > a.abs() { b } else { a });
            if missed || !wrong.is_empty() || off.abs() > 1.5 || !cycle.ended_right {
                println!(
                    "{what} {place} cycle {n}, edges logged {}: {} {wrong:?}, edges off by {off:.1}, ended right {}, told {:?}",
                    run.logger.edges,
                    if missed { "missed" } else { "" },
                    cycle.ended_right,
                    cycle.told
                );
            }
        }
    }
    Ok(())
}
