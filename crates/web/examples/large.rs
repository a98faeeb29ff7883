//! A large cycle and a fast bench, to be measured in a browser: `cargo run -p foldwatch-web --example large -- [PORT]`.
//!
//! 16 signals at 500 rows a second: a cycle of 60 s with a sound one before it, and the same again and again on the bench.

use std::fmt::Write;
use std::sync::Arc;
use std::time::Duration;

use foldwatch_access::{Accounts, Guard, Pace};
use foldwatch_guide::{Kind, Press};
use foldwatch_pipeline::{Engine, Event, Verdict};
use foldwatch_profile::Profile;
use foldwatch_samples::Item;
use foldwatch_segment::Recording;
use foldwatch_store::*;
use foldwatch_units::{Micros, Seconds};
use foldwatch_web::*;

type Anything = Box<dyn std::error::Error + Send + Sync>;

const CAR: &str = "large";
const RATE: f64 = 500.0;
const START: Micros = Micros(1_748_822_400_000_000);

struct Nothing;

impl Causes for Nothing {
    fn diagnosis(&self, _: &str, _: &[(String, String)]) -> Option<foldwatch_report::Diagnosis> {
        None
    }
    fn enter(&self, _: Entry) -> Result<(), String> {
        Err("this keeps nothing".to_owned())
    }
}

impl Guides for Nothing {
    fn now(&self, _: &str) -> Option<GuideNow> {
        None
    }
    fn begin(&self, _: &str, _: Kind, _: &str) -> Result<(), String> {
        Err("this tests nothing".to_owned())
    }
    fn press(&self, _: &str, _: usize, _: Press) -> bool {
        false
    }
    fn end(&self, _: &str) {}
}

impl Trail for Nothing {
    fn note(&self, _: &Deed) {}
    fn newest(&self, _: usize) -> Result<Vec<Deed>, String> {
        Ok(Vec::new())
    }
}

struct Kept(Vec<Verdict>);

impl Traces for Kept {
    fn recording(&self, _: &str, from: Micros, to: Micros) -> Result<Recording, NoTraces> {
        let fits = |v: &&Verdict| v.cycle.start <= to && v.cycle.end >= from;
        self.0.iter().find(fits).map(|v| v.cycle.recording.clone()).ok_or(NoTraces::NotKept)
    }
}

/// 12 numbers and 4 states, one step each way that takes a minute.
fn roof() -> String {
    let mut text = String::from("format = 1\nid = \"large\"\nname = \"Sixteen signals\"\n");
    for (id, kind) in [("pump", "pump"), ("valve", "valve"), ("open", "switch"), ("shut", "switch")] {
        let _ = write!(text, "[[signal]]\nid = \"{id}\"\nkind = \"{kind}\"\n");
    }
    for n in 0..12 {
        let _ = write!(text, "[[signal]]\nid = \"p{n}\"\nkind = \"pressure\"\nunit = \"bar\"\n");
    }
    for (way, end) in [("opening", "open and not shut"), ("closing", "shut and not open")] {
        let _ = write!(
            text,
            "[[{way}]]\nname = \"Move\"\nvalves = [\"valve\"]\nconfirm = \"{end}\"\nexpected_s = 60\n"
        );
    }
    text
}

/// The row `n` of a movement: ripple on a slow wave, in each number another one.
fn row(profile: &Profile, n: usize, moving: bool, open: bool) -> Vec<f32> {
    let t = n as f64 / RATE;
    let value = |(k, s): (usize, &foldwatch_profile::Signal)| match s.id.as_str() {
        "pump" | "valve" => f32::from(u8::from(moving)),
        "open" => f32::from(u8::from(open)),
        "shut" => f32::from(u8::from(!open && !moving)),
        _ if moving => {
            (80.0 + 30.0 * (t * 0.3 + k as f64).sin() + 6.0 * (t * 97.0 * (1.0 + k as f64 / 9.0)).sin())
                as f32
        }
        _ => 1.0,
    };
    profile.signals.iter().enumerate().map(value).collect()
}

fn movement(profile: &Arc<Profile>, start: Micros) -> Result<Verdict, Anything> {
    let mut engine = Engine::new(Arc::clone(profile));
    let mut verdicts = Vec::new();
    let mut keep = |event| {
        if let Event::Settled(verdict) = event {
            verdicts.push(*verdict);
        }
    };
    for n in 0..(75.0 * RATE) as usize {
        let t = n as f64 / RATE;
        let moving = (2.0..62.0).contains(&t);
        let values = row(profile, n, moving, t >= 61.9);
        engine.push(&Item::Row { at: start + Seconds(t), values: &values }, &mut keep);
    }
    engine.finish(&mut keep);
    verdicts.pop().ok_or_else(|| "the engine saw no movement".into())
}

#[tokio::main]
async fn main() -> Result<(), Anything> {
    let port: u16 = std::env::args().nth(1).map_or(Ok(8765), |p| p.parse())?;
    let text = roof();
    let profile = Arc::new(foldwatch_profile::parse(&text).map_err(|p| format!("{p:?}"))?.profile);
    let mut store = MemoryStore::new();
    store.put_profile("large", &text, Micros(0))?;
    let car =
        Car { id: CAR.into(), name: "Sixteen signals".into(), profile: "large".into(), recorded: Micros(0) };
    store.put_car(&car)?;
    let mut verdicts = Vec::new();
    for start in [START, START + Seconds(3600.0)] {
        let verdict = movement(&profile, start)?;
        let cycle = foldwatch_report::cycle(&profile, &verdict, &|at| at);
        store.put_judged(&Judged { cycles: vec![record(CAR, &cycle)?], ..Judged::default() })?;
        println!("/cars/{CAR}/cycles/{}", cycle.start);
        verdicts.push(verdict);
    }
    let hub = Arc::new(Hub::default());
    let app = App::new(Parts {
        open: Box::new(move || store.reader()),
        traces: Arc::new(Kept(verdicts)),
        causes: Arc::new(Nothing),
        places: Arc::new(NoPlaces),
        evidence: Arc::new(NoEvidence),
        guides: Arc::new(Nothing),
        fleet: Arc::default(),
        told: None,
        hub: Arc::clone(&hub),
        door: Arc::new(Door::new(Guard::new(Accounts::default(), Pace::new(100, 100)), Arc::new(Nothing))),
        metrics: Box::new(String::new),
    });
    let listener = tokio::net::TcpListener::bind(("127.0.0.1", port)).await?;
    println!("http://{}/cars/{CAR}/bench", listener.local_addr()?);
    tokio::spawn(play(profile, hub));
    serve(listener, app, None, Bounds::default(), std::future::pending()).await?;
    Ok(())
}

/// 500 rows a second, ten at a time.
async fn play(profile: Arc<Profile>, hub: Arc<Hub>) {
    let mut pace = tokio::time::interval(Duration::from_millis(20));
    let mut n = 0usize;
    loop {
        pace.tick().await;
        let rows: Vec<Vec<f32>> = (n..n + 10).map(|n| row(&profile, n, true, false)).collect();
        let column = |k: usize| rows.iter().map(|row| Some(row[k])).collect();
        hub.publish(LiveMessage::Samples(LiveSamples {
            car: CAR.into(),
            times_s: (n..n + 10).map(|n| START.as_secs() + n as f64 / RATE).collect(),
            values: profile.signals.iter().enumerate().map(|(k, s)| (s.id.clone(), column(k))).collect(),
        }));
        n += 10;
    }
}
