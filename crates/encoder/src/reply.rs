//! What the host answers.

use crate::{CRC_32, EncodeError, Encoding, packed, text};

/// An answer of the host. Each names the logger it is meant for: an acknowledgement that reaches another logger,
/// because plugs were swapped, must not free anything there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reply {
    /// Say hello (of the running boot), then send what is kept, oldest first, then what is new.
    Hello,
    /// The host's time; the logger answers with a time note.
    Time {
        /// For whom.
        logger: u32,
        /// UTC in microseconds since 1970, when this was sent.
        utc: i64,
        /// Latest counter that the host has seen of this boot.
        echo: u64,
    },
    /// Everything of a boot up to this frame, and every boot before it, is safely kept: it may be forgotten.
    Acknowledge {
        /// For whom.
        logger: u32,
        /// Of which boot.
        boot: u32,
        /// Last frame that is kept.
        up_to: u32,
    },
    /// Send these frames again, as they were; none of them that is no longer there.
    Resend {
        /// For whom.
        logger: u32,
        /// Of which boot.
        boot: u32,
        /// First frame.
        from: u32,
        /// Last frame.
        to: u32,
    },
}

impl Reply {
    /// No reply takes more bytes on the line, in either encoding.
    pub const MAX_LEN: usize = 96;

    /// Writes the reply with its check and its delimiter, and gives the number of bytes.
    ///
    /// # Errors
    /// [`EncodeError::Full`] when `out` is shorter than it.
    pub fn encode(&self, encoding: Encoding, out: &mut [u8]) -> Result<usize, EncodeError> {
        match encoding {
            Encoding::Packed => packed::encode_reply(self, out),
            Encoding::Text => text::encode_reply(self, out),
        }
    }
}

/// Finds replies in what the host sends, byte by byte. What is damaged is skipped: the host will say it again.
///
/// ```
/// use foldwatch_encoder::{Encoding, Reply, ReplyReader};
/// let reply = Reply::Acknowledge { logger: 0x2A, boot: 3, up_to: 17 };
/// let mut bytes = [0; Reply::MAX_LEN];
/// let n = reply.encode(Encoding::Text, &mut bytes)?;
/// let mut reader = ReplyReader::new(Encoding::Text);
/// assert_eq!(bytes[..n].iter().find_map(|byte| reader.push(*byte)), Some(reply));
/// # Ok::<(), foldwatch_encoder::EncodeError>(())
/// ```
#[derive(Debug, Clone)]
pub struct ReplyReader {
    encoding: Encoding,
    held: [u8; Reply::MAX_LEN],
    /// More than the buffer holds means: skip to the delimiter.
    len: usize,
}

impl ReplyReader {
    /// A reader of one encoding.
    pub fn new(encoding: Encoding) -> Self {
        ReplyReader { encoding, held: [0; Reply::MAX_LEN], len: 0 }
    }

    /// Takes one byte; gives the reply that it closes.
    pub fn push(&mut self, byte: u8) -> Option<Reply> {
        let delimiter = match self.encoding {
            Encoding::Packed => 0,
            Encoding::Text => b'\n',
        };
        if byte != delimiter {
            if let Some(slot) = self.held.get_mut(self.len) {
                *slot = byte;
            }
            self.len = (self.len + 1).min(Reply::MAX_LEN + 1);
            return None;
        }
        let len = core::mem::take(&mut self.len);
        let unit = self.held.get_mut(..len)?;
        match self.encoding {
            Encoding::Packed => {
                let n = cobs::decode_in_place(unit).ok()?;
                let (body, crc) = unit.get(..n)?.split_last_chunk::<4>()?;
                (CRC_32.checksum(body) == u32::from_le_bytes(*crc)).then(|| packed::read_reply(body))?
            }
            Encoding::Text => text::read_reply(unit),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const REPLIES: [Reply; 5] = [
        Reply::Hello,
        Reply::Time { logger: 0x2A, utc: 1_790_000_000_123_456, echo: 99_000 },
        Reply::Time { logger: u32::MAX, utc: i64::MIN, echo: u64::MAX },
        Reply::Acknowledge { logger: 0x2A, boot: 3, up_to: 17 },
        Reply::Resend { logger: u32::MAX, boot: u32::MAX, from: u32::MAX, to: u32::MAX },
    ];

    fn read(encoding: Encoding, bytes: &[u8]) -> Option<Reply> {
        let mut reader = ReplyReader::new(encoding);
        let mut found = bytes.iter().filter_map(|byte| reader.push(*byte));
        let first = found.next();
        assert_eq!(found.next(), None);
        first
    }

    #[test]
    fn replies_survive_and_no_wrong_bit_goes_unseen() {
        for encoding in [Encoding::Packed, Encoding::Text] {
            for reply in REPLIES {
                let mut bytes = [0; Reply::MAX_LEN];
                let n = reply.encode(encoding, &mut bytes).unwrap();
                let bytes = &mut bytes[..n];
                assert_eq!(read(encoding, bytes), Some(reply));
                for bit in 0..8 * n {
                    bytes[bit / 8] ^= 1 << (bit % 8);
                    assert_eq!(read(encoding, bytes), None, "{reply:?} with bit {bit} wrong");
                    bytes[bit / 8] ^= 1 << (bit % 8);
                }
            }
        }
    }

    #[test]
    fn what_is_too_long_or_empty_is_skipped() {
        for (encoding, delimiter) in [(Encoding::Packed, 0), (Encoding::Text, b'\n')] {
            let mut reader = ReplyReader::new(encoding);
            for _ in 0..500 {
                assert_eq!(reader.push(b'x'), None);
            }
            assert_eq!(reader.push(delimiter), None);
            assert_eq!(reader.push(delimiter), None);
            let mut bytes = [0; Reply::MAX_LEN];
            let n = Reply::Hello.encode(encoding, &mut bytes).unwrap();
            assert_eq!(bytes[..n].iter().find_map(|byte| reader.push(*byte)), Some(Reply::Hello));
        }
    }

    #[test]
    fn a_terminal_may_send_a_carriage_return() {
        assert_eq!(read(Encoding::Text, b"host-ack 0000002A boot=3 to=17 #F2FC\r\n"), Some(REPLIES[3]));
    }

    #[test]
    fn a_short_buffer_is_refused() {
        for encoding in [Encoding::Packed, Encoding::Text] {
            let mut bytes = [0; Reply::MAX_LEN];
            let n = REPLIES[1].encode(encoding, &mut bytes).unwrap();
            for short in 0..n {
                assert_eq!(
                    REPLIES[1].encode(encoding, &mut bytes[..short]),
                    Err(EncodeError::Full),
                    "{short}"
                );
            }
        }
    }
}
