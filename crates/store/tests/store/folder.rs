//! One folder: its lock, its versions, what is refused and in which words.

use foldwatch_store::*;
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
