//! Ports opened, read, answered, and opened again.

use std::collections::HashMap;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use foldwatch_units::Micros;
use foldwatch_wire::{Encoding, FrameId, Reply};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::sync::mpsc;
use tokio::task::JoinSet;
use tokio::time::{MissedTickBehavior, interval, sleep, timeout};
use tokio_serial::{SerialPortBuilderExt, SerialStream};

use crate::ports::{is_pattern, matching};
use crate::session::{Heard, Session};

/// A port to listen at.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Port {
    /// A name (`/dev/ttyUSB0`), a pattern (`/dev/ttyUSB*`), or `auto`: every USB port.
    pub name: String,
    /// Speed of the line.
    pub baud: u32,
    /// How the logger writes; `None`: found out from the first frames.
    pub encoding: Option<Encoding>,
}

/// What came at a port at once.
#[derive(Debug)]
pub struct Batch {
    /// At which.
    pub port: Arc<str>,
    /// The name or pattern that it was found by.
    pub named: Arc<str>,
    /// What was heard, in the order of the bytes.
    pub heard: Vec<Heard>,
    /// When, by the host's clock, in UTC.
    pub received: Micros,
    /// The way back to the logger.
    pub answer: Answer,
}

/// The way back to the logger at a port.
#[derive(Debug, Clone)]
pub struct Answer {
    replies: mpsc::Sender<Reply>,
    damage: Arc<AtomicU64>,
}

impl Answer {
    /// Sends an answer. It may be lost, as everything on a line may; where the port is gone, it is.
    pub fn send(&self, reply: Reply) {
        // A full queue means that the line is stuck; the next acknowledgement says the same and more.
        let _ = self.replies.try_send(reply);
    }

    /// Stretches that gave no frame since the port was opened. What was asked for may have been among them.
    pub fn damage(&self) -> u64 {
        self.damage.load(Ordering::Relaxed)
    }
}

/// How it stands at a port.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PortNews {
    /// At which.
    pub port: Arc<str>,
    /// The frame that came last.
    pub last: Option<FrameId>,
    /// Nobody needs to do anything.
    pub well: bool,
    /// The state in words.
    pub words: String,
    /// The port is gone and was found by a pattern: it need not be shown any more once its logger is heard elsewhere.
    pub gone: bool,
}

/// Bytes taken from a port at once.
const PIECE: usize = 4096;
/// Answers that wait for the line.
const ANSWERS: usize = 64;
/// How often the state is looked at, and time and greeting are due.
const TICK: Duration = Duration::from_millis(100);
/// How often a port is tried that can't be opened, and patterns are looked through.
const RETRY: Duration = Duration::from_secs(1);
/// A port that was heard is tried again so soon, then later and later: a plug that sits loosely is back at once.
const SOON: Duration = Duration::from_millis(50);
/// A line that takes nothing for so long is stuck: what was to be said is dropped.
const STUCK: Duration = Duration::from_secs(2);

/// Listens at all ports until the receiver of the batches is dropped. A full channel makes ports wait, and loggers with
/// them: nothing is dropped.
pub async fn collect(
    ports: Vec<Port>,
    batches: mpsc::Sender<Batch>,
    news: impl Fn(PortNews) + Clone + Send + Sync + 'static,
) {
    let mut tasks = JoinSet::new();
    let mut open: HashMap<PathBuf, tokio::task::Id> = HashMap::new();
    // Names that no port can be found by, and why.
    let mut told: HashMap<&str, String> = HashMap::new();
    loop {
        for port in &ports {
            let name = port.name.as_str();
            let says = |words: String, gone| {
                news(PortNews { port: name.into(), last: None, well: false, words, gone });
            };
            let paths = match matching(name) {
                Ok(paths) => paths,
                Err(error) => {
                    let words = error.to_string();
                    if told.get(name) != Some(&words) {
                        says(words.clone(), false);
                        told.insert(name, words);
                    }
                    continue;
                }
            };
            if told.remove(name).is_some() {
                says("found again".to_owned(), true);
            }
            for path in paths {
                if open.contains_key(&path) {
                    continue;
                }
                let worker = Worker {
                    name: path.to_string_lossy().into(),
                    named: port.name.as_str().into(),
                    port: port.clone(),
                    batches: batches.clone(),
                    news: news.clone(),
                    told: None,
                };
                let task = tasks.spawn(worker.run(path.clone()));
                open.insert(path, task.id());
            }
        }
        let pause = sleep(RETRY);
        tokio::pin!(pause);
        loop {
            tokio::select! {
                () = &mut pause => break,
                () = batches.closed() => return,
                Some(done) = tasks.join_next_with_id(), if !tasks.is_empty() => {
                    let id = match done {
                        Ok((id, ())) => id,
                        Err(error) => {
                            tracing::error!("a port's task ended: {error}");
                            error.id()
                        }
                    };
                    open.retain(|_, task| *task != id);
                }
            }
        }
    }
}

/// What keeps one port.
struct Worker<N> {
    name: Arc<str>,
    named: Arc<str>,
    port: Port,
    batches: mpsc::Sender<Batch>,
    news: N,
    told: Option<PortNews>,
}

/// Why a conversation ended.
enum Ended {
    /// The port is gone.
    Unplugged(String),
    /// Nobody listens any more.
    Over,
}

impl<N: Fn(PortNews)> Worker<N> {
    async fn run(mut self, path: PathBuf) {
        let mut last = None;
        let mut pause = RETRY;
        loop {
            let words = match open(&path, self.port.baud) {
                Ok(stream) => match self.converse(stream, &mut last, &mut pause).await {
                    Ended::Over => return,
                    Ended::Unplugged(why) => why,
                },
                Err(error) => refused(&path, &error),
            };
            let gone = is_pattern(&self.port.name) && !path.exists();
            self.tell(last, false, words, gone);
            if gone {
                return;
            }
            tokio::select! {
                () = sleep(pause) => {}
                () = self.batches.closed() => return,
            }
            pause = RETRY.min(pause * 2);
        }
    }

    /// Says how it stands, when that has changed.
    fn tell(&mut self, last: Option<FrameId>, well: bool, words: String, gone: bool) {
        let news = PortNews { port: Arc::clone(&self.name), last, well, words, gone };
        let same = self.told.as_ref().is_some_and(|told| {
            let who = |news: &PortNews| news.last.map(|id| id.logger);
            (told.well, &told.words, who(told)) == (news.well, &news.words, who(&news))
        });
        if !same {
            (self.news)(news.clone());
            self.told = Some(news);
        }
    }

    async fn converse(
        &mut self,
        mut stream: SerialStream,
        last: &mut Option<FrameId>,
        pause: &mut Duration,
    ) -> Ended {
        let mut session = Session::new(self.port.encoding);
        let (replies, mut answers) = mpsc::channel(ANSWERS);
        let answer = Answer { replies, damage: Arc::default() };
        let mut piece = vec![0; PIECE];
        let mut tick = interval(TICK);
        tick.set_missed_tick_behavior(MissedTickBehavior::Delay);
        loop {
            tokio::select! {
                biased;
                Some(reply) = answers.recv() => {
                    if let Err(error) = send(&mut stream, &session.say(&reply, Instant::now())).await {
                        return Ended::Unplugged(unplugged(&error.to_string()));
                    }
                }
                read = stream.read(&mut piece) => {
                    let bytes = match read {
                        Ok(0) => return Ended::Unplugged(unplugged("the line was closed")),
                        Ok(n) => piece.get(..n).unwrap_or_default(),
                        Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
                        Err(error) => return Ended::Unplugged(unplugged(&error.to_string())),
                    };
                    let heard = session.take(bytes, Instant::now());
                    *last = session.last_heard().or(*last);
                    if heard.is_empty() {
                        continue;
                    }
                    *pause = SOON;
                    let damaged = heard.iter().filter(|heard| matches!(heard, Heard::Damage { .. })).count();
                    answer.damage.fetch_add(damaged as u64, Ordering::Relaxed);
                    let due = session.due(Instant::now(), utc_now());
                    if let Err(error) = send(&mut stream, &due).await {
                        return Ended::Unplugged(unplugged(&error.to_string()));
                    }
                    let batch = Batch {
                        port: Arc::clone(&self.name),
                        named: Arc::clone(&self.named),
                        heard,
                        received: utc_now(),
                        answer: answer.clone(),
                    };
                    if self.batches.send(batch).await.is_err() {
                        return Ended::Over;
                    }
                }
                _ = tick.tick() => {
                    let due = session.due(Instant::now(), utc_now());
                    if let Err(error) = send(&mut stream, &due).await {
                        return Ended::Unplugged(unplugged(&error.to_string()));
                    }
                    let condition = session.condition(Instant::now());
                    self.tell(*last, condition.is_well(), condition.to_string(), false);
                }
                () = self.batches.closed() => return Ended::Over,
            }
        }
    }
}

fn open(path: &Path, baud: u32) -> Result<SerialStream, tokio_serial::Error> {
    tokio_serial::new(path.to_string_lossy(), baud).open_native_async()
}

/// What is sent to a line that takes nothing is dropped: the logger's silence will be told, and every answer is
/// repeated.
async fn send(stream: &mut SerialStream, bytes: &[u8]) -> io::Result<()> {
    if bytes.is_empty() {
        return Ok(());
    }
    match timeout(STUCK, stream.write_all(bytes)).await {
        Ok(Err(error)) if error.kind() != io::ErrorKind::WouldBlock => Err(error),
        _ => Ok(()),
    }
}

fn refused(path: &Path, error: &tokio_serial::Error) -> String {
    let what = match error.kind() {
        tokio_serial::ErrorKind::NoDevice if path.exists() => {
            "is there but can't be used: another program holds it, or it is no serial port".to_owned()
        }
        tokio_serial::ErrorKind::NoDevice | tokio_serial::ErrorKind::Io(io::ErrorKind::NotFound) => {
            return "not plugged in; nothing is lost, the logger keeps what it records".to_owned();
        }
        tokio_serial::ErrorKind::Io(io::ErrorKind::PermissionDenied) => {
            "may not be opened by this user: add the user to the group that owns the port".to_owned()
        }
        _ => format!("can't be opened: {error}"),
    };
    format!("{} {what}", path.display())
}

fn unplugged(why: &str) -> String {
    format!("unplugged ({why}); plug it in again, nothing is lost: the logger keeps what it records")
}

/// Now, by this machine's clock, in UTC. A clock before 1970 says 1970.
pub fn utc_now() -> Micros {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    Micros(i64::try_from(since.as_micros()).unwrap_or(i64::MAX))
}
