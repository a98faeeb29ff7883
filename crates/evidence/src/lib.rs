//! Recordings to a signed bag with a report, and a bag to a verdict on itself.
//!
//! In: recordings as items, the profile they are judged by, what people wrote. Out: a bag after RFC 8493, a folder or a
//! zip, that anybody can check with tools of their own: SHA-256 manifests (FIPS 180-4), an Ed25519 signature (RFC 8032)
//! over the tag manifest, tables as CSV (RFC 4180) with a table schema. [`verify`] reads a bag and nothing else. Files
//! only: no network, no clock; the same input and key give the same bytes.

mod asked;
mod bind;
mod chain;
mod derived;
mod error;
mod facts;
mod hash;
mod judging;
mod key;
mod make;
mod names;
mod out;
mod package;
mod read;
mod replay;
mod report;
mod request;
mod samples;
mod seals;
mod tables;
mod verify;
mod within;

pub use chain::journal_rows;
pub use error::EvidenceError;
pub use facts::{
    AnyError, Chain, EachRow, JournalRows, Material, OpenLog, Original, Originals, Recording, Reread,
    StoreChain,
};
pub use hash::{BLOCK, Digest};
pub use key::{Keys, PublicKey, Succession};
pub use make::make;
pub use replay::Replayed;
pub use report::Paper;
pub use request::{Entry, LeaveOut, Made, Request, Revision};
pub use verify::{Fault, Signer, Verified, tag_manifest, verify, verify_files};

/// How it was measured and judged, for whoever reads a bag.
pub const METHOD: &str = include_str!("method.md");
