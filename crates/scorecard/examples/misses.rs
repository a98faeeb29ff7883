//! Prints every cycle that the verdict got wrong, to be read one by one. Arguments: a seed, then `quick` for the shortened
//! scorecard, `full` for the whole one, `rates` for one with two strengths at each rate, or a kind of fault, at five strengths and three rates.

use foldwatch_scorecard::{Card, Design, see};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut args = std::env::args().skip(1);
    let seed = args.next().and_then(|s| s.parse().ok()).unwrap_or(1);
    let what = args.next().unwrap_or_else(|| "quick".to_owned());
    let mut roofs = Vec::new();
    for id in ["hardtop-five", "softtop-cover", "hardtop-six"] {
        let loaded =
            foldwatch_profile::parse(&std::fs::read_to_string(format!("config/profiles/{id}.toml"))?);
        roofs.push(loaded.map_err(|problems| problems[0].to_string())?.profile);
    }
    let design = match what.as_str() {
        "quick" => Design::quick(seed),
        "full" => Design::full(seed),
        "rates" => Design { strengths: vec![0.6, 1.0], sound_weeks: 0, ..Design::full(seed) },
        _ => Design {
            strengths: vec![0.5, 0.6, 0.7, 0.85, 1.0],
            rates_hz: vec![50.0, 100.0, 200.0],
            sound_weeks: 0,
            ..Design::full(seed)
        },
    };
    let one_kind = !["quick", "full", "rates"].contains(&what.as_str());
    let mut card = Card::new();
    for run in design.runs(&roofs) {
        if one_kind && run.fault.is_none_or(|(kind, _)| kind.as_str() != what) {
            continue;
        }
        let seen = see(&run)?;
        card.add(&seen);
        let what = run.fault.map_or("operators".to_owned(), |(kind, s)| format!("{kind} {s}"));
        let place =
            run.scenario.faults.first().map(|fault| format!("{:?}", fault.target)).unwrap_or_default();
        if seen.invented > 0 {
            println!(
                "{} {} Hz {:.0} C {what} {place}: {} cycles that never were",
                run.scenario.profile.id,
                run.scenario.sample_rate_hz,
                run.scenario.weather.mean_c,
                seen.invented
            );
        }
        for (n, cycle) in seen.cycles.iter().enumerate() {
            let wrong: Vec<&str> = cycle.told.iter().filter(|told| !told.1).map(|told| told.0).collect();
            let missed = cycle.asked && !cycle.hit;
            let off = cycle
                .edges
                .iter()
                .map(|e| e.from_shown)
                .fold(0.0, |a: f64, b| if b.abs() > a.abs() { b } else { a });
            if missed || !wrong.is_empty() || off.abs() > 1.001 || !cycle.ended_right {
                println!(
                    "{} {} Hz {:.0} C {what} {place} cycle {n}, edges logged {}: {} {wrong:?}, edges off by {off:.1}, ended right {}, told {:?}",
                    run.scenario.profile.id,
                    run.scenario.sample_rate_hz,
                    run.scenario.weather.mean_c,
                    run.logger.edges,
                    if missed { "missed" } else { "" },
                    cycle.ended_right,
                    cycle.told
                );
            }
        }
    }
    println!("{card}");
    Ok(())
}
