//! Bytes as they come to blocks of whole records.

use crate::record::{Delimiter, End, LONGEST_RECORD, record_end};
use memchr::{memchr, memrchr};

/// Bytes that are read, and parsed, at once.
pub(crate) const BLOCK: usize = 256 * 1024;

/// Cuts bytes into blocks of whole records.
#[derive(Debug)]
pub(crate) struct Blocks {
    delimiter: Delimiter,
    /// The beginning of a record whose end has not come yet.
    carry: Vec<u8>,
    /// Within a line that is too long: its rest is dropped.
    dropping: bool,
}

/// What came out of a cut, apart from the block.
#[derive(Debug, Default, Clone, PartialEq, Eq)]
pub(crate) struct Cut {
    /// Bytes of a long line that were dropped before the block.
    pub dropped_before: usize,
    /// A line too long began where the block was: its first bytes. The block is empty then.
    pub long_line: Option<Vec<u8>>,
    /// Bytes of it that were dropped.
    pub dropped: usize,
}

impl Blocks {
    pub fn new(delimiter: Delimiter) -> Self {
        Blocks { delimiter, carry: Vec::new(), dropping: false }
    }

    /// Bytes that come before all others.
    pub fn keep(&mut self, bytes: Vec<u8>) {
        self.carry = bytes;
    }

    /// Moves what was kept to the beginning of an empty block.
    pub fn begin(&mut self, block: &mut Vec<u8>) {
        block.clear();
        block.append(&mut self.carry);
    }

    /// Cuts `block` after its last whole record and keeps the rest. `last`: no more bytes will come.
    pub fn cut(&mut self, block: &mut Vec<u8>, last: bool) -> Cut {
        let mut cut = Cut::default();
        if self.dropping {
            match memchr(b'\n', block) {
                None => {
                    cut.dropped_before = block.len();
                    block.clear();
                    return cut;
                }
                Some(newline) => {
                    self.dropping = false;
                    cut.dropped_before = newline + 1;
                    block.drain(..=newline);
                }
            }
        }
        if last {
            return cut;
        }
        let end = if memchr(b'"', block).is_none() {
            memrchr(b'\n', block).map_or(0, |newline| newline + 1)
        } else {
            self.walk(block)
        };
        if end == 0 && block.len() >= LONGEST_RECORD && memchr(b'\n', block).is_none() {
            self.dropping = true;
            cut.long_line = Some(block[..LONGEST_RECORD.min(200)].to_vec());
            cut.dropped = block.len();
            block.clear();
            return cut;
        }
        self.carry.extend_from_slice(&block[end..]);
        block.truncate(end);
        cut
    }

    /// Record by record: a line end may be part of a quoted cell.
    fn walk(&self, block: &[u8]) -> usize {
        let mut at = 0;
        while at < block.len() {
            match record_end(&block[at..], self.delimiter, false) {
                End::At(length) | End::OpenQuote(length) => at += length,
                End::TooLong => match memchr(b'\n', &block[at..]) {
                    Some(newline) => at += newline + 1,
                    None => break,
                },
                End::More => break,
            }
        }
        at
    }
}
