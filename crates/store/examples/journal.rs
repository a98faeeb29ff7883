//! How fast frames become durable, and how soon a big store is ready.
//!
//! `cargo run --release -p foldwatch-store --no-default-features --example journal -- FOLDER [CYCLES [alone]]`; `alone`
//! leaves the frames out, so that a daemon can be started on the folder.

use std::time::Instant;

use foldwatch_store::*;
use foldwatch_units::{Direction, Micros, Seconds};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let folder = arguments.next().ok_or("give a folder for the store")?;
    let cycles: i64 = arguments.next().map_or(Ok(1_000_000), |text| text.parse())?;
    let sizes = [(1, 200), (8, 200), (100, 100), (1_000, 50)];
    let sizes = if arguments.next().as_deref() == Some("alone") { &[] } else { &sizes[..] };
    let mut store = SqliteStore::open(&folder)?;
    store.put_car(&Car { id: "oak".into(), name: "Oak".into(), profile: "p".into(), recorded: Micros(1) })?;
    store.attach("L", "oak", Micros(1))?;

    // A block of 100 rows of 16 signals is about 400 bytes on the wire.
    let frame = |sequence: u64| Frame {
        logger: "L".into(),
        boot: 1,
        sequence,
        received: Micros(sequence as i64),
        logged: None,
        bytes: sequence.to_le_bytes().repeat(50),
    };
    let mut next = 0;
    for &(size, batches) in sizes {
        let mut took = Vec::new();
        for _ in 0..batches {
            let batch: Vec<_> = (next..next + size).map(frame).collect();
            let began = Instant::now();
            next = store.append(&batch)?[0].up_to + 1;
            took.push(began.elapsed().as_secs_f64());
        }
        took.sort_by(f64::total_cmp);
        let rate = (size * batches) as f64 / took.iter().sum::<f64>();
        let at = |share: f64| took[(took.len() as f64 * share) as usize] * 1e3;
        println!(
            "batches of {size:4} frames: {rate:8.0} frames/s, p50 {:.2} ms, p99 {:.2} ms",
            at(0.5),
            at(0.99)
        );
    }

    let began = Instant::now();
    for first in (0..cycles).step_by(5_000) {
        let judged = (first..(first + 5_000).min(cycles)).map(cycle).collect();
        store.put_judged(&Judged { cycles: judged, ..Judged::default() })?;
    }
    println!("{cycles} cycles of 6 phases, 10 measures, 1 finding in {:.1} s", began.elapsed().as_secs_f64());
    drop(store);

    let began = Instant::now();
    let store = SqliteStore::open(&folder)?;
    let newest = store.catalogue().cycles(&CycleQuery::default())?;
    println!(
        "opened, and the newest {} cycles listed, in {:.0} ms",
        newest.len(),
        began.elapsed().as_secs_f64() * 1e3
    );
    let began = Instant::now();
    let runs = store.catalogue().phase_runs("oak", Direction::Opening, 3, Span::ALL, 1_000)?;
    println!("the last {} runs of a phase in {:.1} ms", runs.len(), began.elapsed().as_secs_f64() * 1e3);
    let bytes = std::fs::metadata(store.folder().database())?.len();
    println!("the database has {} MB", bytes / 1_000_000);
    Ok(())
}

fn cycle(number: i64) -> CycleRecord {
    let start = Micros(number * 60_000_000);
    let phase = |index: u32| PhaseRecord {
        direction: Direction::Opening,
        index,
        name: format!("step {index}"),
        start,
        duration: Seconds(3.0),
        u_duration: Seconds(0.004),
        confirmation: "confirmed".into(),
        corrected: Some(Seconds(2.9)),
        oil: None,
        supply: None,
    };
    let measure = |at: u32| MeasureRecord {
        phase: Some(at % 6),
        name: format!("measure-{at}"),
        value: f64::from(at),
        u: Some(0.1),
        unit: "bar".into(),
    };
    let finding = FindingRecord {
        kind: "slow-phase".into(),
        weight: Weight::Note,
        phase: Some("step 3".into()),
        signal: None,
        at: start,
        value: Some(3.0),
        limit: Some(2.5),
        unit: "s".into(),
        message: "The step took longer than it should.".into(),
    };
    CycleRecord {
        car: "oak".into(),
        start,
        end: Micros(start.0 + 20_000_000),
        direction: Direction::Opening,
        outcome: "completed".into(),
        judged: judged(start),
        phases: (0..6).map(phase).collect(),
        measures: (0..10).map(measure).collect(),
        findings: vec![finding],
    }
}

/// What the daemon writes of such a cycle, as it writes it: pages must be able to show the folder. The store itself never
/// looks into it.
fn judged(start: Micros) -> String {
    let at = |more: i64| {
        let at = jiff::Timestamp::from_microsecond(start.0 + more * 1_000_000).unwrap_or_default();
        format!("{at:.6}")
    };
    let phases: Vec<String> = (0..6)
        .map(|n| {
            format!(
                r#"{{"name":"step {n}","direction":"opening","index":{n},"start":"{}","end":"{}","duration_s":3.0,"u_duration_s":0.004,"confirmation":"confirmed","corrected_s":2.9,"contributions":[],"measures":[]}}"#,
                at(3 * n),
                at(3 * n + 3)
            )
        })
        .collect();
    format!(
        r#"{{"start":"{}","end":"{}","direction":"opening","outcome":"completed","from_part_way":false,"phases":[{}],"findings":[{{"kind":"slow-phase","weight":"note","phase":"step 3","at":"{}","value":3.0,"unit":"s","limit":2.5,"sure":0.9,"message":"The step took longer than it should."}}],"measures":[]}}"#,
        at(0),
        at(20),
        phases.join(","),
        at(9)
    )
}
