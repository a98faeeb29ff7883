//! `foldwatch demo`: a week of an invented car through a pseudo-terminal, exactly as its logger would send it.

use std::io::Read;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use anyhow::{Context, Result, anyhow};
use flate2::read::GzDecoder;
use foldwatch_collect::{Player, Port, play, recorded};
use foldwatch_report::Cycle;
use foldwatch_store::{Catalogue, CycleQuery, SqliteReader};
use foldwatch_wire::FrameId;
use indicatif::{ProgressBar, ProgressStyle};
use serialport::{SerialPort, TTYPort};

use crate::cli::Demo;
use crate::out::say;
use crate::serve::asked_to_stop;
use crate::watch::access::OWNER;
use crate::watch::settings::{CarSettings, Disk, Keep, Limits, LogForm, Settings, USUAL_BAUD};
use crate::{analyze, export, watch};

/// The week, as the invented car's logger kept it.
const WEEK: &[u8] = include_bytes!("../../../sample-logs/packed/week.bin.gz");
/// The invented car.
const CAR: (&str, &str, &str) = ("harbour-2", "Harbour 2, the red one", "hardtop-five");
/// The verdicts of the last frames are there when nothing new came for so long.
const SETTLED: Duration = Duration::from_millis(800);

pub fn run(args: &Demo) -> Result<()> {
    let passing = tempfile::tempdir().context("no room for the demo's data")?;
    let data = args.data.clone().unwrap_or_else(|| passing.path().join("data"));
    let frames = frames()?;
    let (mut master, slave) = TTYPort::pair().context("this system has no pseudo-terminals")?;
    master.set_timeout(Duration::from_millis(2))?;
    let name = slave.name().context("the pseudo-terminal has no name")?;
    let profile = PathBuf::from(CAR.2);
    let settings = Settings {
        data: data.clone(),
        // A key for play: what the demo signs is evidence of nothing.
        keys: Some(passing.path().join("keys")),
        listen: args.listen,
        ports: vec![Port { name: name.clone(), baud: USUAL_BAUD, encoding: None }],
        lines: Vec::new(),
        alarms: None,
        tls: None,
        limits: Limits::default(),
        disk: Disk::default(),
        keep: Keep::default(),
        log_form: LogForm::Text,
        cars: vec![CarSettings::new(CAR.0, CAR.1, &profile, Vec::new())?],
    };
    let runtime = tokio::runtime::Runtime::new().context("the demo can't be started")?;
    runtime.block_on(async {
        let watch = watch::start(settings).await?;
        eprintln!(
            "A week of an invented car, from its logger at {name} into {}; pages at http://{}/",
            data.display(),
            watch.address
        );
        let over = Arc::new(AtomicBool::new(false));
        let stop = Arc::clone(&over);
        let playing = tokio::task::spawn_blocking(move || -> Result<Player> {
            let mut player = Player::new(foldwatch_encoder::Encoding::Packed, frames);
            let bar = bar(player.progress().frames);
            play(&mut player, &mut master, &mut |player| {
                bar.set_position(player.progress().acknowledged as u64);
                !player.is_done() && !stop.load(Ordering::Relaxed)
            })
            .context("the pseudo-terminal failed")?;
            bar.finish_and_clear();
            // The line stays open: a logger that has told everything is still there.
            std::mem::forget(master);
            Ok(player)
        });
        tokio::select! {
            played = playing => { played??; }
            () = asked_to_stop() => {
                over.store(true, Ordering::Relaxed);
                return watch.until(std::future::ready(())).await;
            }
        }
        let cycles = settled(&data).await?;
        say(format!("{}\n{}", foldwatch_report::table::text(&cycles), analyze::summary(&cycles, false)))?;
        if args.once {
            return watch.until(std::future::ready(())).await;
        }
        say(format!("Look at http://{}/ in a browser; Ctrl-C ends the demo.", watch.address))?;
        if let Some(password) = &watch.first_password {
            say(format!(
                "To enter what a check gave, sign in there as {OWNER} with the password {password}"
            ))?;
        }
        watch.until(asked_to_stop()).await
    })?;
    drop(slave);
    Ok(())
}

fn bar(frames: usize) -> ProgressBar {
    let bar = ProgressBar::new(frames as u64);
    let style = ProgressStyle::with_template("{wide_bar} {pos}/{len} frames, {eta} left");
    bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
    bar
}

/// The week's frames, each with its bytes.
fn frames() -> Result<Vec<(FrameId, Vec<u8>)>> {
    let mut bytes = Vec::new();
    GzDecoder::new(WEEK).read_to_end(&mut bytes).context("the week can't be unpacked")?;
    recorded(&bytes).map_err(|damage| anyhow!("the week is damaged: {damage}"))
}

/// The cycles in the store, once no more are coming.
async fn settled(data: &std::path::Path) -> Result<Vec<Cycle>> {
    let folder = data.to_owned();
    tokio::task::spawn_blocking(move || {
        let reader = SqliteReader::open(&folder)?;
        let query = CycleQuery {
            car: Some(CAR.0.into()),
            newest_first: false,
            limit: 10_000,
            ..CycleQuery::default()
        };
        let mut before = usize::MAX;
        let mut since = Instant::now();
        loop {
            let list = reader.cycles(&query)?;
            if list.len() != before {
                before = list.len();
                since = Instant::now();
            } else if since.elapsed() >= SETTLED {
                return list.iter().map(|one| export::cycle(&reader, CAR.0, one.start)).collect();
            }
            std::thread::sleep(Duration::from_millis(50));
        }
    })
    .await?
}
