//! `foldwatch check`: is this profile right, and what does it say?

use anyhow::{Context, Result};

use crate::cli::Check;
use crate::out::say;
use crate::profiles;

pub fn run(args: &Check) -> Result<()> {
    if args.keys {
        return say(foldwatch_profile::key_reference());
    }
    let from = args.profile.as_deref().context("no profile given")?;
    let loaded = profiles::loaded(from)?;
    let mut text = foldwatch_profile::explain(&loaded.profile);
    if !loaded.advice.is_empty() {
        text += "\nAdvice:\n";
        for advice in &loaded.advice {
            text += &format!("  {advice}\n");
        }
    }
    if let Some(columns) = &args.columns {
        let map = crate::input::column_map(columns, &loaded.profile)?;
        text += &format!("\nColumn map {}: {} signals, no error.\n", columns.display(), map.signals.len());
    }
    text += &format!("\n{}: no error.", from.display());
    say(text)
}
