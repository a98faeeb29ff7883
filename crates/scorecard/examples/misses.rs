//! Prints every cycle of the shortened scorecard that the verdict got wrong, to be read one by one. Arguments: a seed,
//! then profiles; the shipped ones where none is named, as the scorecard itself has them.

use foldwatch_scorecard::{Design, see};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut args = std::env::args().skip(1);
    let seed = args.next().and_then(|s| s.parse().ok()).unwrap_or(1);
    let mut files: Vec<String> = args.collect();
    if files.is_empty() {
        let shipped = ["hardtop-five", "softtop-cover", "hardtop-six"];
        files = shipped.iter().map(|id| format!("config/profiles/{id}.toml")).collect();
    }
    let mut roofs = Vec::new();
    for file in files {
        let loaded = foldwatch_profile::parse(&std::fs::read_to_string(file)?);
        roofs.push(loaded.map_err(|problems| problems[0].to_string())?.profile);
    }
    let design = Design::quick(seed);
    for run in design.runs(&roofs) {
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
                    "{} {what} {place} cycle {n}, edges logged {}: {} {wrong:?}, edges off by {off:.1}, ended right {}, told {:?}",
                    run.scenario.profile.id,
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
