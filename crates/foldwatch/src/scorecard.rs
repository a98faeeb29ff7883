//! `foldwatch scorecard`: how often the verdict is right, measured on simulated roofs.

use std::io::{IsTerminal, Write};
use std::path::Path;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use anyhow::{Context, Result};
use foldwatch_scorecard::{Card, Design, Seen, see};

use crate::cli::{Scorecard, ToRead};
use crate::profiles;

pub fn run(args: &Scorecard) -> Result<()> {
    let roofs = profiles::SHIPPED
        .iter()
        .map(|(id, _)| profiles::load(Path::new(id)).map(|profile| (*profile).clone()))
        .collect::<Result<Vec<_>>>()?;
    let design = if args.quick { Design::quick(args.seed) } else { Design::full(args.seed) };
    let runs = design.runs(&roofs);
    let next = AtomicUsize::new(0);
    let done: Mutex<Vec<Option<Result<Seen>>>> = Mutex::new((0..runs.len()).map(|_| None).collect());
    let progress = std::io::stderr().is_terminal();
    std::thread::scope(|scope| {
        for _ in 0..args.jobs.max(1) {
            scope.spawn(|| {
                loop {
                    let n = next.fetch_add(1, Ordering::Relaxed);
                    let Some(run) = runs.get(n) else { break };
                    let seen = see(run).with_context(|| format!("run {n} can't be computed"));
                    if let Ok(mut done) = done.lock() {
                        done[n] = Some(seen);
                    }
                    if progress {
                        eprint!("\r{} of {} runs", n + 1, runs.len());
                    }
                }
            });
        }
    });
    if progress {
        eprintln!();
    }
    // Added in the runs' order, so that the number of threads changes nothing.
    let mut card = Card::new();
    let done = done.into_inner().unwrap_or_else(std::sync::PoisonError::into_inner);
    for seen in done.into_iter().flatten() {
        card.add(&seen?);
    }
    let mut out = std::io::stdout().lock();
    match args.format {
        ToRead::Table => writeln!(out, "Seed {}, {} runs.\n\n{card}", args.seed, runs.len())?,
        ToRead::Json => {
            serde_json::to_writer_pretty(&mut out, &card)?;
            writeln!(out)?;
        }
    }
    Ok(())
}
