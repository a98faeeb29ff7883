//! What may be behind the findings of a car, what to look at next, and the results of such looks.

use foldwatch_report::Diagnosis;
use foldwatch_store::{Entry, EntryKind, Span};
use foldwatch_units::Micros;

use crate::app::Desk;
use crate::failure::Failure;

/// Who knows what the cycles of a car showed: the daemon.
pub trait Causes: Send + Sync {
    /// Ranks the causes by all that a car's cycles showed and by the results (check, result) of what was looked at
    /// since; `None` where no such car is watched. Blocks.
    fn diagnosis(&self, car: &str, results: &[(String, String)]) -> Option<Diagnosis>;

    /// Keeps what a person wrote. Blocks until it is on disk.
    ///
    /// # Errors
    /// In words, for the log.
    fn enter(&self, entry: Entry) -> Result<(), String>;
}

/// A look at the car, and what it gave.
#[derive(Debug, Clone, serde::Deserialize, utoipa::ToSchema)]
pub(crate) struct Looked {
    /// Which check: `output-follows`, `switch-place:lid_open`.
    pub check: String,
    /// Which of its results.
    pub result: String,
    /// Who looked.
    #[serde(default)]
    pub author: String,
    /// What else is worth knowing.
    #[serde(default)]
    pub text: String,
}

impl Looked {
    /// Whoever is signed in looked, where nobody else is named.
    pub fn by(mut self, caller: &foldwatch_access::Caller) -> Looked {
        if self.author.trim().is_empty() {
            self.author.clone_from(&caller.name);
        }
        self
    }
}

/// Longest of each text that is taken.
const LONGEST: usize = 2000;
/// Entries that are looked through.
const ENTRIES: u32 = 1000;

/// The results of checks since the last work on the car; of one check the last. What was seen before a repair says
/// nothing of the roof after it.
fn results(desk: &Desk, car: &str) -> Result<Vec<(String, String)>, Failure> {
    let span = Span { from: Micros::MIN, until: Micros::MAX };
    let entries = desk.catalogue.entries(car, span, ENTRIES)?;
    let corrected: Vec<u64> = entries.iter().filter_map(|(_, e)| e.corrects).collect();
    let serviced = entries.iter().filter(|(_, e)| e.kind == EntryKind::Service).map(|(_, e)| e.at).max();
    let mut out: Vec<(String, String)> = Vec::new();
    for (number, entry) in &entries {
        // The record of a guided test is no check of the table.
        let of_table = foldwatch_guide::Kind::of(&entry.subject).is_none();
        let counts = entry.kind == EntryKind::Check && of_table && serviced.is_none_or(|at| entry.at > at);
        if counts && !corrected.contains(number) {
            out.retain(|(check, _)| *check != entry.subject);
            out.push((entry.subject.clone(), entry.result.clone()));
        }
    }
    Ok(out)
}

/// The diagnosis of a car with what was looked at so far.
pub(crate) fn diagnosis(desk: &Desk, car: &str) -> Result<Diagnosis, Failure> {
    let results = results(desk, car)?;
    Ok(desk.causes().diagnosis(car, &results).unwrap_or_default())
}

/// Refuses what is no text that a person writes.
pub(crate) fn plain(name: &str, text: &str) -> Result<(), Failure> {
    if text.len() > LONGEST || text.chars().any(|c| c.is_control() && c != '\n') {
        return Err(Failure::parameter(name, "too long or no text", "up to 2000 bytes of text"));
    }
    Ok(())
}

/// Takes a result in, and gives the diagnosis with it.
pub(crate) fn enter(desk: &Desk, car: &str, looked: Looked, now: Micros) -> Result<Diagnosis, Failure> {
    plain("author", &looked.author)?;
    plain("text", &looked.text)?;
    let mut results = results(desk, car)?;
    results.retain(|(check, _)| *check != looked.check);
    results.push((looked.check.clone(), looked.result.clone()));
    let found = desk.causes().diagnosis(car, &results).ok_or_else(|| Failure::unknown_car(car))?;
    let said = format!("{}={}", looked.check, looked.result);
    if found.unused_results.contains(&said) {
        return Err(Failure::parameter(
            "check and result",
            &said,
            "a check of this roof with one of its results",
        ));
    }
    let entry = Entry {
        car: car.to_owned(),
        kind: EntryKind::Check,
        at: now,
        written: now,
        author: looked.author,
        cycle: None,
        subject: looked.check,
        result: looked.result,
        text: looked.text,
        corrects: None,
    };
    desk.causes().enter(entry).map_err(Failure::internal)?;
    Ok(found)
}
