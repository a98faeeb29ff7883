//! One folder: its lock, its versions, what is refused and in which words.

use foldwatch_store::*;
use foldwatch_units::Micros;
use rusqlite::Connection;

use crate::{frame, with_car};

#[test]
fn a_second_one_on_the_folder_is_refused_until_the_first_has_gone() {
    let dir = tempfile::tempdir().unwrap();
    let first = with_car(dir.path());
    let error = SqliteStore::open(dir.path()).unwrap_err();
    let said = error.to_string();
    assert!(matches!(error, StoreError::Locked { .. }));
    assert!(said.contains(&format!("process {}", std::process::id())), "{said}");
    assert!(said.contains("stop it, or give this one a folder of its own"), "{said}");
    // Asking is not working on it.
    assert_eq!(SqliteReader::open(dir.path()).unwrap().cars().unwrap().len(), 1);
    drop(first);
    SqliteStore::open(dir.path()).unwrap();
}

#[test]
fn a_newer_schema_is_refused_and_left_as_it_is() {
    let dir = tempfile::tempdir().unwrap();
    drop(with_car(dir.path()));
    let path = Folder::new(dir.path()).database();
    Connection::open(&path).unwrap().pragma_update(None, "user_version", 99).unwrap();
    let before = std::fs::read(&path).unwrap();
    for error in [SqliteStore::open(dir.path()).unwrap_err(), SqliteReader::open(dir.path()).unwrap_err()] {
        assert!(error.to_string().contains(&format!("schema 99, this one knows up to {SCHEMA}")), "{error}");
    }
    assert_eq!(std::fs::read(&path).unwrap(), before);
}

#[test]
fn another_programs_database_is_refused_and_left_as_it_is() {
    let dir = tempfile::tempdir().unwrap();
    let path = Folder::new(dir.path()).database();
    Connection::open(&path).unwrap().execute_batch("CREATE TABLE recipes (name TEXT)").unwrap();
    let before = std::fs::read(&path).unwrap();
    assert!(matches!(SqliteStore::open(dir.path()).unwrap_err(), StoreError::Foreign { .. }));
    assert_eq!(std::fs::read(&path).unwrap(), before);
}

#[test]
fn rubbish_in_place_of_the_database_is_called_damaged() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(Folder::new(dir.path()).database(), [0xA5; 8192]).unwrap();
    let error = SqliteStore::open(dir.path()).unwrap_err();
    assert!(matches!(error, StoreError::Corrupt { .. }), "{error}");
    assert!(error.to_string().contains("restore the last backup"), "{error}");
}

/// A damaged page is met by the thorough look, whatever it belonged to.
#[test]
fn damage_within_the_database_is_found() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = with_car(dir.path());
    store.append(&(0..500).map(frame).collect::<Vec<_>>()).unwrap();
    let copy = dir.path().join("copy");
    SqliteReader::open(dir.path()).unwrap().back_up(&copy).unwrap();
    let whole = std::fs::read(&copy).unwrap();
    for page in 1..whole.len() / 4096 {
        let mut bytes = whole.clone();
        bytes[page * 4096..(page + 1) * 4096].fill(0xFF);
        std::fs::write(&copy, bytes).unwrap();
        let found = verify_copy(&copy);
        assert!(found.as_ref().map_or(true, |sound| !sound.faults.is_empty()), "page {page}: {found:?}");
    }
}

#[test]
fn a_folder_that_can_not_be_made_is_named() {
    let file = tempfile::NamedTempFile::new().unwrap();
    let folder = file.path().join("below-a-file");
    let said = SqliteStore::open(&folder).unwrap_err().to_string();
    assert!(said.contains("below-a-file") && said.contains("create the folder"), "{said}");
}

/// A store that the program of schema 1 wrote: nothing of it is lost on the way here, and there is a way back.
#[test]
fn a_store_of_schema_1_is_brought_up_with_all_that_is_in_it() {
    let dir = tempfile::tempdir().unwrap();
    let folder = Folder::new(dir.path());
    let old = Connection::open(folder.database()).unwrap();
    old.pragma_update(None, "foreign_keys", false).unwrap();
    old.execute_batch(include_str!("v1.sql")).unwrap();
    old.close().unwrap();

    let error = SqliteReader::open(dir.path()).unwrap_err();
    assert!(error.to_string().contains("start the daemon on it once"), "{error}");
    let mut store = SqliteStore::open(dir.path()).unwrap();
    let ask = store.catalogue();
    assert_eq!(ask.cars().unwrap().iter().map(|car| &*car.name).collect::<Vec<_>>(), ["Elm", "Old oak"]);
    assert_eq!(ask.car_history("oak").unwrap().len(), 2);
    assert_eq!(ask.profile("two-valve").unwrap().unwrap().revision, 1);
    assert_eq!(ask.loggers().unwrap()[0].last_seen, Some(Micros(1_764_000_002_000_005)));
    assert_eq!(ask.journal(None, Position(0), 100).unwrap().len(), 5);
    assert_eq!(ask.verify_chain("oak").unwrap(), ChainReport { walked: 4, broken: None });
    assert_eq!(ask.held("L1", 2).unwrap().held.len(), 3);
    assert_eq!(ask.exchanges("L1", 2).unwrap().len(), 1);
    assert_eq!(ask.clock_fit("L1", 2).unwrap().unwrap().drift_ppm, 12.5);
    assert_eq!(ask.checkpoint("oak").unwrap().unwrap().state, [1, 2, 3]);
    let cycle = ask.cycle("oak", Micros(1_764_000_005_000_000)).unwrap().unwrap();
    assert_eq!((cycle.phases.len(), cycle.measures.len(), cycle.findings.len()), (1, 1, 1));
    assert_eq!(ask.findings(&FindingQuery::default()).unwrap().len(), 2);
    assert_eq!(ask.entries("oak", Span::ALL, 10).unwrap()[0].1.text, "Rattles when cold.");

    // It goes on where it stood: the next position, and what was held stays held.
    let frame = |sequence| Frame { logger: "L1".into(), boot: 2, sequence, ..frame(sequence) };
    let durable = store.append(&[frame(3), frame(4)]).unwrap().remove(0);
    assert_eq!((durable.new, durable.known, durable.up_to), (1, 1, 5));
    assert_eq!(store.catalogue().journal(None, Position(5), 9).unwrap()[0].position, Position(6));

    // The way back: the copy is what the old program wrote.
    let copy = Connection::open(folder.before_upgrade(1)).unwrap();
    let version: u32 = copy.pragma_query_value(None, "user_version", |row| row.get(0)).unwrap();
    let frames: u32 = copy.query_row("SELECT count(*) FROM journal", [], |row| row.get(0)).unwrap();
    assert_eq!((version, frames), (1, 5));
}

/// Schema 2 as its program made it out of schema 1: the same statements.
#[test]
fn a_store_of_schema_2_is_brought_up_and_the_way_back_is_kept() {
    let dir = tempfile::tempdir().unwrap();
    let folder = Folder::new(dir.path());
    let old = Connection::open(folder.database()).unwrap();
    old.pragma_update(None, "foreign_keys", false).unwrap();
    old.execute_batch(include_str!("v1.sql")).unwrap();
    old.execute_batch(include_str!("../../src/sqlite/schema/v2.sql")).unwrap();
    old.pragma_update(None, "user_version", 2).unwrap();
    old.close().unwrap();

    let mut store = SqliteStore::open(dir.path()).unwrap();
    assert_eq!(store.catalogue().verify_chain("oak").unwrap(), ChainReport { walked: 4, broken: None });
    assert_eq!(store.catalogue().entries("oak", Span::ALL, 10).unwrap().len(), 1);
    let frame = |sequence| Frame { logger: "L1".into(), boot: 2, sequence, ..frame(sequence) };
    assert_eq!(store.append(&[frame(4)]).unwrap()[0].new, 1);

    let copy = Connection::open(folder.before_upgrade(2)).unwrap();
    let version: u32 = copy.pragma_query_value(None, "user_version", |row| row.get(0)).unwrap();
    let frames: u32 = copy.query_row("SELECT count(*) FROM journal", [], |row| row.get(0)).unwrap();
    assert_eq!((version, frames), (2, 5));
}
