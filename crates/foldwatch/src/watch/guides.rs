//! Guided tests under way: fed by the judge, pressed from the pages, taken up again after a restart.

use std::collections::{BTreeMap, HashMap};
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, Sender, SyncSender, channel, sync_channel};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use anyhow::{Context, Result, anyhow};
use foldwatch_collect::utc_now;
use foldwatch_guide::{Answer, Grade, Guide, Kind, LoggerFacts, Press, Record, Stiffness};
use foldwatch_pipeline::{Lane, Verdict};
use foldwatch_profile::Profile;
use foldwatch_store::{Entry, EntryKind};
use foldwatch_units::Volts;
use foldwatch_web::{GuideNow, Hub, LiveGuide, LiveMessage};
use serde::{Deserialize, Serialize};

/// What is seen is told no faster: a person reads it.
const PACE: Duration = Duration::from_millis(150);

/// The one test of each car.
pub struct Guides {
    profiles: HashMap<String, Arc<Profile>>,
    sessions: Mutex<HashMap<String, Session>>,
    /// Whether there is any: with none, the judge need not look.
    any: AtomicBool,
    hub: Arc<Hub>,
    notebook: Notebook,
}

struct Session {
    guide: Guide,
    by: String,
    /// The step that was due when the daemon was started anew.
    resumed: Option<usize>,
    told: Option<(Instant, LiveGuide)>,
}

/// The tests under way as they stand on disk.
type Noted = BTreeMap<String, Test>;

/// A test under way, as it stands on disk.
#[derive(Serialize, Deserialize)]
struct Test {
    test: String,
    by: String,
    /// Name, grade and sentence of each step that is answered.
    answers: Vec<(String, String, String)>,
}

/// The file of tests under way, written by a thread of its own: the judge, which feeds them, does not wait for the disk.
struct Notebook {
    file: PathBuf,
    pages: Sender<(Vec<u8>, SyncSender<()>)>,
}

/// So long a page waits for the disk; what it did holds in any case.
const PATIENCE: Duration = Duration::from_secs(2);

impl Notebook {
    fn open(file: PathBuf) -> Result<Notebook> {
        let (pages, taken) = channel::<(Vec<u8>, SyncSender<()>)>();
        let place = file.clone();
        let write = move || {
            while let Ok((mut bytes, done)) = taken.recv() {
                let mut waiting = vec![done];
                while let Ok((newer, done)) = taken.try_recv() {
                    bytes = newer;
                    waiting.push(done);
                }
                if let Err(error) = crate::whole::write(&place, |out| Ok(out.write_all(&bytes)?)) {
                    tracing::error!("the tests under way would not outlast a restart: {error:#}");
                }
                for done in waiting {
                    let _ = done.send(());
                }
            }
        };
        std::thread::Builder::new().name("guides".into()).spawn(write).context("no thread for the guides")?;
        Ok(Notebook { file, pages })
    }

    fn read(&self) -> Result<Noted> {
        match fs::read(&self.file) {
            Ok(bytes) => Ok(serde_json::from_slice(&bytes)?),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(Noted::new()),
            Err(error) => Err(error.into()),
        }
    }

    /// Has them written as they stand now; what comes back tells when they are.
    fn note(&self, sessions: &HashMap<String, Session>) -> Receiver<()> {
        let test = |session: &Session| Test {
            test: session.guide.kind().as_str().to_owned(),
            by: session.by.clone(),
            answers: answered(&session.guide)
                .map(|(name, answer)| {
                    (name.to_owned(), answer.grade.as_str().to_owned(), answer.says.clone())
                })
                .collect(),
        };
        let noted: Noted = sessions.iter().map(|(car, session)| (car.clone(), test(session))).collect();
        let (done, kept) = sync_channel(1);
        // Strings can be written as JSON; a thread that is gone drops its end, and nobody waits.
        if let Ok(bytes) = serde_json::to_vec_pretty(&noted) {
            let _ = self.pages.send((bytes, done));
        }
        kept
    }
}

fn answered(guide: &Guide) -> impl Iterator<Item = (&str, &Answer)> {
    guide.steps().filter_map(|(name, answer)| Some((name, answer?)))
}

impl Guides {
    /// For these cars; none is under way. Those that are will be noted in the data's folder.
    ///
    /// # Errors
    /// Where no thread can be had.
    pub fn new(profiles: HashMap<String, Arc<Profile>>, hub: Arc<Hub>, data: &Path) -> Result<Self> {
        let notebook = Notebook::open(data.join("guides.json"))?;
        Ok(Guides { profiles, sessions: Mutex::default(), any: AtomicBool::new(false), hub, notebook })
    }

    /// Takes up what was under way when the daemon ended: what is answered stays, the step that was due begins anew. What
    /// can't be taken up goes to the car's record as broken off, so that nothing is lost without a word.
    ///
    /// # Errors
    /// Where the notes can't be read, or an entry can't be made.
    pub fn resume(&self, enter: impl Fn(Entry) -> Result<(), String>) -> Result<()> {
        let noted =
            self.notebook.read().context("the tests that were under way can't be read: guides.json")?;
        for (car, test) in noted {
            let answers: Vec<(String, Answer)> = test
                .answers
                .into_iter()
                .filter_map(|(name, grade, says)| Some((name, Answer::new(Grade::of(&grade)?, says))))
                .collect();
            let Some(kind) = Kind::of(&test.test) else { continue };
            let guide = match self.profiles.get(&car) {
                Some(profile) => Guide::resume(kind, Arc::clone(profile), &answers),
                None => Err("This car is not watched any more.".to_owned()),
            };
            match guide {
                Ok(guide) => {
                    tracing::info!(car, test = kind.as_str(), "a test goes on");
                    let session = Session { resumed: Some(guide.at()), guide, by: test.by, told: None };
                    self.lock().insert(car, session);
                    self.any.store(true, Ordering::Relaxed);
                }
                Err(why) => {
                    enter(broken_off(&car, kind, &test.by, &answers, &why)).map_err(|e| anyhow!(e))?
                }
            }
        }
        self.keep(self.lock());
        Ok(())
    }

    fn lock(&self) -> MutexGuard<'_, HashMap<String, Session>> {
        self.sessions.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Lets the car's test see something, if one is under way.
    pub fn feed(&self, car: &str, with: impl FnOnce(&mut Guide)) {
        if !self.any.load(Ordering::Relaxed) {
            return;
        }
        let mut sessions = self.lock();
        let Some(session) = sessions.get_mut(car) else { return };
        let before = session.guide.at();
        with(&mut session.guide);
        if session.guide.at() != before {
            let _ = self.notebook.note(&sessions);
        }
    }

    /// Waits until it stands on disk; who feeds the tests does not wait with it.
    fn keep(&self, sessions: MutexGuard<'_, HashMap<String, Session>>) {
        let kept = self.notebook.note(&sessions);
        drop(sessions);
        let _ = kept.recv_timeout(PATIENCE);
    }

    /// Tells what is seen, and lets the test see what the logger says of itself.
    pub fn publish(&self, car: &str, lane: &Lane) {
        self.feed(car, |guide| guide.logger(&facts(lane)));
        self.tell(car);
    }

    /// What a movement that is over gave.
    pub fn movement(&self, car: &str, verdict: &Verdict) {
        let found = |measure: &foldwatch_score::Measure| {
            let bar = measure.value.value().filter(|_| measure.id == "bulk-modulus")?;
            Some(Stiffness { phase: measure.phase?, bar })
        };
        self.feed(car, |guide| {
            guide.movement(&verdict.judged.measures.iter().filter_map(found).collect::<Vec<_>>());
        });
    }

    fn tell(&self, car: &str) {
        if !self.any.load(Ordering::Relaxed) || self.hub.watchers() == 0 {
            return;
        }
        let mut sessions = self.lock();
        let Some(session) = sessions.get_mut(car) else { return };
        if session.told.as_ref().is_some_and(|(at, _)| at.elapsed() < PACE) {
            return;
        }
        let now = LiveGuide { car: car.to_owned(), at: session.guide.at(), says: session.guide.says() };
        if session.told.as_ref().is_none_or(|(_, told)| *told != now) {
            session.told = Some((Instant::now(), now.clone()));
            self.hub.publish(LiveMessage::Guide(now));
        }
    }
}

impl foldwatch_web::Guides for Guides {
    fn now(&self, car: &str) -> Option<GuideNow> {
        self.lock().get(car).map(|session| GuideNow {
            by: session.by.clone(),
            resumed: session.resumed == Some(session.guide.at()),
            ..GuideNow::from(&session.guide)
        })
    }

    fn begin(&self, car: &str, kind: Kind, by: &str) -> Result<(), String> {
        let profile =
            self.profiles.get(car).ok_or("This car is not watched: no logger is expected for it.")?;
        let guide = Guide::new(kind, Arc::clone(profile))?;
        let mut sessions = self.lock();
        if let Some(other) = sessions.get(car) {
            let (name, by) = (other.guide.kind().title(), &other.by);
            return Err(format!("“{name}” is under way on this car, begun by {by}. End it first."));
        }
        sessions.insert(car.to_owned(), Session { guide, by: by.to_owned(), resumed: None, told: None });
        self.any.store(true, Ordering::Relaxed);
        self.keep(sessions);
        Ok(())
    }

    fn press(&self, car: &str, at: usize, press: Press) -> bool {
        let mut sessions = self.lock();
        let Some(session) = sessions.get_mut(car).filter(|session| session.guide.at() == at) else {
            return false;
        };
        session.guide.press(press);
        self.keep(sessions);
        true
    }

    fn end(&self, car: &str) {
        let mut sessions = self.lock();
        sessions.remove(car);
        self.any.store(!sessions.is_empty(), Ordering::Relaxed);
        self.keep(sessions);
    }
}

/// What a test that can't go on gave, for the car's record.
fn broken_off(car: &str, kind: Kind, by: &str, answers: &[(String, Answer)], why: &str) -> Entry {
    let record = Record::of(kind, answers.iter().map(|(name, answer)| (name.as_str(), Some(answer))));
    let now = utc_now();
    Entry {
        car: car.to_owned(),
        kind: EntryKind::Check,
        at: now,
        written: now,
        author: by.to_owned(),
        cycle: None,
        subject: record.subject.to_owned(),
        result: "broken-off".to_owned(),
        text: format!("{}\nBroken off when foldwatch was started anew. {why}", record.text).trim().to_owned(),
        corrects: None,
    }
}

fn facts(lane: &Lane) -> LoggerFacts {
    let health = lane.health();
    let hello = lane.hello();
    LoggerFacts {
        name: hello.map(|hello| hello.name.clone()),
        firmware: hello.map(|hello| hello.firmware.clone()).unwrap_or_default(),
        channels: hello.map(|h| h.signals.iter().map(|s| s.id.clone()).collect()).unwrap_or_default(),
        fill: health.map(|health| f64::from(health.fill_permille) / 1000.0),
        dropped: health.map(|health| health.dropped),
        supply: health.and_then(|health| health.supply_mv).map(|mv| Volts(f64::from(mv) / 1000.0)),
        dated: lane.is_dated(lane.engine().now()),
        residual: lane.timeline().latest().map(|line| line.residual),
    }
}
