//! `foldwatch simulate`: a log of a simulated roof, with the truth beside it.

use std::io::Write;
use std::path::Path;

use anyhow::{Context, Result, anyhow, bail};
use flate2::Compression;
use flate2::write::GzEncoder;
use foldwatch_profile::{PhaseRef, Profile};
use foldwatch_rig::write::{ColumnsLog, Dialect, WireLog, WireOptions};
use foldwatch_rig::{Fault, FaultKind, Scenario, Target, TruthLine, simulate};
use foldwatch_units::Direction;

use crate::cli::{Simulate, SimulatedEncoding};
use crate::{profiles, whole};

pub fn run(args: &Simulate) -> Result<()> {
    let profile = profiles::load(&args.profile)?;
    let mut scenario = match args.cycles {
        Some(count) => Scenario::cycles(&profile, args.seed, count),
        None => Scenario::week(&profile, args.seed),
    };
    scenario.sample_rate_hz = args.rate_hz;
    scenario.faults = args.faults.iter().map(|text| fault(text, &profile)).collect::<Result<_>>()?;

    let (log, map, truth) = match args.encoding {
        SimulatedEncoding::Columns => {
            let mut writer = ColumnsLog::new(&scenario, Dialect::plain());
            simulate(&scenario, &mut writer)?;
            writer.finish();
            (writer.drain(), Some(writer.map().to_owned()), writer.drain_truth())
        }
        SimulatedEncoding::Packed | SimulatedEncoding::Text => {
            let encoding = match args.encoding {
                SimulatedEncoding::Text => foldwatch_encoder::Encoding::Text,
                _ => foldwatch_encoder::Encoding::Packed,
            };
            let mut writer = WireLog::new(&scenario, WireOptions::new(encoding, &scenario));
            simulate(&scenario, &mut writer)?;
            writer.finish().map_err(|error| anyhow!("the log can't be encoded: {error}"))?;
            (writer.drain(), None, writer.drain_truth())
        }
    };
    save(&args.output, &log)?;
    if let Some(map) = map {
        save(&beside(&args.output, "columns.toml"), map.as_bytes())?;
    }
    let lines: Vec<String> = truth.iter().map(TruthLine::to_json).collect::<Result<_, _>>()?;
    save(&beside(&args.output, "truth.jsonl"), (lines.join("\n") + "\n").as_bytes())?;
    eprintln!("{}: {} bytes, {} lines of truth beside it", args.output.display(), log.len(), lines.len());
    Ok(())
}

/// `KIND[:PHASE-OR-SIGNAL][=STRENGTH]`, the step as `opening/NAME`.
fn fault(text: &str, profile: &Profile) -> Result<Fault> {
    let (what, strength) = match text.split_once('=') {
        Some((what, strength)) => {
            (what, strength.parse().with_context(|| format!("fault `{text}`: `{strength}` is no strength"))?)
        }
        None => (text, 0.5),
    };
    if !(0.0..=1.0).contains(&strength) {
        bail!("fault `{text}`: a strength is between 0 and 1");
    }
    let (name, target) = what.split_once(':').map_or((what, None), |(name, target)| (name, Some(target)));
    let kind = FaultKind::ALL.iter().copied().find(|kind| kind.as_str() == name).ok_or_else(|| {
        let known: Vec<&str> = FaultKind::ALL.iter().map(|kind| kind.as_str()).collect();
        anyhow!("fault `{name}` is not known; one of {}", known.join(", "))
    })?;
    let target = target.map_or(Ok(Target::System), |target| self::target(target, profile))?;
    Ok(Fault::new(kind, target, strength))
}

fn target(text: &str, profile: &Profile) -> Result<Target> {
    if let Some(signal) = profile.find(text) {
        return Ok(Target::Signal(signal));
    }
    let step = text.split_once('/').and_then(|(direction, name)| {
        let direction = match direction {
            "opening" => Direction::Opening,
            "closing" => Direction::Closing,
            _ => return None,
        };
        let index = profile.sequence(direction).iter().position(|phase| phase.name == name)?;
        Some(PhaseRef { direction, index })
    });
    step.map(Target::Step).ok_or_else(|| {
        anyhow!("`{text}` is neither a signal of the profile nor a step written as `opening/NAME` or `closing/NAME`")
    })
}

/// `week.bin.gz` has its truth in `week.truth.jsonl`.
fn beside(log: &Path, ending: &str) -> std::path::PathBuf {
    let name = log.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let stem = name.split('.').next().unwrap_or_default();
    log.with_file_name(format!("{stem}.{ending}"))
}

/// Writes all the bytes of a file; `.gz` is compressed.
fn save(to: &Path, bytes: &[u8]) -> Result<()> {
    whole::write(to, |file| {
        if to.extension().is_some_and(|ending| ending == "gz") {
            let mut gz = GzEncoder::new(file, Compression::best());
            gz.write_all(bytes)?;
            gz.finish()?;
        } else {
            file.write_all(bytes)?;
        }
        Ok(())
    })
}
