//! Finding out the encoding from the first bytes.

use crate::formats::{FORMATS, Format, Likeness};

/// So many units of one shape in a row are taken for the encoding.
const IN_A_ROW: u32 = 3;

/// What is known of one format.
#[derive(Debug, Clone, Copy, Default)]
struct Run {
    /// Where its current unit begins in the bytes seen.
    start: usize,
    shape: usize,
    length: u32,
}

/// Judges units as they are closed. The bytes themselves are with the decoder.
#[derive(Debug, Clone, Default)]
pub(crate) struct Probe {
    runs: [Run; FORMATS.len()],
}

impl Probe {
    /// The bytes seen so far end in `seen.last()`, a possible delimiter.
    pub fn closed(&mut self, seen: &[u8], scratch: &mut Vec<u8>) -> Option<&'static dyn Format> {
        let (delimiter, before) = seen.split_last()?;
        for (format, run) in FORMATS.iter().zip(&mut self.runs) {
            if format.delimiter() != *delimiter {
                continue;
            }
            let unit = before.get(run.start..).unwrap_or(&[]);
            run.start = seen.len();
            if unit.is_empty() || unit == b"\r" {
                continue;
            }
            let likeness =
                if unit.len() > format.longest() { Likeness::Unlike } else { format.likeness(unit, scratch) };
            match likeness {
                Likeness::Sure => return Some(*format),
                Likeness::Like(shape) if shape == run.shape || run.length == 0 => {
                    run.shape = shape;
                    run.length += 1;
                }
                Likeness::Like(shape) => (run.shape, run.length) = (shape, 1),
                Likeness::Unlike => run.length = 0,
            }
            if run.length >= IN_A_ROW {
                return Some(*format);
            }
        }
        None
    }

    /// The stream has ended: what it is most like, if anything.
    pub fn best(&self) -> Option<&'static dyn Format> {
        let (format, run) = FORMATS.iter().zip(&self.runs).rev().max_by_key(|(_, run)| run.length)?;
        (run.length > 0).then_some(*format)
    }
}
