//! What happens now: messages from the daemon to everybody who watches.

use std::collections::BTreeMap;
use std::sync::{Mutex, MutexGuard, PoisonError};

use foldwatch_profile::Profile;
use foldwatch_segment::Live;
use foldwatch_units::Micros;
use serde::Serialize;
use tokio::sync::broadcast;

/// One thing that happens now.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
#[serde(tag = "what", rename_all = "kebab-case")]
pub enum LiveMessage {
    /// Samples, decimated by the sender to what an eye can see.
    Samples(LiveSamples),
    /// What the roof is doing.
    State(LiveState),
    /// A movement began.
    Began(LiveCycle),
    /// A movement is over, with a first verdict.
    Closed(LiveCycle),
    /// The last word on a movement.
    Settled(LiveCycle),
    /// How a logger or its port is.
    Port(PortState),
    /// What a guided test sees.
    Guide(LiveGuide),
}

/// A guided test under way.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
pub struct LiveGuide {
    /// The car's id.
    pub car: String,
    /// Which step is due, from 0.
    pub at: usize,
    /// What is seen just now, in a sentence.
    pub says: String,
}

/// Samples of one car.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct LiveSamples {
    /// The car's id.
    pub car: String,
    /// Moments, in seconds since 1970-01-01T00:00:00Z.
    pub times_s: Vec<f64>,
    /// Values by signal id, each as long as `times_s`; binary signals are 1 or 0; null: not known.
    pub values: BTreeMap<String, Vec<Option<f32>>>,
}

/// What the roof of one car is doing.
#[derive(Debug, Clone, Default, Serialize, utoipa::ToSchema)]
pub struct LiveState {
    /// The car's id.
    pub car: String,
    /// When this was so, RFC 3339, UTC.
    pub at: String,
    /// A movement is under way.
    pub moving: bool,
    /// Pump or valve is on.
    pub driving: bool,
    /// `opening` or `closing`.
    pub direction: Option<String>,
    /// Start of the movement, RFC 3339, UTC.
    pub start: Option<String>,
    /// The step that runs; null while at rest and after the last step.
    pub phase: Option<String>,
    /// How long it has run, in seconds.
    pub elapsed_s: Option<f64>,
    /// What it should take, in seconds.
    pub expected_s: Option<f64>,
    /// Longer than this is slow, in seconds.
    pub limit_s: Option<f64>,
    /// Switches it waits for.
    pub waiting_for: Vec<Waiting>,
    /// How long the pump has run without a pause, in seconds.
    pub pump_on_s: Option<f64>,
    /// How long the pump may still run, in seconds; negative: past it.
    pub pump_left_s: Option<f64>,
    /// The steps so far and still to come, in order.
    pub steps: Vec<LiveStep>,
}

/// A switch that a step waits for.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Waiting {
    /// The signal's id.
    pub signal: String,
    /// Its name for people.
    pub label: String,
    /// The state it must take: made, or free.
    pub made: bool,
}

/// A step of the movement under way.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct LiveStep {
    /// Its name.
    pub name: String,
    /// `done`, `running` or `ahead`.
    pub state: &'static str,
    /// How long it took or has run, in seconds.
    pub duration_s: Option<f64>,
    /// What it should take, in seconds.
    pub expected_s: f64,
    /// Longer than this is slow, in seconds.
    pub limit_s: f64,
    /// `confirmed`, `late`, `inferred` or `missing`, once it is done.
    pub confirmation: Option<&'static str>,
}

/// A movement that began or is over.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct LiveCycle {
    /// The car's id.
    pub car: String,
    /// Its start, RFC 3339, UTC: where the cycle is found.
    pub start: String,
    /// How it ended, once that is known.
    pub outcome: Option<String>,
    /// What was found, in one sentence each.
    pub findings: Vec<String>,
}

/// How a logger or its port is.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct PortState {
    /// The port or file that it hangs on.
    pub port: String,
    /// The car that its logger is attached to, once that is known.
    pub car: Option<String>,
    /// The logger, once it has said who it is.
    pub logger: Option<String>,
    /// Data comes, or may come at any moment: nobody needs to do anything.
    pub well: bool,
    /// The state in words: "recording", "unplugged; plug it in again, nothing is lost".
    pub words: String,
    /// Since when, RFC 3339, UTC.
    pub since: String,
}

impl LiveMessage {
    /// The car that it is about; `None`: it concerns everybody.
    pub fn car(&self) -> Option<&str> {
        match self {
            LiveMessage::Samples(samples) => Some(&samples.car),
            LiveMessage::State(state) => Some(&state.car),
            LiveMessage::Began(cycle) | LiveMessage::Closed(cycle) | LiveMessage::Settled(cycle) => {
                Some(&cycle.car)
            }
            LiveMessage::Port(port) => port.car.as_deref(),
            LiveMessage::Guide(guide) => Some(&guide.car),
        }
    }

    /// Its name in the event stream.
    pub fn name(&self) -> &'static str {
        match self {
            LiveMessage::Samples(_) => "samples",
            LiveMessage::State(_) => "state",
            LiveMessage::Began(_) => "began",
            LiveMessage::Closed(_) => "closed",
            LiveMessage::Settled(_) => "settled",
            LiveMessage::Port(_) => "port",
            LiveMessage::Guide(_) => "guide",
        }
    }
}

impl LiveState {
    /// What the engine says of the movement under way; `None`: the roof is at rest. `utc` takes the log's time to UTC.
    ///
    /// Expected times and limits are the profile's, at its reference conditions.
    pub fn of(
        car: &str,
        profile: &Profile,
        live: Option<&Live>,
        now: Micros,
        utc: &dyn Fn(Micros) -> Micros,
    ) -> LiveState {
        let at = foldwatch_report::rfc3339(utc(now));
        let Some(live) = live else {
            return LiveState { car: car.to_owned(), at, ..LiveState::default() };
        };
        let phase = live.phase.map(|phase| phase.of(profile));
        let pump_on_s = live.pump_on.map(|s| s.0);
        let longest = profile.electrics.longest_run.map(|s| s.0);
        let steps = profile
            .sequence(live.direction)
            .iter()
            .enumerate()
            .map(|(index, step)| {
                let run = live
                    .phases
                    .iter()
                    .rev()
                    .find(|run| run.phase.index == index && run.phase.direction == live.direction);
                let running = live.phase.is_some_and(|running| running.index == index);
                LiveStep {
                    name: step.name.clone(),
                    state: match (running, run) {
                        (true, _) => "running",
                        (false, Some(_)) => "done",
                        (false, None) => "ahead",
                    },
                    duration_s: run.map(|run| run.duration().0),
                    expected_s: step.expected.0,
                    limit_s: step.limit.0,
                    confirmation: run.filter(|_| !running).map(|run| run.confirmation.as_str()),
                }
            })
            .collect();
        LiveState {
            car: car.to_owned(),
            at,
            moving: true,
            driving: live.driving,
            direction: Some(live.direction.to_string()),
            start: Some(foldwatch_report::rfc3339(utc(live.start))),
            phase: phase.map(|phase| phase.name.clone()),
            elapsed_s: phase.map(|_| (live.now - live.since).0),
            expected_s: phase.map(|phase| phase.expected.0),
            limit_s: phase.map(|phase| phase.limit.0),
            waiting_for: live
                .waiting_for
                .iter()
                .map(|(ix, made)| {
                    let signal = profile.signal(*ix);
                    Waiting { signal: signal.id.clone(), label: signal.label.clone(), made: *made }
                })
                .collect(),
            pump_on_s,
            pump_left_s: longest.map(|longest| longest - pump_on_s.unwrap_or(0.0)),
            steps,
        }
    }
}

/// Hands messages on to everybody who watches, and keeps the newest state for whoever comes later.
#[derive(Debug)]
pub struct Hub {
    /// `None`: closed for good, streams end.
    sender: Mutex<Option<broadcast::Sender<LiveMessage>>>,
    newest: Mutex<Newest>,
}

#[derive(Debug, Default)]
struct Newest {
    states: BTreeMap<String, LiveState>,
    ports: BTreeMap<String, PortState>,
}

/// Messages that a slow watcher may lie behind before it misses some.
const BACKLOG: usize = 1024;

impl Default for Hub {
    fn default() -> Self {
        Hub { sender: Mutex::new(Some(broadcast::channel(BACKLOG).0)), newest: Mutex::default() }
    }
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Hub {
    /// Hands a message on. Never waits; nobody has to be watching.
    pub fn publish(&self, message: LiveMessage) {
        match &message {
            LiveMessage::State(state) => {
                lock(&self.newest).states.insert(state.car.clone(), state.clone());
            }
            LiveMessage::Port(port) => {
                lock(&self.newest).ports.insert(port.port.clone(), port.clone());
            }
            _ => {}
        }
        if let Some(sender) = &*lock(&self.sender) {
            // An error says that nobody watches.
            let _ = sender.send(message);
        }
    }

    /// How many watch: with nobody there the daemon need not prepare samples.
    pub fn watchers(&self) -> usize {
        lock(&self.sender).as_ref().map_or(0, broadcast::Sender::receiver_count)
    }

    /// Ends every stream, for good.
    pub fn close(&self) {
        lock(&self.sender).take();
    }

    /// A port is gone and need not be shown any more.
    pub fn forget_port(&self, port: &str) {
        lock(&self.newest).ports.remove(port);
    }

    /// What every port is like.
    pub fn ports(&self) -> Vec<PortState> {
        lock(&self.newest).ports.values().cloned().collect()
    }

    /// Whether nobody needs to do anything, and a sentence on it.
    pub fn standing(&self) -> (bool, String) {
        let newest = lock(&self.newest);
        match newest.ports.values().find(|port| !port.well) {
            Some(port) => (false, format!("{}: {}.", port.port, port.words)),
            None if newest.ports.is_empty() => (true, "Running. No port is listened to.".to_owned()),
            None => (true, "Running. Every port is well.".to_owned()),
        }
    }

    /// What a car's roof is doing, as far as anything was heard of it.
    pub fn state(&self, car: &str) -> Option<LiveState> {
        lock(&self.newest).states.get(car).cloned()
    }

    /// From now on; a stream that has ended already once the hub is closed.
    pub(crate) fn subscribe(&self) -> broadcast::Receiver<LiveMessage> {
        lock(&self.sender).as_ref().map_or_else(|| broadcast::channel(1).1, broadcast::Sender::subscribe)
    }
}
