//! SHA-256 over files and over their blocks, so that what does not fit can be named to a byte range.

use std::fmt;
use std::io::{self, Read, Write};

use sha2::{Digest as _, Sha256};

/// A SHA-256 (FIPS 180-4), written in lower-case hexadecimal.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Digest(pub [u8; 32]);

impl Digest {
    /// Of some bytes.
    ///
    /// ```
    /// let of_abc = foldwatch_evidence::Digest::of(b"abc").to_string();
    /// assert_eq!(of_abc, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    /// ```
    pub fn of(bytes: &[u8]) -> Self {
        Digest(Sha256::digest(bytes).into())
    }

    /// From its 64 hexadecimal digits, of either case.
    pub fn parse(text: &str) -> Option<Self> {
        let digits = text.as_bytes();
        if digits.len() != 64 {
            return None;
        }
        let value = |digit: u8| (digit as char).to_digit(16).map(|v| v as u8);
        let mut bytes = [0; 32];
        for (byte, pair) in bytes.iter_mut().zip(digits.chunks_exact(2)) {
            *byte = (value(pair[0])? << 4) | value(pair[1])?;
        }
        Some(Digest(bytes))
    }

    /// In groups of eight digits, as it is read out and compared.
    pub fn grouped(&self) -> String {
        let hex = self.to_string();
        hex.as_bytes().chunks(8).map(|c| String::from_utf8_lossy(c)).collect::<Vec<_>>().join(" ")
    }
}

impl fmt::Display for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

impl fmt::Debug for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

/// So many bytes have a digest of their own: 64 KiB.
pub const BLOCK: u64 = 64 * 1024;

/// What a file's bytes add up to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Sum {
    pub bytes: u64,
    pub sha256: Digest,
    /// Of each [`BLOCK`] in turn, the last one shorter.
    pub blocks: Vec<Digest>,
}

/// Hashes what goes through it.
pub(crate) struct Meter<W> {
    to: W,
    bytes: u64,
    whole: Sha256,
    block: Sha256,
    blocks: Vec<Digest>,
}

impl<W: Write> Meter<W> {
    pub fn new(to: W) -> Self {
        Meter { to, bytes: 0, whole: Sha256::new(), block: Sha256::new(), blocks: Vec::new() }
    }

    /// The sums; what is below is flushed.
    pub fn finish(mut self) -> io::Result<(W, Sum)> {
        self.to.flush()?;
        if !self.bytes.is_multiple_of(BLOCK) {
            self.blocks.push(Digest(self.block.finalize_reset().into()));
        }
        let sum =
            Sum { bytes: self.bytes, sha256: Digest(self.whole.finalize().into()), blocks: self.blocks };
        Ok((self.to, sum))
    }
}

impl<W: Write> Write for Meter<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let room = (BLOCK - self.bytes % BLOCK) as usize;
        let n = self.to.write(&bytes[..bytes.len().min(room)])?;
        self.whole.update(&bytes[..n]);
        self.block.update(&bytes[..n]);
        self.bytes += n as u64;
        if n > 0 && self.bytes.is_multiple_of(BLOCK) {
            self.blocks.push(Digest(self.block.finalize_reset().into()));
        }
        Ok(n)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.to.flush()
    }
}

/// Size and digest of all there is to read, but of no more than `most` bytes.
pub(crate) fn of_reader(mut from: impl Read, most: u64, buffer: &mut [u8]) -> io::Result<(u64, Digest)> {
    let mut hash = Sha256::new();
    let mut bytes = 0u64;
    while bytes <= most {
        match from.read(buffer) {
            Ok(0) => break,
            Ok(n) => {
                hash.update(&buffer[..n]);
                bytes += n as u64;
            }
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
    Ok((bytes, Digest(hash.finalize().into())))
}

/// The next block, shorter only at the end.
pub(crate) fn next_block(from: &mut impl Read, block: &mut Vec<u8>) -> io::Result<()> {
    block.clear();
    from.take(BLOCK).read_to_end(block)?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// FIPS 180-4, its example file: the empty message, one block, two blocks.
    #[test]
    fn the_examples_of_the_standard() {
        let of = |text: &str| Digest::of(text.as_bytes()).to_string();
        assert_eq!(of(""), "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
        assert_eq!(of("abc"), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
        assert_eq!(
            of("abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq"),
            "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"
        );
    }

    #[test]
    fn blocks_do_not_depend_on_how_the_bytes_came() {
        let bytes: Vec<u8> = (0..200_000u32).map(|n| (n * 7 % 251) as u8).collect();
        let sum = |piece: usize| {
            let mut meter = Meter::new(io::sink());
            bytes.chunks(piece).for_each(|c| meter.write_all(c).unwrap());
            meter.finish().unwrap().1
        };
        let whole = sum(200_000);
        assert_eq!(whole, sum(1_000));
        assert_eq!(whole.blocks.len(), 4);
        assert_eq!(whole.sha256, Digest::of(&bytes));
        assert_eq!(whole.blocks[3], Digest::of(&bytes[3 * 65_536..]));
    }

    #[test]
    fn a_whole_number_of_blocks_has_no_empty_one() {
        let mut meter = Meter::new(io::sink());
        meter.write_all(&vec![1; 2 * BLOCK as usize]).unwrap();
        assert_eq!(meter.finish().unwrap().1.blocks.len(), 2);
    }

    #[test]
    fn digits_are_read_back() {
        let digest = Digest::of(b"x");
        assert_eq!(Digest::parse(&digest.to_string().to_uppercase()), Some(digest));
        assert_eq!(Digest::parse("12"), None);
        assert_eq!(Digest::parse(&"é".repeat(32)), None);
    }
}
