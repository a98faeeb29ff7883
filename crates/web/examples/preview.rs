//! The pages with a simulated car, to be looked at: `cargo run -p foldwatch-web --example preview -- [PORT] [CYCLES]`.
//!
//! One car with faults, a sound one, and one that has not moved yet. The last opening is played to the bench again and
//! again.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use foldwatch_access::{Accounts, Guard, Pace};
use foldwatch_guide::{Guide, Kind, Press};
use foldwatch_pipeline::{Engine, Event, Verdict};
use foldwatch_profile::{PhaseRef, Profile, SignalIx};
use foldwatch_report::rfc3339;
use foldwatch_rig::{Fault, FaultKind, Recorder, RigEvent, Scenario, Target, TruthLine, simulate};
use foldwatch_samples::{GapCause, Item};
use foldwatch_segment::Recording;
use foldwatch_store::*;
use foldwatch_units::{Direction, Micros, Seconds};
use foldwatch_web::*;

/// The causes are the daemon's matter.
struct Unasked;

impl Causes for Unasked {
    fn diagnosis(&self, _: &str, _: &[(String, String)]) -> Option<foldwatch_report::Diagnosis> {
        None
    }

    fn enter(&self, _: Entry) -> Result<(), String> {
        Err("a preview keeps nothing".to_owned())
    }
}

/// The one test that is under way on the car that moves.
struct Guided(Arc<Profile>, Mutex<Option<Guide>>);

impl Guided {
    fn lock(&self) -> MutexGuard<'_, Option<Guide>> {
        self.1.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn with(&self, act: impl FnOnce(&mut Guide)) {
        if let Some(guide) = &mut *self.lock() {
            act(guide);
        }
    }
}

impl Guides for Guided {
    fn now(&self, car: &str) -> Option<GuideNow> {
        self.lock().as_ref().filter(|_| car == MOVES).map(GuideNow::from)
    }

    fn begin(&self, _: &str, kind: Kind, _: &str) -> Result<(), String> {
        *self.lock() = Some(Guide::new(kind, Arc::clone(&self.0))?);
        Ok(())
    }

    fn press(&self, _: &str, _: usize, press: Press) -> bool {
        self.with(|guide| guide.press(press));
        true
    }

    fn end(&self, _: &str) {
        *self.lock() = None;
    }
}

/// The car whose roof moves on the bench.
const MOVES: &str = "harbour-2";

impl Trail for Unasked {
    fn note(&self, _: &Deed) {}

    fn newest(&self, _: usize) -> Result<Vec<Deed>, String> {
        Ok(Vec::new())
    }
}

type Anything = Box<dyn std::error::Error + Send + Sync>;

#[tokio::main]
async fn main() -> Result<(), Anything> {
    let mut args = std::env::args().skip(1);
    let port: u16 = args.next().map_or(Ok(8765), |p| p.parse())?;
    let cycles: u32 = args.next().map_or(Ok(24), |n| n.parse())?;
    let text = std::fs::read_to_string("config/profiles/hardtop-five.toml")?;
    let profile = foldwatch_profile::parse(&text).map_err(|p| format!("{p:?}"))?.profile;
    let mut store = MemoryStore::new();
    store.put_profile(&profile.id, &text, Micros(0))?;
    let mut played = BTreeMap::new();
    let cars =
        [("harbour-2", "Harbour 2, red", cycles), ("meadow-7", "Meadow 7", 6), ("quarry-1", "Quarry 1", 0)];
    for (id, name, count) in cars {
        let car = Car { id: id.into(), name: name.into(), profile: profile.id.clone(), recorded: Micros(0) };
        store.put_car(&car)?;
        let faults = if id == "harbour-2" { faults(&profile) } else { Vec::new() };
        let verdicts = if count == 0 { Vec::new() } else { play(&profile, count, faults)? };
        let records = verdicts.iter().map(|v| record(&profile, id, v)).collect::<Result<_, _>>()?;
        store.put_judged(&Judged { cycles: records, ..Judged::default() })?;
        played.insert(id.to_owned(), verdicts);
    }
    let entry = Entry {
        car: MOVES.into(),
        kind: EntryKind::Note,
        at: Micros(1_748_822_400_000_000),
        written: Micros(1_748_822_400_000_000),
        author: "J. at the bench".into(),
        cycle: None,
        subject: "logger fitted".into(),
        result: String::new(),
        text: "Current clamp on the pump feed, pressure at the test port.".into(),
        corrects: None,
    };
    store.add_entry(&entry)?;
    let hub = Arc::new(Hub::default());
    let profile = Arc::new(profile);
    let guided = Arc::new(Guided(Arc::clone(&profile), Mutex::default()));
    let played = Arc::new(played);
    let open: Open = Box::new(move || store.reader());
    let app = App::new(Parts {
        open,
        traces: Arc::new(Played(Arc::clone(&played))),
        causes: Arc::new(Unasked),
        guides: Arc::clone(&guided) as Arc<dyn Guides>,
        places: Arc::new(NoPlaces),
        evidence: Arc::new(NoEvidence),
        fleet: Arc::default(),
        told: None,
        hub: Arc::clone(&hub),
        door: Arc::new(Door::new(Guard::new(Accounts::default(), Pace::new(100, 100)), Arc::new(Unasked))),
        metrics: Box::new(|| {
            "# HELP foldwatch_up Whether foldwatch runs.\n# TYPE foldwatch_up gauge\nfoldwatch_up 1\n".into()
        }),
    });
    let listener = tokio::net::TcpListener::bind(("127.0.0.1", port)).await?;
    println!("http://{}", listener.local_addr()?);
    tokio::spawn(bench(profile, played, hub, guided));
    serve(listener, app, None, Bounds::default(), async {
        // Without a way to listen for the key there is no way to stop but from outside.
        if tokio::signal::ctrl_c().await.is_err() {
            std::future::pending::<()>().await;
        }
    })
    .await?;
    Ok(())
}

fn faults(profile: &Profile) -> Vec<Fault> {
    let step = |direction, index| Target::Step(PhaseRef { direction, index });
    let mut faults = vec![
        Fault::new(FaultKind::Friction, step(Direction::Closing, 2), 0.9).over(20),
        Fault::new(FaultKind::RunOn, Target::System, 0.6).from_cycle(9).now_and_then(0.5),
    ];
    if let Some(ix) = profile.find("roof_stowed") {
        faults
            .push(Fault::new(FaultKind::SwitchLate, Target::Signal(ix), 0.7).from_cycle(8).now_and_then(0.6));
    }
    faults
}

struct Played(Arc<BTreeMap<String, Vec<Verdict>>>);

impl foldwatch_web::Traces for Played {
    fn recording(&self, car: &str, from: Micros, to: Micros) -> Result<Recording, NoTraces> {
        let verdicts = self.0.get(car).map(Vec::as_slice).unwrap_or_default();
        let fits = |v: &&Verdict| v.cycle.start <= to && v.cycle.end + Seconds(30.0) >= from;
        verdicts.iter().find(fits).map(|v| v.cycle.recording.clone()).ok_or(NoTraces::NotKept)
    }
}

struct Feed {
    engine: Engine,
    analog: Vec<SignalIx>,
    row: Vec<f32>,
    verdicts: Vec<Verdict>,
}

impl Recorder for Feed {
    fn event(&mut self, event: RigEvent<'_>) {
        let item = match event {
            RigEvent::Row { at, analog } => {
                for (ix, value) in self.analog.iter().zip(analog) {
                    self.row[ix.at()] = *value;
                }
                Item::Row { at, values: &self.row }
            }
            RigEvent::Edge { at, signal, on } => Item::Edge { at, signal, on },
            RigEvent::Mark { at } => Item::Mark { at },
            RigEvent::Gap { until, .. } => Item::Gap { until, cause: GapCause::Missing },
        };
        let verdicts = &mut self.verdicts;
        self.engine.push(&item, &mut |event| keep(verdicts, event));
    }

    fn truth(&mut self, _: TruthLine) {}
}

fn keep(verdicts: &mut Vec<Verdict>, event: Event) {
    if let Event::Settled(verdict) = event {
        verdicts.push(*verdict);
    }
}

fn play(profile: &Profile, cycles: u32, faults: Vec<Fault>) -> Result<Vec<Verdict>, Anything> {
    let mut scenario = Scenario::cycles(profile, 7, cycles);
    scenario.faults = faults;
    scenario.sample_rate_hz = 50.0;
    // The same cycles, spread over a week.
    let apart = Seconds(6.5 * 86_400.0 / f64::from(cycles));
    for (n, used) in scenario.uses.iter_mut().enumerate() {
        used.at = scenario.start + Seconds(28_800.0) + apart * (n as f64);
        scenario.end = used.at + Seconds(200.0);
    }
    scenario.sleep_rate_hz = 0.02;
    let mut feed = Feed {
        engine: Engine::new(Arc::new(profile.clone())),
        analog: profile.signals().filter(|(_, s)| !s.kind.is_binary()).map(|(ix, _)| ix).collect(),
        row: vec![f32::NAN; profile.signals.len()],
        verdicts: Vec::new(),
    };
    simulate(&scenario, &mut feed).map_err(|e| e.to_string())?;
    let Feed { mut engine, mut verdicts, .. } = feed;
    engine.finish(&mut |event| keep(&mut verdicts, event));
    Ok(verdicts)
}

fn record(profile: &Profile, car: &str, verdict: &Verdict) -> Result<CycleRecord, Anything> {
    Ok(foldwatch_web::record(car, &foldwatch_report::cycle(profile, verdict, &|at| at))?)
}

/// Plays the last opening to the bench, at its own pace, over and over.
async fn bench(
    profile: Arc<Profile>,
    played: Arc<BTreeMap<String, Vec<Verdict>>>,
    hub: Arc<Hub>,
    guided: Arc<Guided>,
) {
    let car = MOVES;
    hub.publish(LiveMessage::Port(PortState {
        port: "/dev/ttyUSB0".into(),
        car: Some(car.into()),
        logger: Some("bench logger".into()),
        well: true,
        words: "recording; everything is kept".into(),
        since: "2025-06-08T08:00:00Z".into(),
    }));
    let Some(verdict) = played[car].iter().rev().find(|v| v.cycle.direction == Direction::Opening) else {
        return;
    };
    let recording = &verdict.cycle.recording;
    loop {
        let mut engine = Engine::new(Arc::clone(&profile));
        let (mut times, mut columns) = (Vec::new(), BTreeMap::<String, Vec<Option<f32>>>::new());
        let mut row: Vec<f32> = vec![f32::NAN; profile.signals.len()];
        for (n, at) in recording.times.iter().enumerate() {
            for (ix, signal) in profile.signals() {
                row[ix.at()] = match recording.trace(ix) {
                    Some(trace) => trace[n],
                    None => recording.state(ix, *at).map_or(f32::NAN, |on| f32::from(u8::from(on))),
                };
                columns
                    .entry(signal.id.clone())
                    .or_default()
                    .push(Some(row[ix.at()]).filter(|v| v.is_finite()));
            }
            times.push(at.as_secs());
            guided.with(|guide| guide.item(&Item::Row { at: *at, values: &row }));
            engine.push(&Item::Row { at: *at, values: &row }, &mut |event| {
                if let Event::Closed(v) = event {
                    let json = foldwatch_report::cycle(&profile, &v, &|at| at);
                    hub.publish(LiveMessage::Closed(LiveCycle {
                        car: car.into(),
                        start: rfc3339(v.cycle.start),
                        outcome: Some(json.outcome),
                        findings: json.findings.into_iter().map(|f| f.message).collect(),
                    }));
                }
            });
            if n % 5 == 4 {
                let samples = LiveSamples {
                    car: car.into(),
                    times_s: std::mem::take(&mut times),
                    values: std::mem::take(&mut columns),
                };
                hub.publish(LiveMessage::Samples(samples));
                let state = LiveState::of(car, &profile, engine.live().as_ref(), *at, &|at| at);
                hub.publish(LiveMessage::State(state));
                guided.with(|guide| {
                    let now = LiveGuide { car: car.into(), at: guide.at(), says: guide.says() };
                    hub.publish(LiveMessage::Guide(now));
                });
                tokio::time::sleep(Duration::from_millis(100)).await;
            }
        }
    }
}
