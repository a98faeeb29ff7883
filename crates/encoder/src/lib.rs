//! Frames for firmware: a `no_std` encoder of the packed and text streams, without allocation.
//!
//! In: what a logger knows ([`Frame`]) or what it measures row by row ([`Stream`]). Out: bytes in the caller's buffer,
//! ready for the port or the logger's own memory. The host's answers are parsed by [`ReplyReader`]. Not here: the
//! decoder of frames (that is the host's work), ports, time, storage.
//!
//! ```
//! use foldwatch_encoder::{Edge, Encoding, Frame, FrameId};
//! let id = FrameId { logger: 0x2A, boot: 3, sequence: 18 };
//! let frame = Frame::Edge(Edge { at: 123_460, signal: 4, high: true });
//! let mut line = [0; 64];
//! let n = frame.encode(id, Encoding::Text, &mut line)?;
//! assert_eq!(&line[..n], b"edge 0000002A.3.18 t=123460 signal=4 level=1 #3CF9\n");
//! # Ok::<(), foldwatch_encoder::EncodeError>(())
//! ```
#![no_std]

mod frame;
mod packed;
mod reply;
mod stream;
mod text;
pub mod varint;

pub use frame::*;
pub use reply::{Reply, ReplyReader};
pub use stream::Stream;

/// A frame takes up to this many bytes: packed before stuffing with its CRC, text with its line end.
///
/// The CRC-16 of a text line finds every damage of up to three bits within this length (a test computes why).
pub const MAX_FRAME: usize = 4096;
/// Longest packed frame on the line: one byte of stuffing for each 254, and the delimiter.
pub const MAX_PACKED: usize = MAX_FRAME + MAX_FRAME / 254 + 2;
/// A block holds up to this many rows.
pub const MAX_ROWS: usize = 1024;
/// A logger has up to this many states, and up to this many numbers.
pub const MAX_SIGNALS: usize = 64;
/// Version of the frame format that this crate writes.
pub const VERSION: u8 = 1;

/// CRC-32/ISO-HDLC by the RevEng catalogue of parametrised CRC algorithms: closes a packed frame.
pub static CRC_32: crc::Crc<u32> = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC);
/// CRC-16/IBM-3740 by the same catalogue: closes a text line.
pub static CRC_16: crc::Crc<u16> = crc::Crc::<u16>::new(&crc::CRC_16_IBM_3740);

/// How frames are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Encoding {
    /// Binary, zero bytes stuffed away, CRC-32, closed by a zero byte.
    Packed,
    /// One readable line with a CRC-16.
    Text,
}

/// A frame that can't be written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EncodeError {
    /// It does not fit the buffer, or it is longer than [`MAX_FRAME`].
    Full,
    /// It holds something that the format has no form for; the text says what.
    Content(&'static str),
}

impl core::fmt::Display for EncodeError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            EncodeError::Full => f.write_str("the frame is too long for the buffer or the format"),
            EncodeError::Content(what) => f.write_str(what),
        }
    }
}

impl core::error::Error for EncodeError {}
