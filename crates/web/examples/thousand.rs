//! A fleet of a thousand cars with a thousand cycles each: how long its books take to build, and how fast its page is.
//!
//! `cargo run --release -p foldwatch-web --example thousand [-- CARS CYCLES [FOLDER]]`; a folder that holds such a store
//! is used as it is.

#![allow(clippy::unwrap_used, reason = "a measurement that can't be made should stop")]

use std::io::{Read, Write};
use std::net::TcpStream;
use std::sync::{Arc, Mutex};
use std::time::Instant;

use foldwatch_access::{Accounts, Guard, Pace};
use foldwatch_fleet::{About, Car, Current, load_all};
use foldwatch_guide::{Kind, Press};
use foldwatch_profile::Profile;
use foldwatch_segment::Recording;
use foldwatch_store::Entry;
use foldwatch_store::{
    Car as StoredCar, Catalogue, CycleQuery, CycleRecord, Judged, MeasureRecord, PhaseRecord, SqliteReader,
    SqliteStore, Storage,
};
use foldwatch_units::{Celsius, Direction, Micros, Seconds};
use foldwatch_web::*;
use rand::{Rng, SeedableRng};

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

impl Traces for Nothing {
    fn recording(&self, _: &str, _: Micros, _: Micros) -> Result<Recording, NoTraces> {
        Err(NoTraces::NotKept)
    }
}

impl Trail for Nothing {
    fn note(&self, _: &Deed) {}
    fn newest(&self, _: usize) -> Result<Vec<Deed>, String> {
        Ok(Vec::new())
    }
}

#[tokio::main]
async fn main() {
    let mut args = std::env::args().skip(1);
    let cars: usize = args.next().map_or(1000, |n| n.parse().unwrap());
    let cycles: usize = args.next().map_or(1000, |n| n.parse().unwrap());
    let folder = args.next().map_or_else(|| std::env::temp_dir().join("foldwatch-thousand"), Into::into);
    let text = std::fs::read_to_string("config/profiles/hardtop-five.toml").unwrap();
    let profile = Arc::new(foldwatch_profile::parse(&text).unwrap().profile);
    let ids: Vec<(String, Arc<Profile>)> =
        (0..cars).map(|n| (format!("car-{n:04}"), Arc::clone(&profile))).collect();
    fill(&folder, &text, &ids, cycles);

    let fleet = Arc::new(Current::default());
    let about = |id: &str| About { name: id.to_owned(), kind: profile.id.clone(), group: String::new() };
    let open = || SqliteReader::open(&folder).map(|reader| Box::new(reader) as Box<dyn Catalogue + Send>);
    let begin = Instant::now();
    let read = Mutex::new(Vec::new());
    load_all(&ids, open, |id, loaded| {
        let (book, assessed) = loaded.unwrap();
        read.lock().unwrap().push((id.to_owned(), Car::new(about(id), book, assessed)));
    });
    fleet.put(fleet.get().with(read.into_inner().unwrap(), 0));
    println!("books of {cars} cars x {cycles} cycles built: {:.1} s", begin.elapsed().as_secs_f64());

    let reader = folder.clone();
    let app = App::new(Parts {
        open: Box::new(move || {
            SqliteReader::open(&reader).map(|reader| Box::new(reader) as Box<dyn Catalogue + Send>)
        }),
        traces: Arc::new(Nothing),
        causes: Arc::new(Nothing),
        guides: Arc::new(Nothing),
        places: Arc::new(NoPlaces),
        evidence: Arc::new(NoEvidence),
        fleet: Arc::clone(&fleet),
        told: None,
        hub: Arc::new(Hub::default()),
        door: Arc::new(Door::new(Guard::new(Accounts::default(), Pace::new(100, 100)), Arc::new(Nothing))),
        metrics: Box::new(String::new),
    });
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    tokio::spawn(serve(listener, app, None, Bounds::default(), std::future::pending()));
    let get = move || {
        let mut stream = TcpStream::connect(address).unwrap();
        stream.write_all(b"GET /fleet HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n").unwrap();
        let mut answer = Vec::new();
        stream.read_to_end(&mut answer).unwrap();
        assert!(answer.starts_with(b"HTTP/1.1 200"), "{}", String::from_utf8_lossy(&answer));
        answer.len()
    };
    let bytes = tokio::task::spawn_blocking(get).await.unwrap();
    println!("the page: {bytes} bytes");
    let still = tokio::task::spawn_blocking(move || times(get)).await.unwrap();
    // A thousand cars in use bring about one cycle in twenty seconds; here they bring five a second.
    std::thread::spawn(move || {
        for n in 0.. {
            let begin = Instant::now();
            let (id, _) = &ids[n % ids.len()];
            let now = fleet.get();
            let (about, book) = now.car(id).unwrap();
            let mut book = book.clone();
            let newest = book.newest().unwrap();
            let mut rng = rand_pcg::Pcg64Mcg::seed_from_u64(n as u64);
            book.cycle(&cycle(id, n, newest + Seconds(3600.0), 0.0, &mut rng)).unwrap();
            let assessed = book.assess();
            let car = Car::new(about.clone(), book, assessed);
            fleet.put(now.with([(id.clone(), car)], 0));
            if n == 20 {
                println!("one cycle taken in: {:.0} ms", begin.elapsed().as_secs_f64() * 1e3);
            }
            std::thread::sleep(std::time::Duration::from_millis(200).saturating_sub(begin.elapsed()));
        }
    });
    let moving = tokio::task::spawn_blocking(move || times(get)).await.unwrap();
    println!("nothing new:           p50 {:.1} ms, p99 {:.1} ms", still.0, still.1);
    println!("five cycles a second: p50 {:.1} ms, p99 {:.1} ms", moving.0, moving.1);
}

/// Median and 99th percentile of 500 requests in ms, one after another.
fn times(get: impl Fn() -> usize) -> (f64, f64) {
    let mut times: Vec<f64> = (0..500)
        .map(|_| {
            let begin = Instant::now();
            get();
            begin.elapsed().as_secs_f64() * 1e3
        })
        .collect();
    times.sort_by(f64::total_cmp);
    (times[250], times[495])
}

fn fill(folder: &std::path::Path, text: &str, ids: &[(String, Arc<Profile>)], cycles: usize) {
    let mut store = SqliteStore::open(folder).unwrap();
    let query = CycleQuery { limit: 1, ..CycleQuery::default() };
    if !store.catalogue().cycles(&query).unwrap().is_empty() {
        return;
    }
    let begin = Instant::now();
    store.put_profile(&ids[0].1.id, text, Micros(0)).unwrap();
    for (n, (id, profile)) in ids.iter().enumerate() {
        store
            .put_car(&StoredCar {
                id: id.clone(),
                name: id.clone(),
                profile: profile.id.clone(),
                recorded: Micros(0),
            })
            .unwrap();
        let mut rng = rand_pcg::Pcg64Mcg::seed_from_u64(n as u64);
        // One in ten gets slower by a tenth in a thousand cycles.
        let wear = if n % 10 == 3 { 1e-4 } else { 0.0 };
        let cycles = (0..cycles).map(|c| cycle(id, c, Micros(c as i64 * 9 * 3_600_000_000), wear, &mut rng));
        store.put_judged(&Judged { cycles: cycles.collect(), ..Judged::default() }).unwrap();
    }
    println!("a store of that: {:.0} s", begin.elapsed().as_secs_f64());
}

fn cycle(car: &str, n: usize, start: Micros, wear: f64, rng: &mut rand_pcg::Pcg64Mcg) -> CycleRecord {
    let direction = if n.is_multiple_of(2) { Direction::Opening } else { Direction::Closing };
    let mut phases = Vec::new();
    let mut at = start;
    for index in 0..5 {
        let seconds =
            Seconds((3.0 + f64::from(index)) * (1.0 + wear * n as f64 + 0.02 * (rng.random::<f64>() - 0.5)));
        phases.push(PhaseRecord {
            direction,
            index,
            name: format!("Step {index}"),
            start: at,
            duration: seconds,
            u_duration: Seconds(0.01),
            confirmation: "confirmed".to_owned(),
            corrected: Some(seconds),
            oil: Some(Celsius(20.0)),
            supply: None,
        });
        at = at + seconds;
    }
    let measure = |phase, name: &str, value: f64, unit: &str| MeasureRecord {
        phase,
        name: name.to_owned(),
        value,
        u: None,
        unit: unit.to_owned(),
    };
    let mut measures: Vec<MeasureRecord> = (0..5)
        .map(|p| measure(Some(p), "volumetric-efficiency", 0.9 - 0.02 * rng.random::<f64>(), ""))
        .collect();
    measures.push(measure(None, "hold-time-constant", 60.0 + 5.0 * rng.random::<f64>(), "s"));
    measures.push(measure(None, "run-on", 0.3 + 0.05 * rng.random::<f64>(), "s"));
    CycleRecord {
        car: car.to_owned(),
        start,
        end: at,
        direction,
        outcome: "completed".to_owned(),
        judged: String::new(),
        phases,
        measures,
        findings: Vec::new(),
    }
}
