//! Plays weeks of the shipped roofs and prints where the verdict and the truth differ.

use foldwatch_rig::Scenario;

fn main() {
    let seed = std::env::args().nth(1).and_then(|s| s.parse().ok()).unwrap_or(1);
    for name in ["hardtop-five", "softtop-cover", "hardtop-six"] {
        let text = std::fs::read_to_string(format!("config/profiles/{name}.toml")).expect("profile");
        let profile = foldwatch_profile::parse(&text).expect("sound").profile;
        let clock = std::time::Instant::now();
        let played = foldwatch_scorecard::play(&Scenario::week(&profile, seed)).expect("computed");
        println!(
            "{name}: {} true cycles, {} found, {:.1} s",
            played.truth.len(),
            played.verdicts.len(),
            clock.elapsed().as_secs_f64()
        );
        for (n, verdict) in played.verdicts.iter().enumerate() {
            let truth = played.truth.iter().min_by_key(|t| (t.start_us.0 - verdict.cycle.start.0).abs());
            let Some(truth) = truth else { continue };
            let start = (verdict.cycle.start - truth.start_us).0;
            if start.abs() > 0.011
                || truth.direction != verdict.cycle.direction
                || format!("{:?}", truth.outcome) != format!("{:?}", verdict.cycle.outcome)
            {
                println!(
                    "  #{n} start {start:.3} {:?} {:?} against {:?} {:?}",
                    truth.direction, truth.outcome, verdict.cycle.direction, verdict.cycle.outcome
                );
            }
            if truth.phases.len() != verdict.cycle.phases.len() {
                println!(
                    "  #{n} phases {} against {}: {:?}",
                    truth.phases.len(),
                    verdict.cycle.phases.len(),
                    verdict.cycle.phases.iter().map(|p| p.phase.index).collect::<Vec<_>>()
                );
            }
            for (t, p) in truth.phases.iter().zip(&verdict.cycle.phases) {
                let (a, b) = ((p.start - t.start_us).0, (p.end - t.end_us).0);
                if a.abs() > 0.011
                    || b.abs() > 0.011
                    || t.confirmed != (p.confirmation.as_str() == "confirmed")
                {
                    println!(
                        "  #{n} {} start {a:+.3} end {b:+.3} {:?} true {}",
                        t.name, p.confirmation, t.confirmed
                    );
                }
            }
            for f in &verdict.judged.findings {
                println!("  #{n} {} [{}] oil {:.0}: {}", f.kind, f.weight.as_str(), truth.oil_c, f.message);
            }
        }
    }
}
