//! Bags of evidence: which there are of a car, and the wish for another one. Making and keeping them is the daemon's.

use std::io::Read;

use foldwatch_report::{parse_utc, rfc3339};
use foldwatch_units::Micros;

use crate::failure::Failure;

/// Who makes bags and keeps them. All calls may block.
pub trait Evidence: Send + Sync {
    /// The bags of a car, newest first, with one that is being made.
    fn bags(&self, car: &str) -> Vec<Bag>;

    /// Begins to make one. It goes on by itself; [`Evidence::bags`] tells how far it is.
    ///
    /// # Errors
    /// Why it can't be begun.
    fn make(&self, car: &str, wanted: Wanted) -> Result<Bag, NotMade>;

    /// Stops one that is being made: nothing of it is kept. `false`: it is not being made.
    fn stop(&self, car: &str, number: u32) -> bool;

    /// The bytes of a bag that is made, and how many.
    fn open(&self, car: &str, number: u32) -> Option<(Box<dyn Read + Send>, u64)>;

    /// Fingerprint and PEM of the public key; the first call makes a key where there is none.
    ///
    /// # Errors
    /// Why there is none, in words for the log.
    fn key(&self) -> Result<(String, String), String>;
}

/// Where nobody makes evidence: pages that stand on no folder.
pub struct NoEvidence;

impl Evidence for NoEvidence {
    fn bags(&self, _: &str) -> Vec<Bag> {
        Vec::new()
    }

    fn make(&self, _: &str, _: Wanted) -> Result<Bag, NotMade> {
        Err(NotMade::Refused("No evidence is made here.".to_owned()))
    }

    fn stop(&self, _: &str, _: u32) -> bool {
        false
    }

    fn open(&self, _: &str, _: u32) -> Option<(Box<dyn Read + Send>, u64)> {
        None
    }

    fn key(&self) -> Result<(String, String), String> {
        Err("nothing is signed here".to_owned())
    }
}

/// Why no bag is made.
#[derive(Debug, thiserror::Error)]
pub enum NotMade {
    /// One at a time.
    #[error("another bag is being made")]
    Busy,
    /// It can't be done as asked; what to do, for whoever asked.
    #[error("{0}")]
    Refused(String),
    /// The text is for the log.
    #[error("{0}")]
    Failed(String),
}

/// What a bag is to hold.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Wanted {
    /// Which time, or which cycles.
    pub stretch: Stretch,
    /// `owner`, `service`, `originals`.
    pub leave_out: Vec<&'static str>,
    /// The report on US Letter instead of A4.
    pub letter: bool,
    /// The bag that this one corrects.
    pub revises: Option<u32>,
}

/// Which part of what was recorded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stretch {
    /// From one moment up to another; open where not given.
    Time(Option<Micros>, Option<Micros>),
    /// From one cycle to another, counted from the car's first as 1.
    Cycles(u32, u32),
}

/// How it stands with a bag.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize, utoipa::ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Stage {
    /// Under way.
    Making,
    /// There to be downloaded.
    Made,
    /// Nothing came of it.
    Failed,
}

/// A bag of evidence.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize, utoipa::ToSchema)]
pub struct Bag {
    /// Of the car, from 1. A correction has a number of its own.
    pub number: u32,
    /// How it stands.
    pub stage: Stage,
    /// How far it is, what is in it, or why nothing came of it.
    pub says: String,
    /// How much of the work is done, 0 to 1; absent once it is over.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub done: Option<f64>,
    /// Which part of what was recorded, in words.
    pub stretch: String,
    /// What was left out.
    pub left_out: Vec<String>,
    /// The bag that this one corrects.
    pub revises: Option<u32>,
    /// Size of the zip; absent until it is made.
    pub size_bytes: Option<u64>,
    /// Cycles in it.
    pub cycles: Option<u64>,
    /// Findings in it.
    pub findings: Option<u64>,
    /// SHA-256 of the tag manifest: names the bag among all others.
    pub tag_manifest_sha256: Option<String>,
    /// The end of the chain over what was recorded, as it stands in the bag.
    pub chain_head: Option<String>,
    /// The end of the chain over the days in the archive.
    pub seals_head: Option<String>,
    /// Fingerprint of the key that has signed it.
    pub key_fingerprint: Option<String>,
}

/// What is asked for: by a program as JSON, by a page as a form. All of it may be left out.
#[derive(Debug, Clone, Default, serde::Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Wish {
    /// Not before this moment, RFC 3339.
    #[serde(default)]
    pub from: String,
    /// Before this moment, RFC 3339.
    #[serde(default)]
    pub until: String,
    /// Instead of times: `12-20`, counted from the car's first cycle.
    #[serde(default)]
    pub cycles: String,
    /// `yes`: without what may tell whose car it is, and without the originals, which carry names.
    #[serde(default)]
    pub without_owner: String,
    /// `yes`: without the service record.
    #[serde(default)]
    pub without_service: String,
    /// `yes`: without what was recorded as it was recorded.
    #[serde(default)]
    pub without_originals: String,
    /// `a4` or `letter`.
    #[serde(default)]
    pub paper: String,
    /// The number of the bag that this one corrects.
    #[serde(default)]
    pub revises: String,
}

impl Wish {
    /// What is asked for, understood.
    pub fn wanted(&self) -> Result<Wanted, Failure> {
        let yes = |name: &str, text: &str| match text {
            "" | "no" => Ok(false),
            "yes" => Ok(true),
            other => Err(Failure::parameter(name, other, "yes or no")),
        };
        let mut leave_out = Vec::new();
        for (name, text, what) in [
            ("without_owner", &self.without_owner, "owner"),
            ("without_service", &self.without_service, "service"),
            ("without_originals", &self.without_originals, "originals"),
        ] {
            if yes(name, text)? {
                leave_out.push(what);
            }
        }
        let letter = match self.paper.as_str() {
            "" | "a4" => false,
            "letter" => true,
            other => return Err(Failure::parameter("paper", other, "a4 or letter")),
        };
        let revises = match self.revises.trim() {
            "" => None,
            text => {
                Some(text.parse().map_err(|_| Failure::parameter("revises", text, "the number of a bag"))?)
            }
        };
        Ok(Wanted { stretch: self.stretch()?, leave_out, letter, revises })
    }

    fn stretch(&self) -> Result<Stretch, Failure> {
        let cycles = self.cycles.trim();
        if cycles.is_empty() {
            let (from, until) = (moment("from", &self.from)?, moment("until", &self.until)?);
            if from.zip(until).is_some_and(|(from, until)| from >= until) {
                return Err(Failure::parameter("until", &self.until, "after the beginning"));
            }
            return Ok(Stretch::Time(from, until));
        }
        let (first, last) = cycles.split_once('-').unwrap_or((cycles, cycles));
        match (first.trim().parse(), last.trim().parse()) {
            (Ok(first), Ok(last)) if 1 <= first && first <= last => Ok(Stretch::Cycles(first, last)),
            _ => Err(Failure::parameter("cycles", cycles, "like 12-20, counted from 1")),
        }
    }
}

/// A moment as a program writes it, or as a field of a page gives it: without a zone, and perhaps without seconds.
fn moment(name: &str, text: &str) -> Result<Option<Micros>, Failure> {
    let text = text.trim();
    let tries = [text.to_owned(), format!("{text}Z"), format!("{text}:00Z")];
    match tries.iter().find_map(|text| parse_utc(text)) {
        _ if text.is_empty() => Ok(None),
        Some(at) => Ok(Some(at)),
        None => Err(Failure::parameter(name, text, "a moment like 2026-05-01T08:00:00Z (RFC 3339)")),
    }
}

/// A moment as a field of a page takes it.
pub(crate) fn field(at: Micros) -> String {
    rfc3339(at).get(..16).unwrap_or_default().to_owned()
}

impl From<NotMade> for Failure {
    fn from(error: NotMade) -> Failure {
        match error {
            NotMade::Busy => Failure::busy(),
            NotMade::Refused(why) => Failure::refused(&why),
            NotMade::Failed(why) => Failure::internal(why),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_wish_is_understood_or_said_to_be_wrong() {
        let wish = |change: fn(&mut Wish)| {
            let mut wish = Wish::default();
            change(&mut wish);
            wish.wanted().map_err(|failure| failure.message)
        };
        let all = wish(|_| {}).unwrap();
        assert_eq!((all.stretch, all.leave_out.len(), all.letter), (Stretch::Time(None, None), 0, false));
        let some = wish(|w| {
            w.from = "2025-06-02T08:00".into();
            w.until = "2025-06-03T08:00:00Z".into();
            w.without_owner = "yes".into();
            w.paper = "letter".into();
            w.revises = " 3".into();
        });
        let some = some.unwrap();
        let Stretch::Time(Some(from), Some(until)) = some.stretch else { panic!("{some:?}") };
        assert_eq!((until - from).0, 86_400.0);
        assert_eq!((some.leave_out, some.letter, some.revises), (vec!["owner"], true, Some(3)));
        assert_eq!(wish(|w| w.cycles = "7".into()).unwrap().stretch, Stretch::Cycles(7, 7));
        for change in [
            (|w: &mut Wish| w.cycles = "9-3".into()) as fn(&mut Wish),
            |w| w.from = "yesterday".into(),
            |w| w.paper = "a5".into(),
            |w| w.without_owner = "maybe".into(),
            |w| w.revises = "last".into(),
            |w| {
                w.from = "2025-06-03T08:00".into();
                w.until = "2025-06-02T08:00".into();
            },
        ] {
            assert!(wish(change).unwrap_err().contains("should be"));
        }
    }
}
