//! Random operations against the database and its twin in memory give the same answers, also after the database was
//! closed and opened again in between.

use foldwatch_store::*;
use foldwatch_units::{Celsius, Direction, Micros, Seconds, Volts};
use proptest::prelude::*;

#[derive(Debug, Clone)]
enum Op {
    Append(Vec<Frame>),
    GiveUp(String, u64, u64, u64),
    Exchanges(Vec<TimeExchange>),
    Fit(ClockFit),
    Car(Car),
    Profile(String, String),
    Attach(String, String),
    Judged(Judged),
    Entry(Entry),
    #[cfg(feature = "archive")]
    Seal(Seal, Vec<Samples>),
    Reopen,
    BackUp,
}

/// What came of an operation, comparable: errors by their words.
fn run(store: &mut dyn Storage, op: &Op) -> Result<String, String> {
    fn said<T: std::fmt::Debug>(result: Result<T, StoreError>) -> Result<String, String> {
        result.map(|done| format!("{done:?}")).map_err(|error| error.to_string())
    }
    match op {
        Op::Append(batch) => said(store.append(batch)),
        Op::GiveUp(logger, boot, first, last) => said(store.give_up(logger, *boot, *first..=*last)),
        Op::Exchanges(exchanges) => said(store.add_exchanges(exchanges)),
        Op::Fit(fit) => said(store.put_clock_fit(fit)),
        Op::Car(car) => said(store.put_car(car)),
        Op::Profile(id, text) => said(store.put_profile(id, text, Micros(7))),
        Op::Attach(logger, car) => said(store.attach(logger, car, Micros(8))),
        Op::Judged(judged) => said(store.put_judged(judged)),
        Op::Entry(entry) => said(store.add_entry(entry)),
        #[cfg(feature = "archive")]
        Op::Seal(seal, rows) => said(store.seal(seal, &mut rows.iter().cloned().map(Ok)).map(without_file)),
        Op::Reopen | Op::BackUp => Ok(String::new()),
    }
}

/// The twin has no files.
#[cfg(feature = "archive")]
fn without_file(day: ArchivedDay) -> ArchivedDay {
    ArchivedDay { file: String::new(), bytes: 0, sha256: [0; 32], ..day }
}

/// Everything that can be asked, as text.
fn everything(ask: &dyn Catalogue) -> Result<Vec<String>, StoreError> {
    let mut all = Vec::new();
    macro_rules! note { ($($answer:expr),* $(,)?) => { $(all.push(format!("{:?}", $answer));)* } }
    note!(ask.cars()?, ask.loggers()?);
    note!(ask.journal(None, Position(0), 1000)?, ask.journal(None, Position(3), 2)?);
    for car in ["a", "b", "c"] {
        note!(ask.car(car)?, ask.car_history(car)?, ask.profile(car)?, ask.profile_history(car)?);
        note!(ask.journal(Some(car), Position(0), 1000)?, ask.journal(Some(car), Position(2), 3)?);
        note!(ask.chain_head(car)?, ask.verify_chain(car)?, ask.checkpoint(car)?);
        note!(
            ask.entries(car, Span::ALL, 100)?,
            ask.entries(car, Span { from: Micros(3), until: Micros(9) }, 2)?
        );
        #[cfg(feature = "archive")]
        {
            note!(ask.archived(car)?.into_iter().map(without_file).collect::<Vec<_>>());
            for span in [Span::ALL, Span { from: Micros(3), until: Micros(DAY_US + 5) }] {
                note!(ask.samples(car, span)?.collect::<Result<Vec<_>, _>>()?);
            }
        }
        for start in 0..12 {
            note!(ask.cycle(car, Micros(start))?);
        }
        for index in 0..3 {
            for direction in [Direction::Opening, Direction::Closing] {
                note!(ask.phase_runs(car, direction, index, Span::ALL, 1000)?);
                note!(ask.phase_runs(
                    car,
                    direction,
                    index,
                    Span { from: Micros(2), until: Micros(8) },
                    2
                )?);
            }
        }
        for name in ["m0", "m1"] {
            note!(ask.measure_runs(car, name, Span::ALL, 1000)?, ask.measure_runs(car, name, Span::ALL, 2)?);
        }
        note!(
            ask.figures(car, &["m1", "m0"], Span::ALL, 1000)?,
            ask.figures(car, &["m0"], Span { from: Micros(2), until: Micros(9) }, 2)?
        );
        for logger in ["a", "b", "c"] {
            for boot in 0..2 {
                note!(ask.held(logger, boot)?, ask.exchanges(logger, boot)?, ask.clock_fit(logger, boot)?);
            }
        }
    }
    let some = Span { from: Micros(2), until: Micros(9) };
    for car in [None, Some("a".to_owned()), Some("b".to_owned())] {
        for newest_first in [false, true] {
            let all = CycleQuery { car: car.clone(), newest_first, ..Default::default() };
            note!(ask.cycles(&all)?);
            note!(ask.cycles(&CycleQuery { span: some, limit: 3, ..all.clone() })?);
            note!(ask.cycles(&CycleQuery { direction: Some(Direction::Closing), ..all.clone() })?);
            note!(ask.cycles(&CycleQuery { worst: Some(Weight::Attend), ..all.clone() })?);
            note!(ask.cycles(&CycleQuery { outcome: Some("refused".into()), ..all.clone() })?);
        }
        let all = FindingQuery { car, ..Default::default() };
        note!(ask.findings(&all)?);
        note!(ask.findings(&FindingQuery { span: some, limit: 3, ..all.clone() })?);
        note!(ask.findings(&FindingQuery { kind: Some("k1".into()), ..all.clone() })?);
        note!(ask.findings(&FindingQuery { weight: Some(Weight::StopUsing), ..all })?);
    }
    Ok(all)
}

/// A copy of a store that is open, made as an operator would.
fn restored(folder: &std::path::Path) -> tempfile::TempDir {
    let copy = tempfile::tempdir().unwrap();
    let (from, to) = (Folder::new(folder), Folder::new(copy.path()));
    assert_eq!(
        SqliteReader::open(folder).unwrap().back_up(to.database()).unwrap().faults,
        Vec::<String>::new()
    );
    for car in std::fs::read_dir(from.archive()).into_iter().flatten().map(Result::unwrap) {
        let into = to.archive().join(car.file_name());
        std::fs::create_dir_all(&into).unwrap();
        for day in std::fs::read_dir(car.path()).unwrap().map(Result::unwrap) {
            std::fs::copy(day.path(), into.join(day.file_name())).unwrap();
        }
    }
    copy
}

fn name() -> impl Strategy<Value = String> {
    prop_oneof![5 => Just("a"), 3 => Just("b"), 1 => Just("c"), 1 => Just("no such")].prop_map(str::to_owned)
}

fn moment() -> impl Strategy<Value = Micros> {
    prop_oneof![20 => 0i64..12, 1 => Just(i64::MIN), 1 => Just(i64::MAX)].prop_map(Micros)
}

fn number() -> impl Strategy<Value = f64> {
    prop_oneof![20 => -5.0..5.0f64, 1 => Just(f64::NAN), 1 => Just(f64::INFINITY), 1 => Just(-0.0)]
}

fn direction() -> impl Strategy<Value = Direction> {
    prop_oneof![Just(Direction::Opening), Just(Direction::Closing)]
}

fn frames() -> impl Strategy<Value = Vec<Frame>> {
    let sequence = prop_oneof![30 => 0u64..20, 1 => Just(u64::MAX)];
    let one = (
        name(),
        0u64..2,
        sequence,
        moment(),
        prop::option::of(moment()),
        prop::collection::vec(any::<u8>(), 0..5),
    )
        .prop_map(|(logger, boot, sequence, received, logged, bytes)| Frame {
            logger,
            boot,
            sequence,
            received,
            logged,
            bytes,
        });
    prop::collection::vec(one, 0..8)
}

fn phase() -> impl Strategy<Value = PhaseRecord> {
    let sound = -5.0..5.0f64;
    (direction(), 0u32..3, moment(), sound, number(), prop::option::of(number())).prop_map(
        |(direction, index, start, duration, u, maybe)| PhaseRecord {
            direction,
            index,
            name: format!("step {index}"),
            start,
            duration: Seconds(duration),
            u_duration: Seconds(if u.is_finite() { u } else { 0.5 }),
            confirmation: "late".into(),
            corrected: maybe.map(Seconds),
            oil: maybe.map(Celsius),
            supply: maybe.map(Volts),
        },
    )
}

fn finding() -> impl Strategy<Value = FindingRecord> {
    let weight = prop_oneof![Just(Weight::Note), Just(Weight::Attend), Just(Weight::StopUsing)];
    let maybe =
        || prop::option::of(prop_oneof![Just(String::new()), Just("x".to_owned()), Just("y".to_owned())]);
    (0u8..3, weight, maybe(), maybe(), moment(), prop::option::of(number())).prop_map(
        |(kind, weight, phase, signal, at, value)| FindingRecord {
            kind: format!("k{kind}"),
            weight,
            phase,
            signal,
            at,
            value,
            limit: value,
            unit: "s".into(),
            message: format!("{value:?}"),
        },
    )
}

fn cycle() -> impl Strategy<Value = CycleRecord> {
    let measure = (prop::option::of(0u32..2), 0u8..2, number(), prop::option::of(number())).prop_map(
        |(phase, name, value, u)| MeasureRecord {
            phase,
            name: format!("m{name}"),
            value,
            u,
            unit: "bar".into(),
        },
    );
    (
        name(),
        moment(),
        moment(),
        direction(),
        any::<bool>(),
        prop::collection::vec(phase(), 0..4),
        prop::collection::vec(measure, 0..3),
        prop::collection::vec(finding(), 0..3),
    )
        .prop_map(|(car, start, end, direction, refused, phases, measures, findings)| CycleRecord {
            car,
            start,
            end,
            direction,
            outcome: if refused { "refused" } else { "completed" }.into(),
            judged: format!("{{\"end\":{}}}", end.0),
            phases,
            measures,
            findings,
        })
}

fn judged() -> impl Strategy<Value = Judged> {
    let checkpoint = (name(), 0u64..9, moment(), prop::collection::vec(any::<u8>(), 0..9))
        .prop_map(|(car, at, saved, state)| Checkpoint { car, position: Position(at), saved, state });
    (
        prop::collection::vec(cycle(), 0..3),
        prop::collection::vec((name(), finding()), 0..3),
        prop::option::of(checkpoint),
    )
        .prop_map(|(cycles, findings, checkpoint)| Judged { cycles, findings, checkpoint })
}

fn entry() -> impl Strategy<Value = Entry> {
    let kind = prop_oneof![Just(EntryKind::Service), Just(EntryKind::Note), Just(EntryKind::Check)];
    (name(), kind, moment(), prop::option::of(moment()), prop::option::of(0u64..6), "\\PC{0,9}").prop_map(
        |(car, kind, at, cycle, corrects, text)| Entry {
            car,
            kind,
            at,
            written: Micros(9),
            author: "n".into(),
            cycle,
            subject: "s".into(),
            result: "r".into(),
            text,
            corrects,
        },
    )
}

#[cfg(feature = "archive")]
const DAY_US: i64 = 86_400_000_000;

#[cfg(feature = "archive")]
fn sealing() -> impl Strategy<Value = Op> {
    let column =
        ("[pq]", "[xy]", any::<bool>()).prop_map(|(name, unit, binary)| SampleColumn { name, unit, binary });
    let columns = prop::collection::vec(column, 0..3);
    let row =
        (0i64..10, name(), 0u64..3, prop::collection::vec(prop_oneof![Just(f32::NAN), -3.0..3.0f32], 3));
    (name(), 0i64..2, columns, 0u64..30, prop::collection::vec(row, 0..12), any::<bool>(), 1usize..5)
        .prop_map(|(car, day, columns, through, mut rows, sorted, cut)| {
            if sorted {
                rows.sort_by_key(|row| row.0);
            }
            let columns: std::sync::Arc<[SampleColumn]> = columns.into();
            let batch = |rows: &[(i64, String, u64, Vec<f32>)]| {
                let mut all = Samples::new(columns.clone());
                for (at, logger, sequence, values) in rows {
                    all.times.push(Micros(day * DAY_US + at));
                    all.sources.push(Source { logger: logger.as_str().into(), boot: 0, sequence: *sequence });
                    all.values.iter_mut().zip(values).for_each(|(column, value)| column.push(*value));
                }
                all
            };
            let batches = rows.chunks(cut).map(batch).collect();
            let day = Day::of(Micros(day * DAY_US)).unwrap();
            Op::Seal(Seal { car, day, columns, through: Position(through), at: Micros(3) }, batches)
        })
}

#[cfg(not(feature = "archive"))]
fn sealing() -> impl Strategy<Value = Op> {
    Just(Op::Reopen)
}

fn op() -> impl Strategy<Value = Op> {
    let exchange =
        (name(), 0u64..2, moment(), moment(), moment()).prop_map(|(logger, boot, sent, logged, received)| {
            TimeExchange { logger, boot, sent, logged, received }
        });
    let fit = (name(), 0u64..2, moment(), number(), 0u32..9).prop_map(
        |(logger, boot, offset, number, exchanges)| ClockFit {
            logger,
            boot,
            offset,
            drift_ppm: number,
            residual: Seconds(number),
            exchanges,
        },
    );
    let car = (name(), "[ab]", "[ab]").prop_map(|(id, name, profile)| Car {
        id,
        name,
        profile,
        recorded: Micros(4),
    });
    prop_oneof![
        6 => frames().prop_map(Op::Append),
        1 => (name(), 0u64..2, 0u64..20, 0u64..20).prop_map(|(l, b, first, last)| Op::GiveUp(l, b, first, last)),
        1 => prop::collection::vec(exchange, 0..3).prop_map(Op::Exchanges),
        1 => fit.prop_map(Op::Fit),
        2 => car.prop_map(Op::Car),
        1 => (name(), "[ab]").prop_map(|(id, text)| Op::Profile(id, text)),
        2 => (name(), name()).prop_map(|(logger, car)| Op::Attach(logger, car)),
        4 => judged().prop_map(Op::Judged),
        2 => entry().prop_map(Op::Entry),
        3 => sealing(),
        1 => Just(Op::Reopen),
        1 => Just(Op::BackUp),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]
    #[test]
    fn the_database_and_its_twin_agree(ops in prop::collection::vec(op(), 1..40)) {
        let dir = tempfile::tempdir().unwrap();
        let mut disk = SqliteStore::open(dir.path()).unwrap();
        let mut memory = MemoryStore::new();
        // Most cases should get beyond the refusals.
        let start = ["a", "b"].map(|id| {
            let car = Car { id: id.into(), name: id.into(), profile: "p".into(), recorded: Micros(0) };
            [Op::Car(car), Op::Attach(id.into(), id.into())]
        });
        for op in start.iter().flatten().chain(&ops) {
            if let Op::Reopen = op {
                drop(disk);
                disk = SqliteStore::open(dir.path()).unwrap();
            }
            prop_assert_eq!(run(&mut disk, op), run(&mut memory, op));
            if let Op::BackUp = op {
                // The copy is what the store is at this moment, in all that can be asked.
                let copy = restored(dir.path());
                let reader = SqliteReader::open(copy.path()).unwrap();
                prop_assert_eq!(everything(&reader).unwrap(), everything(memory.catalogue()).unwrap());
            }
        }
        prop_assert_eq!(everything(disk.catalogue()).unwrap(), everything(memory.catalogue()).unwrap());
        // And from beside.
        let (beside, twin) = (disk.reader().unwrap(), memory.reader().unwrap());
        prop_assert_eq!(everything(&*beside).unwrap(), everything(&*twin).unwrap());
        drop(disk);
        #[cfg(feature = "archive")]
        prop_assert_eq!(SqliteReader::open(dir.path()).unwrap().verify_archive().unwrap(), Vec::<String>::new());
        let sound = verify_copy(Folder::new(dir.path()).database()).unwrap();
        prop_assert_eq!(sound.faults, Vec::<String>::new());
    }
}
