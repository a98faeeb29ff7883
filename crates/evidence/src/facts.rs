//! What stands in `data/provenance.json`: where the data comes from and how sure its times are.

use std::io::Read;
use std::path::PathBuf;
use std::sync::Arc;

use foldwatch_profile::Profile;
use foldwatch_samples::{Sink, Timeline};
use foldwatch_store::{Frame, SealRow};
use foldwatch_units::Micros;
use serde::{Deserialize, Serialize};

use crate::Paper;

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

/// The chain that ties the bag to what was recorded, with what was recorded.
pub enum Chain<'a> {
    /// Each log in turn, as it lies there.
    Logs(Vec<Original<'a>>),
    /// A store's archive and journal.
    Store(StoreChain<'a>),
}

/// A file of what was recorded.
pub struct Original<'a> {
    /// How it is called in the bag.
    pub name: String,
    /// Opens it.
    pub open: OpenLog<'a>,
}

/// What a store keeps of one car.
pub struct StoreChain<'a> {
    /// Every day that was put into the archive up to the last one that is needed, with its link.
    pub seals: Vec<(SealRow, [u8; 32])>,
    /// The files of the days in the stretch, in order of time.
    pub files: Vec<Original<'a>>,
    /// What must be known to read them and the journal again; whoever rereads it knows its form.
    pub reading: String,
    /// The rows of the journal behind the last seal, as far as they are needed.
    pub rows: JournalRows<'a>,
}

/// Opens a log's bytes.
pub type OpenLog<'a> = Box<dyn FnOnce() -> std::io::Result<Box<dyn Read>> + 'a>;

/// Takes a row of a journal: position, frame, link.
pub type EachRow<'a> = dyn FnMut(u64, &Frame, [u8; 32]) -> std::io::Result<()> + 'a;

/// Hands over row after row.
pub type JournalRows<'a> = Box<dyn FnOnce(&mut EachRow) -> Result<(), AnyError> + 'a>;

/// Reads the originals of a bag again: the other direction of [`Material::chain`].
pub trait Reread {
    /// The originals as material that gives the same items as when the bag was made.
    ///
    /// # Errors
    /// Where they are not of a kind that can be read.
    fn material(&self, of: Originals) -> Result<Box<dyn Material>, AnyError>;
}

/// Originals on disk.
#[derive(Debug, Clone)]
pub struct Originals {
    /// The roof, as in the bag.
    pub profile: Arc<Profile>,
    /// The column map, as in the bag.
    pub columns: Option<String>,
    /// Logs, or days of an archive, in the order that they were read in.
    pub files: Vec<PathBuf>,
    /// From a store: [`StoreChain::reading`], and the file with the rows of the journal (see
    /// [`journal_rows`](crate::journal_rows)).
    pub store: Option<(String, PathBuf)>,
}

/// One recording: a log, or a stretch of a store.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Recording {
    /// What it is called.
    pub name: String,
    /// `packed`, `text`, `columns`, `archive`.
    pub encoding: String,
    /// Its parts carried a check sum each, and what did not fit was left out.
    pub checked: bool,
    /// What was left out, recognised, or worth saying.
    pub notes: Vec<String>,
    /// How well its times keep UTC, where whoever recorded it has mapped them and `timeline` does not tell.
    #[serde(default)]
    pub clock: Option<String>,
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
            let unknown =
                "times are those of the recording itself; nothing in it tells how well they keep UTC";
            return Clock { says: recording.clock.clone().unwrap_or_else(|| unknown.to_owned()), ..none };
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
    /// Its name for people.
    #[serde(default)]
    pub name: Option<String>,
    /// What the report is set for; none: by a version that did not say, so that it can't be set again.
    #[serde(default)]
    pub paper: Option<Paper>,
    /// Beside profile and column map, in words: period, cycles.
    #[serde(default)]
    pub settings: Vec<String>,
    /// SHA-256 over all that sets how it was judged.
    pub settings_sha256: String,
    /// What else the report says of its own making.
    #[serde(default)]
    pub remarks: Vec<String>,
    pub left_out: Vec<String>,
    /// The end of the chain over what was recorded, and what it follows on.
    pub chain: String,
    pub chain_before: String,
    pub chain_head: String,
    /// The end of the chain over the days in the archive.
    #[serde(default)]
    pub seals_head: Option<String>,
    /// What lies in `data/recorded`, in the order that it is read in.
    #[serde(default)]
    pub originals: Vec<String>,
    pub recordings: Vec<Recording>,
    pub seen: Vec<Seen>,
}

/// The layout that this version writes and reads.
pub(crate) const FORMAT: u32 = 2;
