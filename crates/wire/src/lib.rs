//! Bytes to frames, with a report of what was damaged.
//!
//! In: bytes as they come, in pieces of any size. Out: [`Decoded`] things in the order of the bytes: frames with their
//! raw bytes, so that these can be kept before they are interpreted, and damaged stretches with their place and a
//! sentence. Nothing is lost silently and nothing stops the stream. Memory is bounded whatever comes. Not here: ports,
//! files, the meaning of channels, and the reading of columns, which are passed on as they are.
//!
//! ```
//! use foldwatch_wire::{Decoded, Decoder};
//! let mut decoder = Decoder::auto();
//! let mut edges = 0;
//! let mut damaged = 0;
//! let mut out = |decoded: Decoded<'_>| match decoded {
//!     Decoded::Frame(received) => edges += usize::from(received.frame.name() == "edge"),
//!     Decoded::Damage(damage, _) => damaged += damage.bytes.end - damage.bytes.start,
//!     Decoded::Columns(_) => unreachable!("these are frames"),
//! };
//! decoder.push(b"lf a line\nedge 0000002A.3.18 t=123460 sig", &mut out);
//! decoder.push(b"nal=4 level=1 #3CF9\n", &mut out);
//! decoder.finish(&mut out);
//! assert_eq!((edges, damaged), (1, 10));
//! ```

mod damage;
mod decoder;
mod formats;
mod frame;
mod probe;
mod quality;

pub use damage::{Damage, DamageKind};
pub use decoder::{Decoded, Decoder, Received};
pub use foldwatch_encoder::{
    CRC_32, EncodeError, MAX_FRAME, MAX_PACKED, MAX_ROWS, MAX_SIGNALS, Reply, VERSION,
};
pub use frame::*;

/// How a log is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Encoding {
    /// Binary frames with a CRC-32.
    Packed,
    /// One readable line a frame, with a CRC-16.
    Text,
    /// Delimited lines of another logger: no frames, no check.
    Columns,
}

impl Encoding {
    /// The name in files and options: `packed`, `text` or `columns`.
    pub fn as_str(self) -> &'static str {
        match self {
            Encoding::Packed => "packed",
            Encoding::Text => "text",
            Encoding::Columns => "columns",
        }
    }

    /// What an encoder of frames calls it.
    fn of_frames(self) -> Result<foldwatch_encoder::Encoding, EncodeError> {
        match self {
            Encoding::Packed => Ok(foldwatch_encoder::Encoding::Packed),
            Encoding::Text => Ok(foldwatch_encoder::Encoding::Text),
            Encoding::Columns => Err(EncodeError::Content("columns carry no frames")),
        }
    }
}

impl std::fmt::Display for Encoding {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.as_str())
    }
}

/// The bytes of a host's reply in a logger's encoding.
///
/// # Errors
/// For columns: such a logger listens to nothing.
///
/// ```
/// use foldwatch_wire::{Encoding, Reply, encode_reply};
/// let line = encode_reply(&Reply::Acknowledge { logger: 0x2A, boot: 3, up_to: 17 }, Encoding::Text)?;
/// assert_eq!(line, b"host-ack 0000002A boot=3 to=17 #F2FC\n");
/// # Ok::<(), foldwatch_wire::EncodeError>(())
/// ```
pub fn encode_reply(reply: &Reply, encoding: Encoding) -> Result<Vec<u8>, EncodeError> {
    let mut out = [0; Reply::MAX_LEN];
    let n = reply.encode(encoding.of_frames()?, &mut out)?;
    Ok(out[..n].to_vec())
}
