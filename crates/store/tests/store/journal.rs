//! What goes into the journal comes out of it, once.

use foldwatch_store::*;
use foldwatch_units::Micros;

use crate::{frame, with_car};

fn all(store: &SqliteStore) -> Vec<Frame> {
    let rows = store.catalogue().journal(None, Position(0), 1_000_000).unwrap();
    rows.into_iter().map(|row| row.frame).collect()
}

#[test]
fn sending_twice_changes_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = with_car(dir.path());
    let first = store.append(&[frame(0), frame(1), frame(1)]).unwrap();
    assert_eq!((first[0].new, first[0].known, first[0].up_to), (2, 1, 1));
    let mut altered = frame(1);
    altered.bytes = b"another".to_vec();
    let second = store.append(&[altered, frame(2)]).unwrap();
    assert_eq!((second[0].new, second[0].known, second[0].up_to), (1, 1, 2));
    assert_eq!(all(&store), vec![frame(0), frame(1), frame(2)]);
}

#[test]
fn what_is_missing_is_named_until_it_comes_or_is_given_up() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = with_car(dir.path());
    let durable = store.append(&[frame(5), frame(6), frame(9), frame(12)]).unwrap().remove(0);
    assert_eq!((durable.up_to, durable.highest), (6, 12));
    assert_eq!(durable.missing, vec![7..=8, 10..=11]);
    let durable = store.append(&[frame(7), frame(8)]).unwrap().remove(0);
    assert_eq!((durable.up_to, durable.missing), (9, vec![10..=11]));
    let durable = store.give_up("L", 1, 10..=11).unwrap();
    assert_eq!((durable.up_to, durable.missing), (12, vec![]));
    // It turns up after all: taken.
    let durable = store.append(&[frame(10)]).unwrap().remove(0);
    assert_eq!((durable.new, durable.up_to), (1, 12));
}

#[test]
fn a_batch_with_a_stranger_in_it_leaves_nothing_behind() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = with_car(dir.path());
    let stranger = Frame { logger: "other".into(), ..frame(1) };
    let error = store.append(&[frame(0), stranger]).unwrap_err();
    assert_eq!(
        error.to_string(),
        "logger `other` is attached to no car; attach it first, nothing was taken from it until then"
    );
    assert_eq!(all(&store), vec![]);
    assert!(store.catalogue().held("L", 1).unwrap().held.is_empty());
    let beyond = Frame { sequence: u64::MAX, ..frame(1) };
    assert!(store.append(&[frame(0), beyond]).unwrap_err().to_string().contains("beyond what can be stored"));
    assert_eq!(all(&store), vec![]);
}

#[test]
fn too_little_room_stops_the_journal_before_it_writes() {
    let dir = tempfile::tempdir().unwrap();
    drop(with_car(dir.path()));
    let mut store = SqliteStore::open_with(dir.path(), Options { floor_bytes: u64::MAX }).unwrap();
    let error = store.append(&[frame(0)]).unwrap_err();
    assert!(matches!(error, StoreError::DiskLow { .. }) && error.is_passing(), "{error}");
    assert!(store.space().unwrap().free_bytes > 0);
    drop(store);
    assert_eq!(all(&SqliteStore::open(dir.path()).unwrap()), vec![]);
}

#[test]
fn a_row_that_was_altered_removed_or_cut_off_shows() {
    let tampered = |sql: &str| {
        let dir = tempfile::tempdir().unwrap();
        let mut store = with_car(dir.path());
        store.append(&(0..10).map(frame).collect::<Vec<_>>()).unwrap();
        assert_eq!(store.catalogue().verify_chain("oak").unwrap(), ChainReport { walked: 10, broken: None });
        let database = store.folder().database();
        rusqlite::Connection::open(&database).unwrap().execute_batch(sql).unwrap();
        let soundness = verify_copy(&database).unwrap();
        assert_eq!(soundness.faults.len(), 1, "{soundness:?}");
        store.catalogue().verify_chain("oak").unwrap().broken.unwrap().0
    };
    assert_eq!(tampered("UPDATE journal SET bytes = x'00' WHERE position = 4"), Position(4));
    assert_eq!(tampered("UPDATE journal SET received_us = 1 WHERE position = 1"), Position(1));
    assert_eq!(tampered("DELETE FROM journal WHERE position = 4"), Position(5));
    assert_eq!(tampered("DELETE FROM journal WHERE position > 7"), Position(7));
}

#[test]
fn a_backup_is_taken_while_the_journal_is_written_and_is_a_moment_of_it() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = with_car(dir.path());
    store.append(&[frame(0)]).unwrap();
    let folder = dir.path().to_owned();
    let copier = std::thread::spawn(move || {
        let reader = SqliteReader::open(&folder).unwrap();
        (0..5).map(|n| reader.back_up(folder.join(format!("copy-{n}"))).unwrap()).collect::<Vec<_>>()
    });
    let mut sequence = 1;
    while !copier.is_finished() {
        store.append(&[frame(sequence)]).unwrap();
        sequence += 1;
    }
    let copies = copier.join().unwrap();
    assert!(copies.iter().all(|copy| copy.faults.is_empty() && copy.cars == 1));
    assert!(copies.is_sorted_by_key(|copy| copy.frames) && copies[0].frames >= 1);
    // A name that is taken is left alone.
    let reader = SqliteReader::open(dir.path()).unwrap();
    assert!(reader.back_up(dir.path().join("copy-0")).unwrap_err().to_string().contains("new name"));
    // Restored: the copy under the database's name in a new folder.
    let new = tempfile::tempdir().unwrap();
    std::fs::copy(dir.path().join("copy-4"), Folder::new(new.path()).database()).unwrap();
    let restored = SqliteStore::open(new.path()).unwrap();
    let held: Vec<u64> = all(&restored).iter().map(|frame| frame.sequence).collect();
    assert_eq!(held, (0..copies[4].frames).collect::<Vec<_>>());
}

#[test]
fn loggers_remember_their_car_and_when_they_were_seen() {
    let dir = tempfile::tempdir().unwrap();
    let mut store = with_car(dir.path());
    let other = Car { id: "elm".into(), name: "Elm".into(), profile: "p".into(), recorded: Micros(5) };
    store.put_car(&other).unwrap();
    store.append(&[frame(0)]).unwrap();
    store.attach("L", "elm", Micros(50)).unwrap();
    store.append(&[frame(1)]).unwrap();
    let of_car = |car: &str| {
        let rows = store.catalogue().journal(Some(car), Position(0), 10).unwrap();
        rows.into_iter().map(|row| row.frame.sequence).collect::<Vec<_>>()
    };
    assert_eq!((of_car("oak"), of_car("elm")), (vec![0], vec![1]));
    let logger = store.catalogue().loggers().unwrap().remove(0);
    assert_eq!(
        (logger.car.as_str(), logger.attached, logger.last_seen),
        ("elm", Micros(50), Some(Micros(1_001)))
    );
}
