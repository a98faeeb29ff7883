//! The hash chain over a car's journal: each row's link covers the row and the link before, so a row that is
//! altered, removed or put in later shows.

use sha2::{Digest, Sha256};

use crate::journal::{Frame, Position};
use foldwatch_units::Micros;

/// What a car's first row is linked to.
pub(crate) const GENESIS: [u8; 32] = [0; 32];

/// SHA-256 over: link before, length and text of the logger's id, boot, sequence, arrival, 1 and the logger's
/// clock or 0, length and bytes of the frame. Numbers are little-endian 64-bit.
pub fn link(before: &[u8; 32], frame: &Frame) -> [u8; 32] {
    let mut hash = Sha256::new();
    hash.update(before);
    hash.update((frame.logger.len() as u64).to_le_bytes());
    hash.update(frame.logger.as_bytes());
    hash.update(frame.boot.to_le_bytes());
    hash.update(frame.sequence.to_le_bytes());
    hash.update(frame.received.0.to_le_bytes());
    match frame.logged {
        Some(at) => {
            hash.update([1]);
            hash.update(at.0.to_le_bytes());
        }
        None => hash.update([0]),
    }
    hash.update((frame.bytes.len() as u64).to_le_bytes());
    hash.update(&frame.bytes);
    hash.finalize().into()
}

/// A day that was put into the archive, as the chain of a car's seals has it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SealRow {
    /// `2025-11-25`, UTC.
    pub day: String,
    /// The file, below the archive's folder.
    pub file: String,
    /// Rows in it.
    pub rows: u64,
    /// Size of the file.
    pub bytes: u64,
    /// SHA-256 of the file.
    pub sha256: [u8; 32],
    /// When it was sealed.
    pub sealed: Micros,
    /// The journal rows of the car up to here had left by then.
    pub through: Position,
    /// The link of the last of them: what is left in the journal is chained to it.
    pub journal_link: [u8; 32],
}

/// SHA-256 over the link of the car's seal before (32 zero bytes for the first) and the fields in their order; a text
/// after its length, numbers as in [`link`].
pub fn seal_link(before: &[u8; 32], seal: &SealRow) -> [u8; 32] {
    let mut hash = Sha256::new();
    hash.update(before);
    for text in [&seal.day, &seal.file] {
        hash.update((text.len() as u64).to_le_bytes());
        hash.update(text.as_bytes());
    }
    hash.update(seal.rows.to_le_bytes());
    hash.update(seal.bytes.to_le_bytes());
    hash.update(seal.sha256);
    hash.update(seal.sealed.0.to_le_bytes());
    hash.update(seal.through.0.to_le_bytes());
    hash.update(seal.journal_link);
    hash.finalize().into()
}

#[cfg(test)]
mod tests {
    use super::*;
    use foldwatch_units::Micros;

    #[test]
    fn the_link_is_the_documented_digest() {
        let frame = Frame {
            logger: "L1".into(),
            boot: 3,
            sequence: 258,
            received: Micros(1_000_000),
            logged: Some(Micros(5)),
            bytes: vec![0xAA, 0xBB],
        };
        // sha256 of the bytes written out one after the other, by Python's hashlib:
        // 32 zeros, <Q 2, "L1", <Q 3, <Q 258, <q 1000000, 01, <q 5, <Q 2, AA BB
        let expected = "ff0b454a687d7ebbc1cb2976afcd30f5ea2de3e4584cc60b719bcb0ba6d3c858";
        let hex: String = link(&GENESIS, &frame).iter().map(|b| format!("{b:02x}")).collect();
        assert_eq!(hex, expected);
    }
}
