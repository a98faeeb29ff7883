//! What the pages and the API stand on: a catalogue to ask, traces to draw, a hub of what happens now.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use foldwatch_alarm::Ledger;
use foldwatch_fleet::{Current, Fleet};
use foldwatch_profile::Profile;
use foldwatch_segment::Recording;
use foldwatch_store::{Catalogue, StoreError};
use foldwatch_units::Micros;

use crate::causes::Causes;
use crate::door::Door;
use crate::evidence::Evidence;
use crate::failure::Failure;
use crate::guide::Guides;
use crate::live::Hub;
use crate::places::Places;
use crate::texts;

/// Where the samples of a stretch of time come from: the daemon has them from its journal and archive.
pub trait Traces: Send + Sync {
    /// Everything recorded of a car from `from` to `to` (UTC), in the signals of the car's latest profile. Blocks.
    ///
    /// # Errors
    /// See [`NoTraces`].
    fn recording(&self, car: &str, from: Micros, to: Micros) -> Result<Recording, NoTraces>;
}

/// Why there are no samples.
#[derive(Debug, thiserror::Error)]
pub enum NoTraces {
    /// Nothing was recorded in this time, or it is no longer kept.
    #[error("no samples are kept for this time")]
    NotKept,
    /// They should be there and can't be read. The text is for the log.
    #[error("{0}")]
    Failed(String),
}

/// Opens one more reader of the catalogue.
pub type Open = Box<dyn Fn() -> Result<Box<dyn Catalogue + Send>, StoreError> + Send + Sync>;

/// What the daemon hands in.
pub struct Parts {
    /// Opens a reader. Called when all readers at hand are busy.
    pub open: Open,
    /// The samples.
    pub traces: Arc<dyn Traces>,
    /// Why it may be so.
    pub causes: Arc<dyn Causes>,
    /// Commissioning and guided tests.
    pub guides: Arc<dyn Guides>,
    /// Who listens at ports.
    pub places: Arc<dyn Places>,
    /// Who makes evidence.
    pub evidence: Arc<dyn Evidence>,
    /// Every car's trends.
    pub fleet: Arc<Current>,
    /// What people outside were told; `None`: nobody is named.
    pub told: Option<Arc<Mutex<Ledger>>>,
    /// What happens now.
    pub hub: Arc<Hub>,
    /// Who may do what.
    pub door: Arc<Door>,
    /// The counters in Prometheus' text format.
    pub metrics: Box<dyn Fn() -> String + Send + Sync>,
}

/// The application. Clones share everything.
#[derive(Clone)]
pub struct App(Arc<Inner>);

struct Inner {
    parts: Parts,
    idle: Mutex<Vec<Box<dyn Catalogue + Send>>>,
    profiles: Mutex<HashMap<(String, u32), Arc<Profile>>>,
    recordings: Mutex<Recordings>,
}

/// Readers kept open when nobody asks.
const IDLE_READERS: usize = 4;
/// Profiles kept parsed; a shop has a handful.
const PARSED_PROFILES: usize = 64;

impl App {
    /// From what the daemon hands in.
    pub fn new(parts: Parts) -> App {
        App(Arc::new(Inner {
            parts,
            idle: Mutex::default(),
            profiles: Mutex::default(),
            recordings: Mutex::default(),
        }))
    }

    /// What happens now.
    pub fn hub(&self) -> &Arc<Hub> {
        &self.0.parts.hub
    }

    /// Who may do what.
    pub(crate) fn door(&self) -> &Arc<Door> {
        &self.0.parts.door
    }

    /// The counters as text.
    pub(crate) fn metrics(&self) -> String {
        (self.0.parts.metrics)()
    }

    /// Asks the catalogue on a thread that may block.
    pub(crate) async fn ask<T: Send + 'static>(
        &self,
        question: impl FnOnce(&Desk) -> Result<T, Failure> + Send + 'static,
    ) -> Result<T, Failure> {
        let app = self.clone();
        tokio::task::spawn_blocking(move || app.ask_here(question)).await.map_err(Failure::internal)?
    }

    /// The same on the caller's thread, which must be one that may block.
    pub(crate) fn ask_here<T>(
        &self,
        question: impl FnOnce(&Desk) -> Result<T, Failure>,
    ) -> Result<T, Failure> {
        let idle = self.0.idle.lock().unwrap_or_else(PoisonError::into_inner).pop();
        let reader = match idle {
            Some(reader) => reader,
            None => (self.0.parts.open)()?,
        };
        let desk = Desk { catalogue: reader, app: self.clone() };
        let answer = question(&desk);
        let mut idle = self.0.idle.lock().unwrap_or_else(PoisonError::into_inner);
        // A reader that failed may go on failing: a new one is opened next time.
        if answer.is_ok() && idle.len() < IDLE_READERS {
            idle.push(desk.catalogue);
        }
        answer
    }
}

/// A catalogue reader with what is needed around it, for one question.
pub(crate) struct Desk {
    pub catalogue: Box<dyn Catalogue + Send>,
    app: App,
}

impl Desk {
    /// The roof of a car, parsed.
    pub fn profile(&self, id: &str) -> Result<Arc<Profile>, Failure> {
        let text = self.catalogue.profile(id)?.ok_or_else(|| Failure::no_profile(id))?;
        let key = (text.profile, text.revision);
        let mut known = self.app.0.profiles.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(profile) = known.get(&key) {
            return Ok(Arc::clone(profile));
        }
        let parsed = foldwatch_profile::parse(&text.text).map_err(|_| Failure::bad_profile(id))?;
        let profile = Arc::new(parsed.profile);
        if known.len() >= PARSED_PROFILES {
            known.clear();
        }
        known.insert(key, Arc::clone(&profile));
        Ok(profile)
    }

    /// What people outside were told, where somebody is named.
    pub fn told(&self) -> Option<MutexGuard<'_, Ledger>> {
        let told = self.app.0.parts.told.as_ref()?;
        Some(told.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// Every car's trends.
    pub fn fleet(&self) -> Arc<Fleet> {
        self.app.0.parts.fleet.get()
    }

    /// Why it may be so.
    pub fn causes(&self) -> &dyn Causes {
        &*self.app.0.parts.causes
    }

    /// Who listens at ports.
    pub fn places(&self) -> &dyn Places {
        &*self.app.0.parts.places
    }

    /// Who makes evidence.
    pub fn evidence(&self) -> &dyn Evidence {
        &*self.app.0.parts.evidence
    }

    /// Commissioning and guided tests.
    pub fn guides(&self) -> &dyn Guides {
        &*self.app.0.parts.guides
    }

    /// The samples of a stretch of time; `Err` with a sentence where there are none. A stretch that was asked for just
    /// now is at hand: whoever zooms asks again and again.
    pub fn recording(&self, car: &str, from: Micros, to: Micros) -> Result<Arc<Recording>, &'static str> {
        let key = (car.to_owned(), from, to);
        if let Some(recording) = lock(&self.app.0.recordings).get(&key) {
            return Ok(recording);
        }
        match self.app.0.parts.traces.recording(car, from, to) {
            Ok(recording) if recording.times.is_empty() && recording.edges.is_empty() => {
                Err(texts::NO_SAMPLES)
            }
            Ok(recording) => {
                let recording = Arc::new(recording);
                lock(&self.app.0.recordings).put(key, &recording);
                Ok(recording)
            }
            Err(NoTraces::NotKept) => Err(texts::NO_SAMPLES),
            Err(NoTraces::Failed(why)) => {
                tracing::error!(car, why, "samples can't be read");
                Err(texts::SAMPLES_FAILED)
            }
        }
    }
}

/// A car and a stretch of time.
type Stretch = (String, Micros, Micros);

/// Recordings that were asked for just now.
#[derive(Default)]
struct Recordings(Vec<(Stretch, Instant, Arc<Recording>)>);

impl Recordings {
    /// So many of them, each of so many numbers at the most, and for so long: more of a stretch may have come since.
    const MOST: usize = 4;
    const LARGEST: usize = 4_000_000;
    const KEPT: Duration = Duration::from_secs(20);

    fn get(&mut self, key: &Stretch) -> Option<Arc<Recording>> {
        self.0.retain(|(_, since, _)| since.elapsed() < Self::KEPT);
        self.0.iter().find(|(known, ..)| known == key).map(|(.., recording)| Arc::clone(recording))
    }

    fn put(&mut self, key: Stretch, recording: &Arc<Recording>) {
        if recording.times.len() * recording.analog.len().max(1) > Self::LARGEST {
            return;
        }
        if self.0.len() >= Self::MOST {
            self.0.remove(0);
        }
        self.0.push((key, Instant::now(), Arc::clone(recording)));
    }
}

fn lock(recordings: &Mutex<Recordings>) -> MutexGuard<'_, Recordings> {
    recordings.lock().unwrap_or_else(PoisonError::into_inner)
}
