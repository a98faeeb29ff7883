//! Commissioning and guided tests: who runs them, and what of them is kept.

use foldwatch_guide::{Kind, Press, Record};
use foldwatch_store::{Entry, EntryKind, Span};

use crate::app::Desk;
use crate::failure::Failure;
use crate::{causes, own};

/// Who feeds a test with what the car's logger sends: the daemon.
pub trait Guides: Send + Sync {
    /// The test that is under way on a car.
    fn now(&self, car: &str) -> Option<GuideNow>;

    /// Begins one, in the name of `by`.
    ///
    /// # Errors
    /// In words for the person, where this roof can't carry it or one is under way.
    fn begin(&self, car: &str, kind: Kind, by: &str) -> Result<(), String>;

    /// A person's word on step `at`, from 0. `false`: that step is not due, and nothing was taken.
    fn press(&self, car: &str, at: usize, press: Press) -> bool;

    /// The test is over.
    fn end(&self, car: &str);
}

/// A test as it stands.
#[derive(Debug, Clone, PartialEq)]
pub struct GuideNow {
    /// Which test.
    pub kind: Kind,
    /// Its steps: name, and grade and sentence of those that are answered.
    pub steps: Vec<(String, Option<(&'static str, String)>)>,
    /// Which step is due, from 0.
    pub at: usize,
    /// What to do in it; `None`: all are answered.
    pub does: Option<String>,
    /// What can hurt in it.
    pub caution: &'static str,
    /// What a person may say.
    pub presses: Vec<Press>,
    /// What is seen just now.
    pub says: String,
    /// What would be kept.
    pub record: Record,
    /// Who began it; empty: not known.
    pub by: String,
    /// foldwatch was started anew while this step was due: it begins again.
    pub resumed: bool,
}

impl From<&foldwatch_guide::Guide> for GuideNow {
    fn from(guide: &foldwatch_guide::Guide) -> GuideNow {
        GuideNow {
            kind: guide.kind(),
            steps: guide
                .steps()
                .map(|(name, answer)| (name.to_owned(), answer.map(|a| (a.grade.as_str(), a.says.clone()))))
                .collect(),
            at: guide.at(),
            does: guide.does().map(str::to_owned),
            caution: guide.caution(),
            presses: guide.presses().to_vec(),
            says: guide.says(),
            record: guide.record(),
            by: String::new(),
            resumed: false,
        }
    }
}

/// The newest record of each kind that was kept with a car.
pub(crate) fn last(desk: &Desk, car: &str) -> Result<Vec<(Kind, Entry)>, Failure> {
    let entries = desk.catalogue.entries(car, Span::ALL, 1000)?;
    let of = |kind: Kind| {
        let is_it = |e: &&Entry| e.kind == EntryKind::Check && e.subject == kind.as_str();
        entries.iter().rev().map(|(_, entry)| entry).find(is_it).map(|entry| (kind, entry.clone()))
    };
    Ok(Kind::ALL.into_iter().filter_map(of).collect())
}

/// What is under way on a car.
pub(crate) fn under_way(desk: &Desk, car: &str) -> Result<GuideNow, Failure> {
    desk.guides().now(car).ok_or_else(Failure::no_test)
}

/// Begins a test.
pub(crate) fn begin(desk: &Desk, car: &str, test: &str, by: &str) -> Result<(), Failure> {
    let kind = Kind::of(test).ok_or_else(|| {
        Failure::parameter("test", test, &format!("one of {}", Kind::ALL.map(Kind::as_str).join(", ")))
    })?;
    desk.guides().begin(car, kind, by).map_err(|why| Failure::cannot_test(&why))
}

/// Takes a person's word on the step that they see; `false`: it is not due any more.
pub(crate) fn press(desk: &Desk, car: &str, at: Option<usize>, word: &str) -> Result<bool, Failure> {
    let now = under_way(desk, car)?;
    let press = Press::of(word)
        .filter(|press| now.presses.contains(press) || *press == Press::Again)
        .ok_or_else(|| {
            let may: Vec<&str> = now.presses.iter().map(|press| press.as_str()).collect();
            Failure::parameter("press", word, &format!("what may be said of this step: {}", may.join(", ")))
        })?;
    Ok(desk.guides().press(car, at.unwrap_or(now.at), press))
}

/// Keeps what a test gave with the car, and ends it.
pub(crate) fn keep(desk: &Desk, car: &str, author: &str) -> Result<Record, Failure> {
    let now = under_way(desk, car)?;
    causes::plain("author", author)?;
    let at = own::now();
    desk.causes()
        .enter(Entry {
            car: car.to_owned(),
            kind: EntryKind::Check,
            at,
            written: at,
            author: author.to_owned(),
            cycle: None,
            subject: now.record.subject.to_owned(),
            result: now.record.result.to_owned(),
            text: now.record.text.clone(),
            corrects: None,
        })
        .map_err(Failure::internal)?;
    desk.guides().end(car);
    Ok(now.record)
}
