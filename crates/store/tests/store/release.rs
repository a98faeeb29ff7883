//! Samples leave the archive; what was shown by them, and that they were there, stays.

use std::fs;

use foldwatch_store::*;
use foldwatch_units::Micros;

use crate::archive::{columns, samples, seal};
use crate::{frame, with_car};

const DAY_US: i64 = 86_400_000_000;

/// The samples of those frames, so many days later.
fn later(sequences: std::ops::Range<u64>, days: i64) -> Samples {
    let mut rows = samples(sequences);
    rows.times.iter_mut().for_each(|at| at.0 += days * DAY_US);
    rows
}

fn day(number: i64) -> Day {
    Day::of(Micros(number * DAY_US)).unwrap()
}

/// Three days in the archive, five frames in the journal.
fn filled(folder: &std::path::Path) -> SqliteStore {
    let mut store = with_car(folder);
    store.append(&(0..20).map(frame).collect::<Vec<_>>()).unwrap();
    for (number, through) in [(0, 5), (1, 10), (2, 15)] {
        let what = Seal { day: day(number), ..seal(through) };
        store.seal(&what, &mut [later(through - 5..through, number)].into_iter().map(Ok)).unwrap();
    }
    store
}

fn entry() -> Entry {
    Entry {
        car: "oak".into(),
        kind: EntryKind::Note,
        at: Micros(9),
        written: Micros(9),
        author: "foldwatch".into(),
        cycle: None,
        subject: "samples left the archive".into(),
        result: String::new(),
        text: "older than 60 days".into(),
        corrects: None,
    }
}

fn days(store: &SqliteStore) -> Vec<String> {
    store.catalogue().archived("oak").unwrap().iter().map(|there| there.day.to_string()).collect()
}

fn file(folder: &std::path::Path, name: &str) -> std::path::PathBuf {
    folder.join("archive/oak").join(name)
}

#[test]
fn what_has_left_is_named_and_the_chain_still_holds() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = filled(dir.path());
    let sealed = store.catalogue().archived("oak").unwrap();
    let kept = fs::read(file(dir.path(), "1970-01-01.1.parquet")).unwrap();
    let number = store.release("oak", &[day(0)], &entry()).unwrap();

    assert_eq!(days(&store), ["1970-01-02", "1970-01-03"]);
    assert!(!file(dir.path(), "1970-01-01.1.parquet").exists());
    let entries = store.catalogue().entries("oak", Span::ALL, 10).unwrap();
    assert_eq!(entries, [(number, entry())]);
    let rows: usize =
        store.catalogue().samples("oak", Span::ALL).unwrap().map(|batch| batch.unwrap().len()).sum();
    assert_eq!(rows, 100);
    // Five rows of the journal after three seals, the first of which names what is gone.
    let report = ChainReport { walked: 5, broken: None };
    assert_eq!(store.catalogue().verify_chain("oak").unwrap(), report);
    let reader = SqliteReader::open(dir.path()).unwrap();
    assert_eq!(reader.released("oak").unwrap(), [(sealed[0].clone(), number)]);
    let seals = reader.linked_seals("oak").unwrap();
    assert_eq!((seals.len(), seals[0].0.sha256), (3, sealed[0].sha256));
    assert_eq!(reader.verify_archive().unwrap(), Vec::<String>::new());
    assert_eq!(verify_copy(Folder::new(dir.path()).database()).unwrap().faults, Vec::<String>::new());

    // A power cut after the row and before the file went: the next start takes it away.
    drop(store);
    fs::write(file(dir.path(), "1970-01-01.1.parquet"), kept).unwrap();
    let mut store = SqliteStore::open(dir.path()).unwrap();
    assert!(!file(dir.path(), "1970-01-01.1.parquet").exists());

    // Rows of that day that come late make a file of their own, under a name that none had.
    store.seal(&Seal { day: day(0), ..seal(16) }, &mut [samples(15..16)].into_iter().map(Ok)).unwrap();
    let again = &store.catalogue().archived("oak").unwrap()[0];
    assert_eq!((again.file.as_str(), again.rows), ("oak/1970-01-01.2.parquet", 10));
    assert_eq!(again.day, day(0));
    assert_eq!(store.catalogue().verify_chain("oak").unwrap().broken, None);
    assert_eq!(columns().len(), 2);
}

#[test]
fn what_is_not_safe_stays() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = filled(dir.path());
    let refused =
        |store: &mut SqliteStore, of: &[Day]| store.release("oak", of, &entry()).unwrap_err().to_string();
    // Still in the journal, or never recorded.
    assert!(refused(&mut store, &[day(9)]).contains("1970-01-10"));
    // The last that was sealed; and with it, the other one stays.
    assert!(refused(&mut store, &[day(1), day(2)]).contains("the last to be put there"));
    // A file that is not what was sealed may be the trace of something: a person looks first.
    let damaged = file(dir.path(), "1970-01-02.1.parquet");
    let mut bytes = fs::read(&damaged).unwrap();
    bytes[40] ^= 1;
    fs::write(&damaged, bytes).unwrap();
    assert!(refused(&mut store, &[day(0), day(1)]).contains("SHA-256 differs"));
    assert_eq!(days(&store).len(), 3);
    assert!(file(dir.path(), "1970-01-01.1.parquet").exists() && damaged.exists());
    // A chain that is broken: nothing goes before it was looked into.
    let journal = rusqlite::Connection::open(Folder::new(dir.path()).database()).unwrap();
    journal.execute("UPDATE journal SET bytes = X'00' WHERE sequence = 17", []).unwrap();
    assert!(refused(&mut store, &[day(0)]).contains("chain is broken"));
    assert_eq!(days(&store).len(), 3);
    assert_eq!(store.catalogue().entries("oak", Span::ALL, 10).unwrap(), []);
}
