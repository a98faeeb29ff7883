//! `foldwatch check`: is this profile right, and what does it say?

use anyhow::{Context, Result};

use crate::cli::Check;
use crate::profiles;

pub fn run(args: &Check) -> Result<()> {
    if args.keys {
        print!("{}", foldwatch_profile::key_reference());
        return Ok(());
    }
    let from = args.profile.as_deref().context("no profile given")?;
    let loaded = profiles::loaded(from)?;
    print!("{}", foldwatch_profile::explain(&loaded.profile));
    if !loaded.advice.is_empty() {
        println!("\nAdvice:");
        for advice in &loaded.advice {
            println!("  {advice}");
        }
    }
    if let Some(columns) = &args.columns {
        let map = crate::input::column_map(columns, &loaded.profile)?;
        println!("\nColumn map {}: {} signals, no error.", columns.display(), map.signals.len());
    }
    println!("\n{}: no error.", from.display());
    Ok(())
}
