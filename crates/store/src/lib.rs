//! Journal, catalogue and archive behind one small trait.
//!
//! In: frames as bytes, what the pipeline judged, what people wrote. Out: the same, by query, after any restart.
//! [`Storage`] is the boundary; [`SqliteStore`] keeps it all in one folder, [`MemoryStore`] is its twin for tests.
//! Calls block: a daemon makes them from a thread of their own. Not here: decoding a frame, judging, time of day.

#[cfg(feature = "archive")]
mod archive;
mod backup;
mod chain;
mod check;
mod error;
mod folder;
mod journal;
mod memory;
mod ranges;
mod records;
mod sqlite;
mod storage;

#[cfg(feature = "archive")]
pub use archive::*;
pub use chain::{SealRow, link as frame_link, seal_link};
pub use error::StoreError;
pub use folder::{Folder, Space};
pub use journal::*;
pub use memory::MemoryStore;
pub use ranges::Ranges;
pub use records::*;
pub use sqlite::{Options, SCHEMA, Soundness, SqliteReader, SqliteStore, verify_copy};
pub use storage::{Catalogue, Storage};
