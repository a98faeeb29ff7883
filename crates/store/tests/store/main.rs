//! The store as the rest of foldwatch sees it.

// Helpers of tests are tests.
#![allow(clippy::unwrap_used)]

#[cfg(feature = "archive")]
mod archive;
#[cfg(target_os = "linux")]
mod faults;
mod folder;
mod journal;
mod killed;
#[cfg(feature = "archive")]
mod parquet;
#[cfg(feature = "archive")]
mod release;
mod twin;

use foldwatch_store::{Car, Frame, SqliteStore, Storage};
use foldwatch_units::Micros;

/// A store with one car and one logger in it.
fn with_car(folder: &std::path::Path) -> SqliteStore {
    let mut store = SqliteStore::open(folder).unwrap();
    enter_car(&mut store);
    store
}

fn enter_car(store: &mut dyn Storage) {
    let car = Car { id: "oak".into(), name: "Oak".into(), profile: "p".into(), recorded: Micros(1) };
    store.put_car(&car).unwrap();
    store.attach("L", "oak", Micros(2)).unwrap();
}

/// A frame whose bytes tell its sequence.
fn frame(sequence: u64) -> Frame {
    Frame {
        logger: "L".into(),
        boot: 1,
        sequence,
        received: Micros(1_000 + sequence as i64),
        logged: Some(Micros(sequence as i64)),
        bytes: sequence.to_le_bytes().repeat(3),
    }
}
