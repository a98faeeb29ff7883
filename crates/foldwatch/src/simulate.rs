//! `foldwatch simulate`: a log of a simulated roof, with the truth beside it.

use std::io::Write;
use std::path::Path;
use std::time::{Duration, Instant};

use anyhow::{Context, Result, anyhow, bail};
use flate2::Compression;
use flate2::write::GzEncoder;
use foldwatch_collect::{self as collect, Player};
use foldwatch_encoder::Encoding;
use foldwatch_profile::{PhaseRef, Profile};
use foldwatch_rig::write::{ColumnsLog, Dialect, WireLog, WireOptions};
use foldwatch_rig::{Fault, FaultKind, Scenario, Target, TruthLine, simulate};
use foldwatch_units::{Direction, Seconds};
use serialport::{SerialPort, TTYPort};

use crate::cli::{Simulate, SimulatedEncoding};
use crate::watch::replay::decode;
use crate::{profiles, whole};

pub fn run(args: &Simulate) -> Result<()> {
    let profile = profiles::load(&args.profile)?;
    let mut scenario = match args.cycles {
        Some(count) => Scenario::cycles(&profile, args.seed, count),
        None => Scenario::week(&profile, args.seed),
    };
    scenario.sample_rate_hz = args.rate_hz;
    scenario.faults = args.faults.iter().map(|text| fault(text, &profile)).collect::<Result<_>>()?;

    if let Some(speed) = args.play {
        return play(&scenario, encoding(args.encoding), speed);
    }
    let output = args.output.as_deref().context("no file to write to")?;
    let (log, map, truth) = match args.encoding {
        SimulatedEncoding::Columns => {
            let mut writer = ColumnsLog::new(&scenario, Dialect::plain());
            simulate(&scenario, &mut writer)?;
            writer.finish();
            (writer.drain(), Some(writer.map().to_owned()), writer.drain_truth())
        }
        SimulatedEncoding::Packed | SimulatedEncoding::Text => {
            let mut writer = WireLog::new(&scenario, WireOptions::new(encoding(args.encoding), &scenario));
            simulate(&scenario, &mut writer)?;
            writer.finish().map_err(|error| anyhow!("the log can't be encoded: {error}"))?;
            (writer.drain(), None, writer.drain_truth())
        }
    };
    save(output, &log)?;
    if let Some(map) = map {
        save(&beside(output, "columns.toml"), map.as_bytes())?;
    }
    let lines: Vec<String> = truth.iter().map(TruthLine::to_json).collect::<Result<_, _>>()?;
    save(&beside(output, "truth.jsonl"), (lines.join("\n") + "\n").as_bytes())?;
    eprintln!("{}: {} bytes, {} lines of truth beside it", output.display(), log.len(), lines.len());
    Ok(())
}

fn encoding(chosen: SimulatedEncoding) -> Encoding {
    if chosen == SimulatedEncoding::Text { Encoding::Text } else { Encoding::Packed }
}

/// Sends each frame when its logger would.
fn play(scenario: &Scenario, encoding: Encoding, speed: f64) -> Result<()> {
    let mut writer = WireLog::new(scenario, WireOptions::new(encoding, scenario));
    simulate(scenario, &mut writer)?;
    writer.finish().map_err(|error| anyhow!("the log can't be encoded: {error}"))?;
    let mut frames = writer.drain_timed().into_iter().peekable();
    let (mut master, slave) = TTYPort::pair().context("this system has no pseudo-terminals")?;
    master.set_timeout(Duration::from_millis(2))?;
    eprintln!("The logger speaks at {}; Ctrl-C ends it.", slave.name().unwrap_or_default());
    let mut player = Player::new(encoding, []);
    let begun = Instant::now();
    collect::play(&mut player, &mut master, &mut |player| {
        let now = scenario.start + Seconds(begun.elapsed().as_secs_f64() * speed);
        while let Some((_, raw)) = frames.next_if(|(at, _)| *at <= now) {
            // A frame that the scenario has damaged has no identity: it goes by as it is.
            if let Some((id, _)) = decode(&raw) {
                player.add(id, raw);
            }
        }
        frames.peek().is_some() || !player.is_done()
    })
    .context("the pseudo-terminal failed")
}

/// `KIND[:TARGET][=STRENGTH][@CYCLE][+CYCLES][~CHANCE]`, a step as `opening/NAME`.
fn fault(text: &str, profile: &Profile) -> Result<Fault> {
    let (rest, chance) = number(text, text, '~')?;
    let (rest, over) = number(rest, text, '+')?;
    let (rest, from) = number(rest, text, '@')?;
    let (what, strength) = number(rest, text, '=')?;
    let (strength, chance) = (strength.unwrap_or(0.5), chance.unwrap_or(1.0));
    if !(0.0..=1.0).contains(&strength) || !(0.0..=1.0).contains(&chance) {
        bail!("fault `{text}`: strength and chance are between 0 and 1");
    }
    let (name, target) = what.split_once(':').map_or((what, None), |(name, target)| (name, Some(target)));
    let kind = FaultKind::ALL.iter().copied().find(|kind| kind.as_str() == name).ok_or_else(|| {
        let known: Vec<&str> = FaultKind::ALL.iter().map(|kind| kind.as_str()).collect();
        anyhow!("fault `{name}` is not known; one of {}", known.join(", "))
    })?;
    let target = target.map_or(Ok(Target::System), |target| self::target(target, profile))?;
    let mut fault = Fault::new(kind, target, strength);
    if let Some(cycle) = from {
        fault = fault.from_cycle(cycle as u32);
    }
    if let Some(cycles) = over {
        fault = fault.over(cycles as u32);
    }
    Ok(fault.now_and_then(chance))
}

/// What stands before a mark, and the number behind it, if the mark is there.
fn number<'a>(text: &'a str, whole: &str, mark: char) -> Result<(&'a str, Option<f64>)> {
    let Some((before, behind)) = text.rsplit_once(mark) else { return Ok((text, None)) };
    match behind.parse::<f64>() {
        Ok(number) if number >= 0.0 => Ok((before, Some(number))),
        _ => bail!("fault `{whole}`: `{behind}` behind `{mark}` is no number"),
    }
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
