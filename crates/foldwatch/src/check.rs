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
    // What is not given stands in the explanation already.
    let odd: Vec<_> = loaded.advice.iter().filter(|advice| advice.found != "not given").collect();
    if !odd.is_empty() {
        text += "\nAdvice:\n";
        for advice in odd {
            text += &format!("  {advice}\n");
        }
    }
    if let Some(columns) = &args.columns {
        let map = crate::input::column_map(columns, &loaded.profile)?;
        text += &format!("\nColumn map {}: {} signals, no error.\n", columns.display(), map.signals.len());
    }
    let blind = loaded.profile.drive_signals().next().is_none();
    let but = if blind { ", but no movement of the roof can be found with it: see above" } else { "" };
    text += &format!("\n{}: no error{but}.", from.display());
    say(text)
}
