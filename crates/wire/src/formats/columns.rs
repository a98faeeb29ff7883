//! Delimited lines of another logger. Recognised here, read elsewhere.

use super::{Format, Likeness, text};
use crate::damage::Fault;
use crate::{Encoding, Frame, FrameId};

pub(crate) struct Columns;

/// In order of preference: a comma may be a decimal comma where there is anything else.
const DELIMITERS: [u8; 4] = *b"\t;|,";

impl Format for Columns {
    fn encoding(&self) -> Encoding {
        Encoding::Columns
    }

    fn delimiter(&self) -> u8 {
        b'\n'
    }

    fn longest(&self) -> usize {
        usize::MAX
    }

    fn has_lines(&self) -> bool {
        true
    }

    fn read(&self, _: &[u8], _: &mut Vec<u8>) -> Option<Result<(FrameId, Frame), Fault>> {
        None
    }

    fn likeness(&self, unit: &[u8], _: &mut Vec<u8>) -> Likeness {
        let control = |b: &u8| *b == 0x7F || (*b < b' ' && *b != b'\t' && *b != b'\r');
        if text::ending(unit).is_some() || unit.iter().any(control) {
            return Likeness::Unlike;
        }
        let count = |delimiter| memchr::memchr_iter(delimiter, unit).count();
        DELIMITERS
            .iter()
            .enumerate()
            .map(|(ix, delimiter)| (ix, count(*delimiter)))
            .find(|(_, n)| *n > 0)
            .map_or(Likeness::Unlike, |(ix, n)| Likeness::Like(n * DELIMITERS.len() + ix))
    }
}
