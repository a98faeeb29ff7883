//! What is written can be read back, and is the same each time.

use foldwatch_columns::{ColumnMap, Reader};
use foldwatch_encoder::Encoding;
use foldwatch_rig::write::{ColumnsLog, Dialect, WireLog, WireOptions};
use foldwatch_rig::{Fault, FaultKind, Operator, Scenario, Target, TruthLine, Use, simulate};
use foldwatch_samples::{Item, Sink};
use foldwatch_units::{Micros, Seconds};
use foldwatch_wire::{Decoded, Decoder, Frame};

use crate::{SIX, all_profiles, profile, run};

fn scenario(seed: u64) -> Scenario {
    let mut scenario = Scenario::cycles(&profile(SIX), seed, 1);
    scenario.sample_rate_hz = 20.0;
    scenario.relaxation = Seconds(5.0);
    scenario.end = scenario.start + Seconds(60.0);
    scenario
}

fn wire(scenario: &Scenario, encoding: Encoding) -> (Vec<u8>, Vec<TruthLine>) {
    let mut log = WireLog::new(scenario, WireOptions::new(encoding, scenario));
    simulate(scenario, &mut log).unwrap();
    log.finish().unwrap();
    (log.drain(), log.drain_truth())
}

#[test]
fn the_same_seed_gives_the_same_bytes() {
    let short = |seed| Scenario {
        uses: vec![Use { operator: Operator::Release(Seconds(4.0)), ..scenario(seed).uses[0] }],
        ..scenario(seed)
    };
    for encoding in [Encoding::Packed, Encoding::Text] {
        let (bytes, truth) = wire(&short(8), encoding);
        assert_eq!((bytes.clone(), truth), wire(&short(8), encoding));
        assert_ne!(bytes, wire(&short(9), encoding).0);
    }
}

#[test]
fn truth_is_one_json_object_a_line() {
    let (_, truth) = wire(&scenario(8), Encoding::Packed);
    let records: Vec<serde_json::Value> =
        truth.iter().map(|line| serde_json::from_str(&line.to_json().unwrap()).unwrap()).collect();
    let kinds: Vec<&str> = records.iter().map(|r| r["record"].as_str().unwrap()).collect();
    assert_eq!(kinds, ["roof", "cycle", "log"]);
    assert_eq!(records[1]["outcome"], "completed");
    assert_eq!(records[1]["direction"], "opening");
    assert_eq!(records[1]["phases"][1]["name"], "Raise lid");
    assert_eq!(records[1]["phases"][1]["index"], 1);
    assert!(records[1]["phases"][1]["end_us"].is_i64());
}

fn frames(bytes: &[u8]) -> (Vec<Frame>, usize) {
    let (mut frames, mut damage) = (Vec::new(), 0);
    let mut decoder = Decoder::auto();
    let mut take = |decoded: Decoded<'_>| match decoded {
        Decoded::Frame(received) => frames.push(received.frame),
        _ => damage += 1,
    };
    decoder.push(bytes, &mut take);
    decoder.finish(&mut take);
    (frames, damage)
}

#[test]
fn packed_and_text_say_the_same_and_hold_every_row_and_edge() {
    let scenario = scenario(3);
    let (packed, none) = frames(&wire(&scenario, Encoding::Packed).0);
    assert_eq!(none, 0);
    assert_eq!((packed.clone(), 0), frames(&wire(&scenario, Encoding::Text).0));
    let run = run(&scenario);
    let rows: usize =
        packed.iter().map(|f| if let Frame::Block(b) = f { usize::from(b.rows) } else { 0 }).sum();
    assert_eq!(rows, run.rows.len());
    let Frame::Hello(hello) = &packed[0] else { panic!("no greeting") };
    let first = run.rows[0].0;
    let edges: Vec<u64> =
        packed.iter().filter_map(|f| if let Frame::Edge(e) = f { Some(e.at) } else { None }).collect();
    let seen: Vec<u64> = run.edges.iter().filter(|e| e.0 > first).map(|e| (e.0.0 - first.0) as u64).collect();
    assert_eq!(edges, seen);
    // The pressure is recorded as the sensor's volts; the profile's calibration makes bar of it.
    let nth = hello.of_kind(foldwatch_encoder::Kind::Number).position(|s| s.id == "pressure").unwrap();
    let signal = scenario.profile.signal(scenario.profile.find("pressure").unwrap());
    let scale = hello.signals.iter().find(|s| s.id == "pressure").unwrap().scale;
    let mut read = packed.iter().flat_map(|f| match f {
        Frame::Block(b) => (0..usize::from(b.rows)).map(|r| b.row(r)[nth]).collect(),
        _ => Vec::new(),
    });
    for (_, values) in &run.rows {
        let raw =
            f64::from(read.next().unwrap()) * f64::from(scale.mantissa) * 10f64.powi(scale.exponent.into());
        let bar = raw * signal.calibration.gain + signal.calibration.offset;
        assert!((bar - f64::from(values[nth])).abs() < 1e-3, "{bar} read, {} seen", values[nth]);
    }
}

#[test]
fn logger_faults_show_in_the_bytes() {
    let mut scenario = scenario(3);
    scenario.faults.push(Fault::new(FaultKind::CorruptedBytes, Target::System, 1.0));
    let (bytes, truth) = wire(&scenario, Encoding::Packed);
    let TruthLine::Log(log) = truth.last().unwrap() else { panic!("no account of the log") };
    assert!(log.damaged_frames > 0 && log.damaged_frames < log.frames / 5);
    let (_, damage) = frames(&bytes);
    assert!(damage > 0);

    scenario.uses[0].operator = Operator::Release(Seconds(8.0));
    scenario.faults[0].kind = FaultKind::WrappedCounter;
    let (frames_, _) = frames(&wire(&scenario, Encoding::Packed).0);
    let counts: Vec<u64> = frames_.iter().map(Frame::at).collect();
    assert_eq!(counts.windows(2).filter(|w| w[1] + (1 << 31) < w[0]).count(), 1, "the counter wraps once");

    scenario.faults[0].kind = FaultKind::ClockDrift;
    let (frames_, _) = frames(&wire(&scenario, Encoding::Packed).0);
    let span = (frames_.last().unwrap().latest() - frames_[0].at()) as f64 * 1e-6;
    let run = run(&scenario);
    let truly = (run.rows.last().unwrap().0 - run.rows[0].0).0;
    assert!((span / truly - 1.0 - 500e-6).abs() < 20e-6, "{span} s counted in {truly} s");

    scenario.faults.clear();
    scenario.uses[0].operator = Operator::PowerLoss(Seconds(4.0));
    let (frames_, _) = frames(&wire(&scenario, Encoding::Text).0);
    assert_eq!(
        frames_.iter().filter(|f| matches!(f, Frame::Hello(_))).count(),
        2,
        "a start after the loss of supply"
    );
}

/// Counts the items of the columns' reader, and keeps what a row says.
#[derive(Default)]
struct Rows {
    rows: Vec<(Micros, Vec<f32>)>,
}

impl Sink for Rows {
    fn item(&mut self, item: Item<'_>) {
        match item {
            Item::Row { at, values } => self.rows.push((at, values.to_vec())),
            Item::Same { at } => {
                let last = self.rows.last().unwrap().1.clone();
                self.rows.push((at, last));
            }
            Item::Edge { .. } | Item::Mark { .. } | Item::Gap { .. } => {}
        }
    }
}

#[test]
fn every_dialect_is_read_back_through_its_map() {
    for profile in all_profiles() {
        let mut scenario = scenario(5);
        scenario.layout = foldwatch_rig::Layout::from_profile(&profile);
        scenario.params = foldwatch_rig::RigParams::from_profile(&profile, &scenario.layout);
        scenario.profile = profile;
        let profile = &scenario.profile;
        let run = run(&scenario);
        // Every dialect for the roof whose pressure is recorded raw; one for each of the others.
        let dialects = if profile.id == "hardtop-six" { 4 } else { 1 };
        for (name, dialect) in Dialect::several().into_iter().take(dialects) {
            let psi = dialect.psi;
            let mut log = ColumnsLog::new(&scenario, dialect);
            simulate(&scenario, &mut log).unwrap();
            let map = ColumnMap::parse(log.map(), profile)
                .unwrap_or_else(|e| panic!("{name}: {}\n{}", e[0], log.map()));
            let mut reader = Reader::new(map, profile);
            let mut rows = Rows::default();
            reader.push(&log.drain(), &mut rows).unwrap();
            let report = reader.finish(&mut rows).unwrap();
            assert!(report.skipped.is_empty(), "{name}: {:?}", report.skipped);
            assert!(report.dated && report.unmapped_signals.is_empty(), "{name}");
            assert_eq!(rows.rows.len(), run.rows.len());
            for ((at, values), (seen_at, seen)) in rows.rows.iter().zip(&run.rows) {
                assert!((*at - *seen_at).0.abs() < 2e-6, "{name}: {at:?} for {seen_at:?}");
                for ((ix, _), value) in run.analog.iter().zip(seen) {
                    let room = if psi { 1e-2 } else { 1e-3 };
                    assert!(
                        (values[ix.at()] - value).abs() < room,
                        "{name}: {} for {value}",
                        values[ix.at()]
                    );
                }
            }
            // Switches: as they stood at the last row.
            let (last, values) = rows.rows.last().unwrap();
            for (ix, signal) in profile.signals().filter(|(_, s)| s.kind.is_binary()) {
                let on = run.edges.iter().rfind(|(t, s, _)| *s == ix && t <= last).unwrap().2;
                assert_eq!(values[ix.at()] == 1.0, on, "{name}: {}", signal.id);
            }
        }
    }
}
