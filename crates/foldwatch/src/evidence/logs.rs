//! Evidence out of logs, and what lies in a bag read again.

use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use anyhow::{Result, anyhow};
use foldwatch_columns::ColumnMap;
use foldwatch_evidence::{AnyError, Chain, Material, Original, Originals, Recording, Reread};
use foldwatch_profile::Profile;
use foldwatch_samples::{Sink, Through};

use super::again;
use crate::input;

/// Logs as `analyze` reads them.
pub struct Logs {
    pub logs: Vec<PathBuf>,
    pub profile: Arc<Profile>,
    pub columns: Option<ColumnMap>,
}

impl Material for Logs {
    fn count(&self) -> usize {
        self.logs.len()
    }

    fn read(&mut self, recording: usize, sink: &mut dyn Sink) -> Result<Recording, AnyError> {
        let log = &self.logs[recording];
        let reading = input::read(log, &self.profile, self.columns.as_ref(), &mut Through(sink))?;
        Ok(Recording {
            name: log.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default(),
            encoding: reading.encoding.to_owned(),
            checked: reading.timeline.is_some(),
            notes: reading.notes,
            clock: None,
            timeline: reading.timeline,
        })
    }

    fn chain(&mut self) -> Chain<'_> {
        let original = |(n, log): (usize, &PathBuf)| {
            let name = format!("{}{}", n + 1, endings(log));
            let log = log.clone();
            Original { name, open: Box::new(move || Ok(Box::new(File::open(log)?) as Box<dyn Read>)) }
        };
        Chain::Logs(self.logs.iter().enumerate().map(original).collect())
    }
}

/// `.bin.gz`: what the name says of the kind of file, in letters that any system takes.
fn endings(log: &Path) -> String {
    let name = log.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let plain =
        |part: &&str| !part.is_empty() && part.len() <= 8 && part.chars().all(|c| c.is_ascii_alphanumeric());
    let parts: Vec<&str> = name.split('.').skip(1).collect();
    let kept: Vec<&str> = parts.into_iter().rev().take(2).take_while(plain).collect();
    kept.into_iter().rev().map(|part| format!(".{}", part.to_ascii_lowercase())).collect()
}

/// Reads what lies in a bag as it was read when the bag was made.
pub struct Again;

impl Reread for Again {
    fn material(&self, of: Originals) -> Result<Box<dyn Material>, AnyError> {
        if let Some((reading, journal)) = of.store {
            return Ok(Box::new(again::Again::new(of.files, of.profile, &reading, journal)?));
        }
        let map = |text: String| {
            ColumnMap::parse(&text, &of.profile).map_err(|problems| {
                let list: Vec<String> = problems.iter().map(ToString::to_string).collect();
                anyhow!("`data/columns.toml` is no column map: {}", list.join("; "))
            })
        };
        let columns = of.columns.map(map).transpose()?;
        Ok(Box::new(Logs { logs: of.files, profile: of.profile, columns }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_keeps_what_it_says_of_the_kind_of_file() {
        let of = |name: &str| endings(Path::new(name));
        assert_eq!(of("week.bin.gz"), ".bin.gz");
        assert_eq!(of("/a.b/Jane's car.CSV"), ".csv");
        assert_eq!(of("2025.06.02 of Jane.log"), ".log");
        assert_eq!(of("log"), "");
        assert_eq!(of("x./.."), "");
    }
}
