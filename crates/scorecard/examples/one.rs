//! Prints what was true and what was said of one run, cycle by cycle, to find out why the verdict is wrong. Arguments: a seed and
//! a line's beginning as `misses ... full` prints it, as words: roof, rate in Hz, kind of fault, strength.

use foldwatch_scorecard::{Design, play};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let [seed, roof, rate, kind, strength] = args.as_slice() else {
        return Err("seed, roof, rate, kind and strength are wanted".into());
    };
    let (rate, strength): (f64, f64) = (rate.parse()?, strength.parse()?);
    let mut roofs = Vec::new();
    for id in ["hardtop-five", "softtop-cover", "hardtop-six"] {
        let loaded =
            foldwatch_profile::parse(&std::fs::read_to_string(format!("config/profiles/{id}.toml"))?);
        roofs.push(loaded.map_err(|problems| problems[0].to_string())?.profile);
    }
    let runs = Design::full(seed.parse()?).runs(&roofs).into_iter();
    for run in runs.filter(|run| {
        run.scenario.profile.id.as_str() == roof
            && run.scenario.sample_rate_hz == rate
            && run.fault.is_some_and(|(k, s)| k.as_str() == kind && s == strength)
    }) {
        println!(
            "{:?}, oil {} °C, logger {:?}",
            run.scenario.faults, run.scenario.weather.mean_c, run.logger
        );
        let played = play(&run.scenario, &run.logger)?;
        for truth in &played.truth {
            println!("\ntrue: {:?} {:?}, faults {:?}", truth.direction, truth.outcome, truth.faults.len());
            for step in &truth.phases {
                let name = &step.phase.of(&run.scenario.profile).name;
                let took = (step.end_us - step.start_us).0;
                println!("  true {name}: {took:.2} s, confirmed {}", step.confirmed);
            }
            let near = played.verdicts.iter().find(|v| (v.cycle.start - truth.start_us).0.abs() < 3.0);
            let Some(verdict) = near else {
                println!("  no verdict");
                continue;
            };
            println!("told: {:?}", verdict.cycle.outcome);
            for step in &verdict.cycle.phases {
                let name = &step.phase.of(&run.scenario.profile).name;
                let took = (step.end - step.start).0;
                println!(
                    "  {name}: {took:.2} s, driven {:.2}, {:?}, left after {:.2} s",
                    step.driven.0,
                    step.confirmation,
                    (step.left - step.start).0
                );
            }
            for finding in &verdict.judged.findings {
                println!("  {}: {}", finding.kind, finding.message);
            }
            for measure in &verdict.judged.measures {
                if let Some(value) = measure.value.value() {
                    let at = measure.phase.map(|p| format!("{}", p.index)).unwrap_or_default();
                    println!("    {at} {} {value:.4} {}", measure.id, measure.unit);
                }
            }
        }
    }
    Ok(())
}
