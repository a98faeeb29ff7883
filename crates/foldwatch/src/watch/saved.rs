//! What the daemon remembers of a car between two starts.

use foldwatch_pipeline::LaneState;
use foldwatch_store::{Catalogue, Position, StoreError};
use serde::{Deserialize, Serialize};

use super::archive::Pass;
use super::replay::Mark;

/// Saved as one line of JSON, which any version can read, and the lane's state behind it, which only the version that
/// wrote it can.
#[derive(Debug, Clone, Default)]
pub struct Saved {
    /// Up to where the samples are in the archive.
    pub mark: Mark,
    /// Days that are being archived.
    pub pass: Option<Pass>,
    /// The judging, as bytes of this version; empty: not known.
    pub lane: Vec<u8>,
}

#[derive(Serialize, Deserialize)]
struct Head {
    written_by: String,
    mark: Mark,
    pass: Option<Pass>,
}

impl Saved {
    /// What the store keeps of a car, with the journal's position that it belongs to; `None`: nothing that can be read.
    ///
    /// # Errors
    /// When the store can't be asked.
    pub fn of(catalogue: &dyn Catalogue, car: &str) -> Result<Option<(Position, Saved)>, StoreError> {
        let checkpoint = catalogue.checkpoint(car)?;
        Ok(checkpoint.and_then(|c| Some((c.position, Saved::from_bytes(&c.state)?))))
    }

    /// Up to where a car's samples are in the archive.
    ///
    /// # Errors
    /// When the store can't be asked.
    pub fn mark_of(catalogue: &dyn Catalogue, car: &str) -> Result<Mark, StoreError> {
        Ok(Saved::of(catalogue, car)?.map(|(_, saved)| saved.mark).unwrap_or_default())
    }

    /// As the store keeps it.
    ///
    /// # Errors
    /// None is known: all of it can be written.
    pub fn to_bytes(&self) -> Result<Vec<u8>, serde_json::Error> {
        let head = Head { written_by: version(), mark: self.mark.clone(), pass: self.pass.clone() };
        let mut bytes = serde_json::to_vec(&head)?;
        bytes.push(b'\n');
        bytes.extend_from_slice(&self.lane);
        Ok(bytes)
    }

    /// Back again; the lane's state is left out where another version wrote it.
    fn from_bytes(bytes: &[u8]) -> Option<Saved> {
        let end = bytes.iter().position(|byte| *byte == b'\n')?;
        let head: Head = serde_json::from_slice(bytes.get(..end)?).ok()?;
        let ours = head.written_by == version();
        let lane = if ours { bytes.get(end + 1..)?.to_vec() } else { Vec::new() };
        Some(Saved { mark: head.mark, pass: head.pass, lane })
    }

    /// The judging.
    pub fn lane(&self) -> Option<LaneState> {
        postcard::from_bytes(&self.lane).ok()
    }
}

/// The judging as bytes.
pub fn lane_bytes(state: &LaneState) -> Option<Vec<u8>> {
    postcard::to_allocvec(state).inspect_err(|error| tracing::error!("state can't be saved: {error}")).ok()
}

/// Who wrote a lane's state. The number goes up with every change to what a lane remembers, or to what that means: its bytes do not say
/// themselves what they are.
fn version() -> String {
    concat!("foldwatch ", env!("CARGO_PKG_VERSION"), "/7").to_owned()
}
