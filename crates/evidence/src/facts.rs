//! What stands in `data/provenance.json`: where the data comes from and how sure its times are.

use std::io::Read;

use foldwatch_samples::{Sink, Timeline};
use foldwatch_units::Micros;
use serde::{Deserialize, Serialize};

use crate::Digest;

/// Any error of whoever reads the recordings.
pub type AnyError = Box<dyn std::error::Error + Send + Sync>;

/// Where recordings come from. They are read twice, so that nothing is ever held whole: once to judge them, once to
/// write them down; both readings must give the same items.
pub trait Material {
    /// How many recordings there are.
    fn count(&self) -> usize;
    /// Reads one, from 0, to its end.
    ///
    /// # Errors
    /// Where it can't be read.
    fn read(&mut self, recording: usize, sink: &mut dyn Sink) -> Result<Recording, AnyError>;
    /// The chain over what was recorded.
    fn chain(&mut self) -> Chain<'_>;
}

/// The chain that ties the bag to what was recorded.
pub enum Chain<'a> {
    /// The bytes of each log in turn.
    Logs(Vec<OpenLog<'a>>),
    /// Rows of a journal that a store has linked.
    Journal {
        /// The columns.
        header: String,
        /// Hands over line after line, without line ends; the answer is the link before the first and the last link.
        rows: JournalRows<'a>,
    },
}

/// Opens a log's bytes.
pub type OpenLog<'a> = Box<dyn FnOnce() -> std::io::Result<Box<dyn Read>> + 'a>;

/// See [`Chain::Journal`].
pub type JournalRows<'a> =
    Box<dyn FnOnce(&mut dyn FnMut(&str) -> std::io::Result<()>) -> Result<(Digest, Digest), AnyError> + 'a>;

/// One recording: a log, or a stretch of a store.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Recording {
    /// What it is called.
    pub name: String,
    /// `packed`, `text`, `columns`, `archive`.
    pub encoding: String,
    /// Its parts carried a check sum each, and what did not fit was left out.
    pub checked: bool,
    /// What was left out, recognised, or worth saying.
    pub notes: Vec<String>,
    /// From its own time to UTC; none: its own time is taken for UTC.
    pub timeline: Option<Timeline>,
}

impl Recording {
    /// A moment in UTC, as far as it is known.
    pub(crate) fn utc(&self, at: Micros) -> Micros {
        self.timeline.as_ref().and_then(|timeline| timeline.utc(at)).map_or(at, |utc| utc.at)
    }
}

/// What was seen of a recording on the way.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Seen {
    /// Items.
    pub rows: u64,
    /// First and last moment, RFC 3339, UTC.
    pub from_utc: Option<String>,
    pub to_utc: Option<String>,
    /// How well its clock is known.
    pub clock: Clock,
}

/// How well a clock is known.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Clock {
    /// In words.
    pub says: String,
    /// Standard uncertainty of UTC at the end of the recording.
    pub u_s: Option<f64>,
    /// How fast the logger's clock ran against UTC.
    pub drift_ppm: Option<f64>,
    /// Scatter of the exchanges about the line.
    pub residual_s: Option<f64>,
    /// How many exchanges of time it rests on.
    pub exchanges: Option<u32>,
}

impl Clock {
    pub fn of(recording: &Recording, end: Option<Micros>) -> Self {
        let none =
            Clock { says: String::new(), u_s: None, drift_ppm: None, residual_s: None, exchanges: None };
        let (Some(timeline), Some(end)) = (&recording.timeline, end) else {
            return Clock {
                says: "times are those of the recording itself; nothing in it tells how well they keep UTC"
                    .into(),
                ..none
            };
        };
        let tidy = |value: f64| (value.is_finite()).then(|| (value * 1e6).round() / 1e6);
        match (timeline.utc(end), timeline.line(end)) {
            (Some(utc), Some(line)) => Clock {
                says: format!("mapped to UTC by a straight line through {} exchanges of time", line.count),
                u_s: utc.u.and_then(|u| tidy(u.0)),
                drift_ppm: tidy(line.drift_ppm),
                residual_s: tidy(line.residual.0),
                exchanges: Some(line.count),
            },
            (Some(_), None) => {
                Clock { says: "UTC by the logger's own clock; nothing has confirmed it".into(), ..none }
            }
            (None, _) => Clock {
                says: "the date was never told: times count from 1970-01-01T00:00:00Z and mean only how long after one \
                       another"
                    .into(),
                ..none
            },
        }
    }
}

/// A stretch that is missing, or that nothing vouches for.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Stretch {
    pub recording: usize,
    pub from: Micros,
    pub until: Micros,
    pub why: &'static str,
}

/// `data/provenance.json`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Provenance {
    /// Version of the bag's own layout.
    pub format: u32,
    pub software: String,
    pub version: String,
    /// RFC 3339, UTC.
    pub made_at: String,
    /// What was judged: car or profile.
    pub subject: String,
    /// SHA-256 over all that sets how it was judged.
    pub settings_sha256: String,
    pub left_out: Vec<String>,
    /// The end of the chain over what was recorded, and what it follows on.
    pub chain: String,
    pub chain_before: String,
    pub chain_head: String,
    pub recordings: Vec<Recording>,
    pub seen: Vec<Seen>,
}

/// The layout that this version writes and reads.
pub(crate) const FORMAT: u32 = 1;
