//! Plays a week with each kind of fault on each shipped roof, and prints how well the causes were told: for each week the
//! fault, the right cause's rank, the squared error of the probabilities, the largest change of anything measured against
//! the same week without the fault (ln), and the causes told. A fault that changes nothing by 10 % can't be seen: a
//! profile's figures come from few roofs, which differ by that (judgment). Each week is another roof of its kind.
//!
//! `cargo run --release -p foldwatch-scorecard --example causes -- [SEED] [all|KIND] [from the cycle]`: without the last, it
//! is wrong from the first cycle on, and nothing usual is known of the car.

use foldwatch_cause::{FOUND, Table, diagnose};
use foldwatch_rig::{FaultKind, Scenario};
use foldwatch_scorecard::Logger;
use foldwatch_scorecard::causes::{brier, change as change_of, draw, rank, right_causes};
use rand::SeedableRng;

fn main() {
    let mut args = std::env::args().skip(1);
    let seed: u64 = args.next().and_then(|s| s.parse().ok()).unwrap_or(1);
    let only = args.next().filter(|kind| kind != "all");
    let from: u32 = args.next().and_then(|n| n.parse().ok()).unwrap_or(0);
    let table = Table::shipped();
    let logger = Logger { edges: true, absent: Vec::new() };
    // All weeks, and those in which the fault changes something.
    let mut tallies = [Tally::default(); 2];
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
            let fault = kind.and_then(|kind| draw(&profile, kind, &mut rng)).map(|f| f.from_cycle(from));
            let mut scenario = Scenario::week(&profile, seed);
            // No two roofs of a kind are alike, and the profile's figures are those of the kind.
            scenario.params = scenario.params.varied(&profile, &mut rng);
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
            let twin = Scenario { faults: Vec::new(), ..scenario.clone() };
            let change = fault.and_then(|_| foldwatch_scorecard::play(&twin, &logger).ok());
            let change = change.map_or(0.0, |twin| change_of(&played, &twin));
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
                    off = brier(&profile, Some(&fault), &diagnosis);
                    let rank = rank(&profile, &fault, &diagnosis);
                    // What is late or noisy by degrees is asked for as any other fault of a degree.
                    let by_degrees = matches!(fault.kind, FaultKind::SwitchLate | FaultKind::NoisySensor);
                    let discrete = fault.kind.is_of_a_switch() || fault.kind.is_of_the_logger();
                    let seen = change >= 0.1 || discrete && !by_degrees;
                    tallies[0].add(rank, off);
                    if seen {
                        tallies[1].add(rank, off);
                    }
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
            println!("{name:13} {what:52} {verdict:10} {off:.2} {change:.2} {}", told.join("; "));
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
    for (tally, of) in tallies.iter().zip(["all", "those in which the fault changes anything by 10 %"]) {
        println!("{tally} over {of}, {} weeks", tally.weeks);
    }
    println!("{quiet} of {sound} sound weeks quiet; slowest diagnosis {:.1} ms", 1000.0 * slowest);
}

#[derive(Clone, Copy, Default)]
struct Tally {
    weeks: f64,
    first: f64,
    three: f64,
    error: f64,
}

impl Tally {
    fn add(&mut self, rank: Option<usize>, error: f64) {
        self.weeks += 1.0;
        self.first += f64::from(u8::from(rank == Some(0)));
        self.three += f64::from(u8::from(rank.is_some_and(|rank| rank < 3)));
        self.error += error;
    }
}

impl std::fmt::Display for Tally {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let of = |sum: f64| sum / self.weeks;
        write!(
            out,
            "right cause first {:.3}, in the first three {:.3}, Brier {:.3}",
            of(self.first),
            of(self.three),
            of(self.error)
        )
    }
}
