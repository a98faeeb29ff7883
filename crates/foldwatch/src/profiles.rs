//! Profiles and column maps from files.

use std::path::Path;
use std::sync::Arc;

use anyhow::{Context, Result, anyhow, bail};
use foldwatch_profile::{Loaded, Problem, Profile};

/// The roofs that come with foldwatch.
pub const SHIPPED: [(&str, &str); 3] = [
    ("hardtop-five", include_str!("../../../config/profiles/hardtop-five.toml")),
    ("softtop-cover", include_str!("../../../config/profiles/softtop-cover.toml")),
    ("hardtop-six", include_str!("../../../config/profiles/hardtop-six.toml")),
];

/// The text of a profile: a file, or the id of a shipped one.
pub fn text(from: &Path) -> Result<String> {
    let shipped = from.to_str().and_then(|id| SHIPPED.iter().find(|(name, _)| *name == id));
    match shipped {
        Some((_, text)) if !from.exists() => Ok((*text).to_owned()),
        _ if matches!(from.try_exists(), Ok(false)) => {
            let known: Vec<&str> = SHIPPED.iter().map(|(name, _)| *name).collect();
            bail!(
                "{}: there is no such file; the roofs that come with foldwatch are {}",
                from.display(),
                known.join(", ")
            )
        }
        _ => read_text(from),
    }
}

/// A checked profile.
pub fn load(from: &Path) -> Result<Arc<Profile>> {
    Ok(Arc::new(loaded(from)?.profile))
}

/// A checked profile with advice.
pub fn loaded(from: &Path) -> Result<Loaded> {
    foldwatch_profile::parse(&text(from)?).map_err(|problems| all(from, &problems))
}

/// Every problem of a file in one error.
pub fn all(from: &Path, problems: &[Problem]) -> anyhow::Error {
    let list: Vec<String> = problems.iter().map(|p| format!("  {p}")).collect();
    let count = match problems.len() {
        1 => "one problem".to_owned(),
        n => format!("{n} problems"),
    };
    anyhow!("{}: {count}\n{}", from.display(), list.join("\n"))
}

/// A text file in UTF-8.
pub fn read_text(from: &Path) -> Result<String> {
    let bytes = std::fs::read(from).with_context(|| format!("{} can't be read", from.display()))?;
    String::from_utf8(bytes).map_err(|error| {
        let at = error.utf8_error().valid_up_to();
        anyhow!("{}: byte {at} is not UTF-8; save the file as UTF-8 text", from.display())
    })
}
