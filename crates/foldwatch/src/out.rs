//! Lines to standard output, the way that all commands tell what is not a table.

use std::fmt::Display;
use std::io::{self, Write};

use anyhow::{Context, Result};

/// A text, and a line's end where it has none. Whoever reads no further than the first lines has no need of the rest: a
/// pipe that nobody reads is no failure, and what a command does besides is done to its end.
pub fn say(text: impl Display) -> Result<()> {
    let text = text.to_string();
    let end = if text.ends_with('\n') { "" } else { "\n" };
    let mut out = io::stdout().lock();
    match write!(out, "{text}{end}").and_then(|()| out.flush()) {
        Err(error) if error.kind() != io::ErrorKind::BrokenPipe => {
            Err(error).context("standard output can't be written")
        }
        _ => Ok(()),
    }
}

/// `1 cycle`, `2 cycles`.
pub fn counted(count: usize, what: &str) -> String {
    if count == 1 { format!("1 {what}") } else { format!("{count} {what}s") }
}
