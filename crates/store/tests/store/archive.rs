//! From the journal to the archive and back out of it.

use std::sync::Arc;

use foldwatch_store::*;
use foldwatch_units::Micros;
use proptest::prelude::*;

use crate::{frame, with_car};

pub fn day() -> Day {
    Day::of(Micros(0)).unwrap()
}

pub fn columns() -> Arc<[SampleColumn]> {
    let column =
        |name: &str, unit: &str, binary| SampleColumn { name: name.into(), unit: unit.into(), binary };
    [column("pressure", "bar", false), column("lid_up", "", true)].into()
}

/// Ten rows a frame, a second apart.
pub fn samples(sequences: std::ops::Range<u64>) -> Samples {
    let mut all = Samples::new(columns());
    for sequence in sequences {
        for row in 0..10 {
            all.times.push(Micros((sequence * 10 + row) as i64 * 1_000_000));
            all.sources.push(Source { logger: "L".into(), boot: 1, sequence });
            all.values[0].push(if row == 3 { f32::NAN } else { sequence as f32 * 0.5 + row as f32 });
            all.values[1].push(f32::from(u8::from(row > 5)));
        }
    }
    all
}

pub fn seal(through: u64) -> Seal {
    Seal { car: "oak".into(), day: day(), columns: columns(), through: Position(through), at: Micros(77) }
}

/// All rows of a stream as one batch, as text: NaN is equal to itself there.
fn read(store: &dyn Storage, span: Span) -> String {
    let mut all = Samples::new(columns());
    for batch in store.catalogue().samples("oak", span).unwrap() {
        let batch = batch.unwrap();
        all.times.extend(batch.times);
        all.sources.extend(batch.sources);
        all.values.iter_mut().zip(batch.values).for_each(|(all, batch)| all.extend(batch));
    }
    format!("{all:?}")
}

fn filled(folder: &std::path::Path) -> SqliteStore {
    let mut store = with_car(folder);
    store.append(&(0..20).map(frame).collect::<Vec<_>>()).unwrap();
    store
}

#[test]
fn a_sealed_day_leaves_the_journal_and_is_the_same_in_the_archive() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = filled(dir.path());
    let rows = [samples(0..7), samples(7..15)];
    let sealed = store.seal(&seal(15), &mut rows.into_iter().map(Ok)).unwrap();
    assert_eq!((sealed.rows, sealed.through), (150, Position(15)));
    assert_eq!(sealed.file, "oak/1970-01-01.1.parquet");
    assert_eq!(store.catalogue().archived("oak").unwrap(), vec![sealed]);
    assert_eq!(read(&store, Span::ALL), format!("{:?}", samples(0..15)));
    let left: Vec<_> =
        store.catalogue().journal(None, Position(0), 100).unwrap().iter().map(|r| r.frame.sequence).collect();
    assert_eq!(left, [15, 16, 17, 18, 19]);
    assert_eq!(store.catalogue().verify_chain("oak").unwrap(), ChainReport { walked: 5, broken: None });
    // A frame that went to the archive is still known.
    assert_eq!(store.append(&[frame(3), frame(20)]).unwrap()[0].known, 1);
    // Only a part.
    let span = Span { from: Micros(5_000_000), until: Micros(20_000_000) };
    assert!(read(&store, span).starts_with(&format!("{:?}", samples(0..2))[..40]));
    let asked =
        store.catalogue().samples("oak", span).unwrap().map(|batch| batch.unwrap().len()).sum::<usize>();
    assert_eq!(asked, 15);
}

#[test]
fn what_turns_up_later_is_taken_into_the_day() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = filled(dir.path());
    store.seal(&seal(5), &mut [samples(5..9)].into_iter().map(Ok)).unwrap();
    // Before, after, and once more what is there.
    let more = [samples(0..6), samples(8..12)];
    let sealed = store.seal(&seal(12), &mut more.into_iter().map(Ok)).unwrap();
    assert_eq!((sealed.rows, &*sealed.file), (120, "oak/1970-01-01.2.parquet"));
    assert_eq!(read(&store, Span::ALL), format!("{:?}", samples(0..12)));
    // The file before it goes with the next start.
    drop(store);
    let store = SqliteStore::open(dir.path()).unwrap();
    let files = std::fs::read_dir(store.folder().archive().join("oak")).unwrap();
    assert_eq!(files.map(|f| f.unwrap().file_name()).collect::<Vec<_>>(), ["1970-01-01.2.parquet"]);
    assert_eq!(read(&store, Span::ALL), format!("{:?}", samples(0..12)));
    assert_eq!(SqliteReader::open(dir.path()).unwrap().verify_archive().unwrap(), Vec::<String>::new());
}

#[test]
fn no_frame_leaves_that_the_pipeline_has_not_taken_in() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = filled(dir.path());
    let checkpoint = Checkpoint { car: "oak".into(), position: Position(4), saved: Micros(1), state: vec![] };
    store.put_judged(&Judged { checkpoint: Some(checkpoint), ..Judged::default() }).unwrap();
    let sealed = store.seal(&seal(15), &mut [samples(0..15)].into_iter().map(Ok)).unwrap();
    assert_eq!(sealed.through, Position(4));
    assert_eq!(store.catalogue().journal(None, Position(0), 100).unwrap().len(), 16);
    // Nor one that is yet to come.
    let checkpoint =
        Checkpoint { car: "oak".into(), position: Position(99), saved: Micros(1), state: vec![] };
    store.put_judged(&Judged { checkpoint: Some(checkpoint), ..Judged::default() }).unwrap();
    assert_eq!(store.seal(&seal(99), &mut std::iter::empty()).unwrap().through, Position(20));
}

#[test]
fn what_can_not_be_sealed_changes_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = filled(dir.path());
    let mut refused = |batches: Vec<Result<Samples, StoreError>>, words: &str| {
        let error = store.seal(&seal(15), &mut batches.into_iter()).unwrap_err().to_string();
        assert!(error.contains(words), "{error}");
        assert_eq!(store.catalogue().archived("oak").unwrap(), vec![]);
        assert_eq!(store.catalogue().journal(None, Position(0), 100).unwrap().len(), 20);
        let left = std::fs::read_dir(store.folder().archive().join("oak")).unwrap().count();
        assert_eq!(left, 0);
    };
    refused(
        vec![Ok(samples(3..5)), Ok(samples(0..1))],
        "seal each stretch that is in order of time by itself",
    );
    refused(vec![Ok(samples(0..9_000))], "not within 1970-01-01; seal each day by itself");
    let mut short = samples(0..2);
    short.values[1].pop();
    refused(vec![Ok(short)], "differ in length");
    refused(vec![Ok(samples(0..2)), Err(StoreError::UnknownCar { car: "x".into() })], "car `x` is not known");
    let named = |name: &str| Seal {
        columns: [SampleColumn { name: name.into(), unit: String::new(), binary: true }].into(),
        ..seal(1)
    };
    for name in ["time", "source.boot", ""] {
        let error = store.seal(&named(name), &mut std::iter::empty()).unwrap_err().to_string();
        assert!(error.contains("rename it in the profile"), "{error}");
    }
}

#[test]
fn a_file_that_was_altered_and_a_seal_that_was_altered_show() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = filled(dir.path());
    let sealed = store.seal(&seal(15), &mut [samples(0..15)].into_iter().map(Ok)).unwrap();
    let reader = SqliteReader::open(dir.path()).unwrap();
    let path = store.folder().archive().join(&sealed.file);
    let whole = std::fs::read(&path).unwrap();
    let mut bytes = whole.clone();
    bytes[whole.len() / 2] ^= 1;
    std::fs::write(&path, bytes).unwrap();
    assert!(reader.verify_archive().unwrap()[0].contains("not as it was sealed"));
    assert!(reader.samples("oak", Span::ALL).unwrap().next().unwrap().is_err());
    std::fs::remove_file(&path).unwrap();
    assert!(reader.verify_archive().unwrap()[0].contains("1970-01-01.1.parquet"));
    std::fs::write(&path, whole).unwrap();
    assert_eq!(reader.verify_archive().unwrap(), Vec::<String>::new());
    assert_eq!(reader.verify_chain("oak").unwrap().broken, None);

    let other = rusqlite::Connection::open(store.folder().database()).unwrap();
    let broken = |sql: &str, back: &str| {
        other.execute_batch(sql).unwrap();
        let report = reader.verify_chain("oak").unwrap();
        assert!(report.broken.is_some(), "{sql}");
        other.execute_batch(back).unwrap();
        assert_eq!(reader.verify_chain("oak").unwrap().broken, None);
    };
    broken("UPDATE seals SET rows = 149", "UPDATE seals SET rows = 150");
    broken("UPDATE seals SET day = '1970-01-02'", "UPDATE seals SET day = '1970-01-01'");
    broken(
        "CREATE TABLE kept AS SELECT * FROM seals; DELETE FROM seals",
        "INSERT INTO seals SELECT * FROM kept; DROP TABLE kept",
    );
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]
    /// Any numbers come back bit for bit (a NaN as a NaN, -0 as 0), whatever the file's cutting into batches.
    #[test]
    fn any_numbers_come_back(
        bits in prop::collection::vec(any::<u32>(), 1..300),
        few in prop::collection::vec(0u8..4, 300),
        cut in 1usize..100,
    ) {
        let dir = tempfile::tempdir().unwrap();
        let mut store = with_car(dir.path());
        let mut all = Samples::new(columns());
        for (row, bits) in bits.iter().enumerate() {
            all.times.push(Micros(row as i64 / 3));
            let logger = if few[row] == 0 { "ä" } else { "b" };
            all.sources.push(Source { logger: logger.into(), boot: u64::from(*bits), sequence: u64::from(few[row]) });
            all.values[0].push(f32::from_bits(*bits));
            all.values[1].push([f32::NAN, 0.0, 1.0, 1.0][few[row] as usize]);
        }
        let batches: Vec<_> = (0..bits.len()).step_by(cut).map(|from| {
            let rows = from..(from + cut).min(bits.len());
            Samples {
                columns: columns(),
                times: all.times[rows.clone()].to_vec(),
                sources: all.sources[rows.clone()].to_vec(),
                values: all.values.iter().map(|column| column[rows.clone()].to_vec()).collect(),
            }
        }).collect();
        store.seal(&seal(0), &mut batches.into_iter().map(Ok)).unwrap();
        for value in &mut all.values[0] {
            *value = if value.is_nan() { f32::NAN } else { *value + 0.0 };
        }
        prop_assert_eq!(read(&store, Span::ALL), format!("{all:?}"));
    }
}
