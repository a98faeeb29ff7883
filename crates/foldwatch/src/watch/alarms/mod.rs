//! Tells people outside, on a thread of its own: whatever a receiver does, no frame and no book waits for it.

mod hook;
mod mail;
pub mod seen;
pub mod settings;

use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use anyhow::{Context, Result};
use foldwatch_alarm::{Due, Ledger, Rules, Seen};
use foldwatch_collect::utc_now;
use foldwatch_units::Micros;

use settings::AlarmSettings;

use crate::whole;

/// A receiver that takes longer is tried again later.
const PATIENCE: Duration = Duration::from_secs(10);
/// So much waits for the ledger while a slow receiver is told; then the books wait.
const WAITING: usize = 4096;
/// With nothing due the thread looks so often: the clock may have been set.
const LOOK: Duration = Duration::from_secs(60);

/// What is new.
pub enum Told {
    /// Something was seen of a car.
    Seen(Box<Seen>),
    /// Work was done on a car.
    Worked {
        /// The car.
        car: String,
        /// When.
        at: Micros,
    },
}

/// One way to reach somebody.
pub trait Way: Send {
    /// Its name in the ledger: the same as long as the same people are reached by it.
    fn name(&self) -> &str;
    /// Sends a message; once this returns it has arrived.
    ///
    /// # Errors
    /// Why it did not.
    fn send(&self, due: &Due, now: Micros) -> Result<(), Failure>;
}

/// Why a message did not arrive.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Failure {
    /// For people.
    pub why: String,
    /// The receiver asks not to be tried before so many seconds.
    pub after: Option<u32>,
}

impl Failure {
    fn new(why: impl std::fmt::Display) -> Self {
        Failure { why: why.to_string(), after: None }
    }
}

/// Keeps the ledger and sends what is due.
pub struct Alarms {
    rules: Rules,
    ways: Vec<Box<dyn Way>>,
    file: PathBuf,
    ledger: Arc<Mutex<Ledger>>,
    news: Receiver<Told>,
}

/// Where the ledger of a folder is kept.
pub fn file(data: &Path) -> PathBuf {
    data.join("alarms.json")
}

/// The ledger as it was kept.
///
/// # Errors
/// A file that can't be read, or is none.
pub fn kept(file: &Path) -> Result<Ledger> {
    match std::fs::read(file) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(Ledger::default()),
        Err(error) => Err(error).with_context(|| format!("{} can't be read", file.display())),
        Ok(bytes) => serde_json::from_slice(&bytes).with_context(|| {
            format!(
                "{} is no record of messages; put it elsewhere, then every matter that stands is told once more",
                file.display()
            )
        }),
    }
}

impl Alarms {
    /// From the settings and the ledger of the folder; what pages look at, the thread's body, and how it is told.
    ///
    /// # Errors
    /// Ways that can't be made ready, or a ledger that can't be read.
    pub fn new(
        settings: &AlarmSettings,
        data: &Path,
    ) -> Result<(Arc<Mutex<Ledger>>, Alarms, SyncSender<Told>)> {
        let file = file(data);
        let ledger = Arc::new(Mutex::new(kept(&file)?));
        let (tell, news) = sync_channel(WAITING);
        let rules = settings.rules.clone();
        Ok((Arc::clone(&ledger), Alarms { rules, ways: ways(settings)?, file, ledger, news }, tell))
    }

    /// Until nobody tells anything any more.
    pub fn run(self) {
        let names: Vec<String> = self.ways.iter().map(|way| way.name().to_owned()).collect();
        loop {
            let next = self.shared(|ledger| ledger.next(&names, utc_now(), &self.rules));
            let wait = next.map_or(LOOK, |next| {
                Duration::from_micros(u64::try_from(next.0 - utc_now().0).unwrap_or(0)).min(LOOK)
            });
            match self.news.recv_timeout(wait) {
                Ok(first) => {
                    for told in std::iter::once(first).chain(self.news.try_iter()) {
                        self.shared(|ledger| match told {
                            Told::Seen(seen) => ledger.seen(&seen, utc_now(), &self.rules),
                            Told::Worked { car, at } => ledger.worked_on(&car, at),
                        });
                    }
                    self.keep();
                }
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return,
            }
            let due = self.shared(|ledger| ledger.due(&names, utc_now(), &self.rules));
            // On disk before it is sent: sent twice it has the same id, and its receiver can tell.
            if due.is_empty() {
                continue;
            }
            if !self.keep() {
                std::thread::sleep(PATIENCE);
                continue;
            }
            for one in &due {
                self.send(one);
                self.keep();
            }
        }
    }

    fn send(&self, due: &Due) {
        let Some(way) = self.ways.iter().find(|way| way.name() == due.way) else { return };
        match way.send(due, utc_now()) {
            Ok(()) => {
                metrics::counter!("foldwatch_messages_total").increment(1);
                tracing::info!(way = due.way, id = due.id, "told");
                self.shared(|ledger| ledger.arrived(due, utc_now()));
            }
            Err(failure) => {
                metrics::counter!("foldwatch_message_errors_total").increment(1);
                let again = self.shared(|ledger| ledger.failed(due, utc_now(), &failure.why, failure.after));
                let then = if again { "it is tried again" } else { "it is given up" };
                tracing::warn!(
                    way = due.way,
                    id = due.id,
                    "a message did not arrive: {}; {then}",
                    failure.why
                );
            }
        }
    }

    fn shared<T>(&self, with: impl FnOnce(&mut Ledger) -> T) -> T {
        with(&mut self.ledger.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// Whether the ledger is on disk as it stands.
    fn keep(&self) -> bool {
        let bytes = self.shared(|ledger| serde_json::to_vec(ledger));
        let write = |bytes: Vec<u8>| whole::write(&self.file, |out| Ok(out.write_all(&bytes)?));
        let kept = bytes.map_err(anyhow::Error::from).and_then(write);
        if let Err(error) = &kept {
            tracing::error!(
                "{} can't be written: {error:#}; nobody is told until it can",
                self.file.display()
            );
        }
        kept.is_ok()
    }
}

/// Every way of the settings.
///
/// # Errors
/// What is wrong with one.
pub fn ways(settings: &AlarmSettings) -> Result<Vec<Box<dyn Way>>> {
    let mut ways: Vec<Box<dyn Way>> = Vec::new();
    for hook in &settings.hooks {
        ways.push(Box::new(hook::Hook::new(hook)?));
    }
    if let Some(mail) = &settings.mail {
        ways.push(Box::new(mail::Mail::new(mail)?));
    }
    Ok(ways)
}
