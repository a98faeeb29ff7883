//! Writes a scenario's log in every form, with the truth beside it:
//! `cargo run --release -p foldwatch-rig --example logs -- PROFILE.toml FOLDER cycles|week [SEED] [FAULT TARGET STRENGTH]`
//! where TARGET is `-`, a signal's id, or `opening:2` for a step.

use std::fs;
use std::path::Path;

use foldwatch_encoder::Encoding;
use foldwatch_profile::{PhaseRef, Profile};
use foldwatch_rig::write::{ColumnsLog, Dialect, WireLog, WireOptions};
use foldwatch_rig::{Fault, FaultKind, Scenario, Target, TruthLine, simulate};
use foldwatch_units::Direction;

fn target(profile: &Profile, text: &str) -> Target {
    if let Some((direction, step)) = text.split_once(':') {
        let direction = if direction == "opening" { Direction::Opening } else { Direction::Closing };
        return Target::Step(PhaseRef { direction, index: step.parse().unwrap_or(0) });
    }
    profile.find(text).map_or(Target::System, Target::Signal)
}

fn truth(lines: Vec<TruthLine>) -> Result<String, serde_json::Error> {
    let lines: Result<Vec<String>, _> = lines.iter().map(TruthLine::to_json).collect();
    lines.map(|l| l.join("\n") + "\n")
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let args: Vec<String> = std::env::args().collect();
    let text = fs::read_to_string(&args[1])?;
    let profile = foldwatch_profile::parse(&text).map_err(|e| format!("{e:?}"))?.profile;
    let seed = args.get(4).and_then(|s| s.parse().ok()).unwrap_or(1);
    let mut scenario = match args[3].as_str() {
        "week" => Scenario::week(&profile, seed),
        _ => Scenario::cycles(&profile, seed, 4),
    };
    for three in args.get(5..).unwrap_or_default().chunks_exact(3) {
        let kind = FaultKind::ALL.iter().find(|k| k.as_str() == three[0]).ok_or("no such fault")?;
        scenario.faults.push(Fault::new(*kind, target(&profile, &three[1]), three[2].parse()?));
    }
    let folder = Path::new(&args[2]);
    fs::create_dir_all(folder)?;
    for (encoding, name) in [(Encoding::Packed, "log.fwp"), (Encoding::Text, "log.txt")] {
        let mut log = WireLog::new(&scenario, WireOptions::new(encoding, &scenario));
        simulate(&scenario, &mut log)?;
        log.finish()?;
        fs::write(folder.join(name), log.drain())?;
        fs::write(folder.join("truth.jsonl"), truth(log.drain_truth())?)?;
    }
    for (name, dialect) in Dialect::several() {
        let mut log = ColumnsLog::new(&scenario, dialect);
        simulate(&scenario, &mut log)?;
        log.finish();
        fs::write(folder.join(format!("{name}.csv")), log.drain())?;
        fs::write(folder.join(format!("{name}.toml")), log.map())?;
    }
    Ok(())
}
