//! When damage is more than bad luck: is the port's speed wrong?

use std::ops::Range;

use crate::damage::{Damage, DamageKind};

/// So many units without one whole frame, and
const UNITS: u32 = 4;
/// so many bytes: below, half a frame at the start of a stream would already count. Judgement, no source.
const BYTES: u64 = 256;

/// What has come since the last whole frame.
#[derive(Debug, Clone, Default)]
pub(crate) struct Quality {
    units: u32,
    bytes: u64,
    from: Option<u64>,
    /// Bytes that no text has.
    unprintable: u64,
    /// Bytes whose bits change at most once, as they come when one bit of the sender is read as several.
    smeared: u64,
    told: bool,
}

impl Quality {
    /// A whole frame came.
    pub fn good(&mut self) {
        *self = Quality::default();
    }

    /// The bytes so far will be judged again.
    pub fn restart(&mut self) {
        *self = Quality { told: self.told, ..Quality::default() };
    }

    /// So many bytes without an end that their number alone is enough.
    pub fn hopeless(&mut self, at: u64, bytes: &[u8]) -> Option<Damage> {
        self.units = UNITS;
        self.bad(at, bytes)
    }

    /// A unit that gave no frame. Once for each bad stretch it gives the suspicion.
    pub fn bad(&mut self, at: u64, unit: &[u8]) -> Option<Damage> {
        let from = *self.from.get_or_insert(at);
        self.units += 1;
        self.bytes += unit.len() as u64;
        self.unprintable += unit.iter().filter(|b| is_unprintable(**b)).count() as u64;
        self.smeared += unit.iter().filter(|b| is_smeared(**b)).count() as u64;
        if self.told || self.units < UNITS || self.bytes < BYTES {
            return None;
        }
        self.told = true;
        Some(self.suspicion(from..at + unit.len() as u64))
    }

    fn suspicion(&self, bytes: Range<u64>) -> Damage {
        let percent = 100 * self.unprintable / self.bytes.max(1);
        let pattern = if 2 * self.smeared > self.bytes {
            " Most bytes are long runs of equal bits, as when the port is set faster than the logger sends."
        } else {
            ""
        };
        let message = format!(
            "byte {}: of {} bytes none made a whole frame, {percent} % of them can't be text.{pattern} The port's speed \
             is probably not the logger's: set both to the same baud rate; if they are, look at ground wire, cable and \
             level converter",
            bytes.start, self.bytes
        );
        Damage { bytes, line: None, kind: DamageKind::Speed, message }
    }
}

/// More bytes than a word or two in another alphabet can't be text.
pub(crate) fn is_no_text(bytes: &[u8]) -> bool {
    bytes.iter().filter(|b| is_unprintable(**b)).count() * 10 > bytes.len()
}

fn is_unprintable(byte: u8) -> bool {
    !matches!(byte, b' '..=b'~' | b'\t' | b'\r' | b'\n')
}

fn is_smeared(byte: u8) -> bool {
    (byte ^ (byte >> 1)) & 0x7F & ((byte ^ (byte >> 1)) & 0x7F).wrapping_sub(1) == 0
}
