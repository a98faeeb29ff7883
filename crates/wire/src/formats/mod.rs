//! The encodings. Each is one file here and one line in [`FORMATS`].

mod columns;
mod packed;
mod text;

use crate::damage::Fault;
use crate::{Encoding, Frame, FrameId, Kind, MAX_SIGNALS, Signal};

/// One encoding: how its units are parted, recognised and read.
pub(crate) trait Format: Sync {
    /// Which it is.
    fn encoding(&self) -> Encoding;
    /// The byte that closes a unit.
    fn delimiter(&self) -> u8;
    /// How many bytes a unit may have, without its delimiter.
    fn longest(&self) -> usize;
    /// Whether units are lines that people count.
    fn has_lines(&self) -> bool;
    /// Reads one unit, given without its delimiter; `scratch` is memory to be used again. `None`: the encoding has no
    /// frames, its bytes are passed on.
    fn read(&self, unit: &[u8], scratch: &mut Vec<u8>) -> Option<Result<(FrameId, Frame), Fault>>;
    /// How much one unit is like this encoding.
    fn likeness(&self, unit: &[u8], scratch: &mut Vec<u8>) -> Likeness;
}

/// How much a unit is like an encoding.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Likeness {
    /// It is one: its check fits.
    Sure,
    /// It may be one. Three in a row of the same shape are taken for sure.
    Like(usize),
    /// It is none.
    Unlike,
}

/// In the order in which they are asked.
pub(crate) static FORMATS: [&dyn Format; 3] = [&packed::Packed, &text::Text, &columns::Columns];

/// The format of an encoding.
pub(crate) fn of(encoding: Encoding) -> &'static dyn Format {
    match encoding {
        Encoding::Packed => &packed::Packed,
        Encoding::Text => &text::Text,
        Encoding::Columns => &columns::Columns,
    }
}

/// A name, id or unit: what both encodings can carry.
fn word(bytes: &[u8]) -> Result<String, String> {
    match std::str::from_utf8(bytes) {
        Ok(word) if word.len() < 256 && word.bytes().all(|b| b > b' ' && b != 0x7F && b != b':') => {
            Ok(word.to_owned())
        }
        _ => Err("a name, id or unit has a blank, colon or control character, or is too long".to_owned()),
    }
}

/// What holds for every signal list.
fn check_signals(signals: &[Signal]) -> Result<(), String> {
    let count = |kind| signals.iter().filter(|s| s.kind == kind).count();
    let (states, numbers) = (count(Kind::State), count(Kind::Number));
    if states > MAX_SIGNALS || numbers > MAX_SIGNALS {
        return Err(format!("{states} states and {numbers} numbers are more than a logger can have"));
    }
    match signals.iter().position(|s| s.id.is_empty()) {
        Some(ix) => Err(format!("signal {ix} has no id")),
        None => Ok(()),
    }
}
