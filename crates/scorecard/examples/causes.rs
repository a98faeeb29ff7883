//! Plays a week with each kind of fault on each shipped roof, and prints how well the causes were told.
//!
//! `cargo run --release -p foldwatch-scorecard --example causes -- [SEED] [KIND]`

use foldwatch_cause::{FOUND, Table, diagnose};
use foldwatch_rig::{FaultKind, Scenario};
use foldwatch_scorecard::Logger;
use foldwatch_scorecard::causes::{brier, draw, rank, right_causes};
use rand::SeedableRng;

fn main() {
    let mut args = std::env::args().skip(1);
    let seed: u64 = args.next().and_then(|s| s.parse().ok()).unwrap_or(1);
    let only = args.next();
    let table = Table::shipped();
    let logger = Logger { edges: true, absent: Vec::new() };
    let (mut weeks, mut first, mut three, mut error) = (0.0, 0.0, 0.0, 0.0);
    let (mut sound, mut quiet, mut slowest) = (0, 0, 0.0f64);
    for name in ["hardtop-five", "softtop-cover", "hardtop-six"] {
        let text = std::fs::read_to_string(format!("config/profiles/{name}.toml")).expect("profile");
        let profile = foldwatch_profile::parse(&text).expect("sound").profile;
        let kinds = FaultKind::ALL.iter().map(|k| Some(*k));
        for (n, kind) in std::iter::once(None).chain(kinds).enumerate() {
            if only.as_deref().is_some_and(|only| kind.map_or("none", FaultKind::as_str) != only) {
                continue;
            }
            let mut rng = rand_pcg::Pcg64Mcg::seed_from_u64(seed * 1000 + n as u64);
            let fault = kind.and_then(|kind| draw(&profile, kind, &mut rng));
            let mut scenario = Scenario::week(&profile, seed);
            scenario.faults = fault.into_iter().collect();
            let played = match foldwatch_scorecard::play(&scenario, &logger) {
                Ok(played) => played,
                Err(error) => {
                    println!("{name} {kind:?}: {error}");
                    continue;
                }
            };
            let clock = std::time::Instant::now();
            let diagnosis = diagnose(&table, &profile, &played.evidence, &[]);
            slowest = slowest.max(clock.elapsed().as_secs_f64());
            let wrong = fault.filter(|f| !right_causes(f.kind).is_empty());
            let told: Vec<String> = diagnosis
                .causes
                .iter()
                .take(4)
                .map(|c| format!("{} {} {:.2}", c.cause, c.at, c.probability))
                .collect();
            let mut off = 0.0;
            let verdict = match wrong {
                None => {
                    sound += 1;
                    let nothing = diagnosis.causes.iter().all(|c| c.probability <= FOUND);
                    quiet += i32::from(nothing);
                    if nothing { "quiet".to_owned() } else { "FALSE CALL".to_owned() }
                }
                Some(fault) => {
                    weeks += 1.0;
                    off = brier(&profile, Some(&fault), &diagnosis);
                    error += off;
                    let rank = rank(&profile, &fault, &diagnosis);
                    first += f64::from(u8::from(rank == Some(0)));
                    three += f64::from(u8::from(rank.is_some_and(|r| r < 3)));
                    match rank {
                        Some(0) => "first".to_owned(),
                        Some(n) => format!("AT {}", n + 1),
                        None => "MISSED".to_owned(),
                    }
                }
            };
            let what = fault.map_or("none".to_owned(), |f| {
                format!("{} {} {:.2}", f.kind, foldwatch_scorecard::causes::place(&profile, &f), f.strength)
            });
            println!("{name:13} {what:52} {verdict:10} {off:.2} {}", told.join("; "));
            if only.is_some() {
                for cause in diagnosis.causes.iter().take(4) {
                    println!("  {:.2} {} {}", cause.probability, cause.name, cause.label);
                    cause.supports.iter().for_each(|s| println!("      for: {s}"));
                    cause.against.iter().for_each(|s| println!("      against: {s}"));
                }
                diagnosis.unexplained.iter().for_each(|s| println!("   unexplained: {s}"));
                println!("   next: {:?}", diagnosis.next.map(|next| next.check));
            }
        }
    }
    println!(
        "right cause first {:.2}, in the first three {:.2}, Brier {:.3} over {weeks} weeks; {quiet} of {sound} sound weeks quiet; \
         slowest diagnosis {:.1} ms",
        first / weeks,
        three / weeks,
        error / weeks,
        1000.0 * slowest
    );
}
