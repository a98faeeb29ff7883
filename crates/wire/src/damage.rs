//! What could not be read, where, and what to do about it.

use std::ops::Range;

/// A stretch of bytes that gave no frame.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Damage {
    /// Which bytes, counted from the first that the decoder was given.
    pub bytes: Range<u64>,
    /// Which line, from 1, where the stream has lines.
    pub line: Option<u64>,
    /// What kind.
    pub kind: DamageKind,
    /// What was found and what to do, for a person.
    pub message: String,
}

/// Kinds of damage.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum DamageKind {
    /// No form of a frame: half a frame, or rubbish.
    Form,
    /// A frame whose check does not fit.
    Check,
    /// No end of a frame where there must be one.
    TooLong,
    /// A whole frame that says something unknown, as newer firmware may.
    Unknown,
    /// The stream ended within a frame.
    Unfinished,
    /// No known encoding was found.
    Unrecognised,
    /// So much damage that the port's speed is probably wrong. Its bytes are also reported by themselves.
    Speed,
    /// Zero bytes without end: the port is set much too fast, or the line is held low.
    OnlyZeros,
}

impl DamageKind {
    /// One word for counters and tables.
    pub fn as_str(self) -> &'static str {
        match self {
            DamageKind::Form => "form",
            DamageKind::Check => "check",
            DamageKind::TooLong => "too-long",
            DamageKind::Unknown => "unknown",
            DamageKind::Unfinished => "unfinished",
            DamageKind::Unrecognised => "unrecognised",
            DamageKind::Speed => "speed",
            DamageKind::OnlyZeros => "only-zeros",
        }
    }
}

/// Why one unit of bytes gave no frame, before its place is known.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Fault {
    pub kind: DamageKind,
    pub what: String,
}

impl Fault {
    pub fn form(what: impl Into<String>) -> Self {
        Fault { kind: DamageKind::Form, what: what.into() }
    }

    pub fn check(found: impl std::fmt::UpperHex, expected: impl std::fmt::UpperHex, digits: usize) -> Self {
        let what = format!("its check is {found:0digits$X}, its bytes give {expected:0digits$X}");
        Fault { kind: DamageKind::Check, what }
    }

    pub fn unknown(what: impl Into<String>) -> Self {
        Fault { kind: DamageKind::Unknown, what: what.into() }
    }

    /// With a place, and with what to do.
    pub fn at(self, bytes: Range<u64>, line: Option<u64>) -> Damage {
        let unit = if line.is_some() { "line" } else { "frame" };
        let advice = match self.kind {
            DamageKind::Unknown => {
                "the rest is read on; if the firmware is newer than this program, update this program"
            }
            _ => "the rest is read on; if this repeats, look at the cable and the port's speed",
        };
        let message = match line {
            Some(line) => {
                format!("line {line} (byte {}): {}; {unit} skipped, {advice}", bytes.start, self.what)
            }
            None => format!("byte {}: {}; {unit} skipped, {advice}", bytes.start, self.what),
        };
        Damage { bytes, line, kind: self.kind, message }
    }
}
