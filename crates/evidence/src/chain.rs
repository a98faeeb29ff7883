//! The hash chain from what was recorded to the bag.
//!
//! For logs: each block of the log's bytes, as read from the file, has a link over its place, its digest and the link
//! before; so a block that is altered, moved or left out shows, and whoever still has the log can hold it against the
//! chain. For a store: the rows of its journal with their links, which hold without the store.

use std::io::{self, BufRead, Read, Write};

use sha2::{Digest as _, Sha256};

use crate::Digest;
use crate::hash::{BLOCK, next_block};

/// What the first link follows on.
pub(crate) const GENESIS: Digest = Digest([0; 32]);

pub(crate) const HEADER: &str = "log,first_byte,bytes,sha256,link";

/// SHA-256 over: link before, number of the log from 1, first byte, count of bytes (64-bit little-endian), digest of the
/// bytes.
fn link(before: Digest, log: u64, first: u64, bytes: u64, of: Digest) -> Digest {
    let mut hash = Sha256::new();
    hash.update(before.0);
    for number in [log, first, bytes] {
        hash.update(number.to_le_bytes());
    }
    hash.update(of.0);
    Digest(hash.finalize().into())
}

/// Writes the chain over logs.
pub(crate) struct Writer<W> {
    to: W,
    head: Digest,
    log: u64,
}

impl<W: Write> Writer<W> {
    pub fn new(mut to: W) -> io::Result<Self> {
        to.write_all(format!("{HEADER}\r\n").as_bytes())?;
        Ok(Writer { to, head: GENESIS, log: 0 })
    }

    /// Takes the bytes of the next log.
    pub fn log(&mut self, mut from: impl Read) -> io::Result<()> {
        self.log += 1;
        let (mut first, mut block) = (0u64, Vec::new());
        loop {
            next_block(&mut from, &mut block)?;
            if block.is_empty() {
                return Ok(());
            }
            let (bytes, of) = (block.len() as u64, Digest::of(&block));
            self.head = link(self.head, self.log, first, bytes, of);
            writeln!(self.to, "{},{first},{bytes},{of},{}\r", self.log, self.head)?;
            first += bytes;
        }
    }

    /// The end of the chain.
    pub fn head(&self) -> Digest {
        self.head
    }
}

/// One block of a log as it stands in the chain.
struct Block {
    log: u64,
    first: u64,
    bytes: u64,
    of: Digest,
}

fn parse(line: &str) -> Option<(Block, Digest)> {
    let mut cells = line.split(',');
    let mut number = || cells.next()?.parse().ok();
    let (log, first, bytes) = (number()?, number()?, number()?);
    let mut digest = || Digest::parse(cells.next()?);
    let (of, link) = (digest()?, digest()?);
    cells.next().is_none().then_some((Block { log, first, bytes, of }, link))
}

/// Walks the chain; with logs at hand, their bytes are held against it. The answer is its end.
///
/// # Errors
/// What does not fit first.
pub(crate) fn walk(from: impl BufRead, logs: &mut [Box<dyn Read>]) -> Result<Digest, String> {
    let (mut head, mut at) = (GENESIS, (0u64, 0u64));
    let mut held = Vec::new();
    for (n, line) in from.lines().enumerate() {
        let line = line.map_err(|error| error.to_string())?;
        let line = line.trim_end_matches('\r');
        if n == 0 {
            if line != HEADER {
                return Err("line 1: not the columns of a chain over logs".into());
            }
            continue;
        }
        let (block, noted) = parse(line).ok_or_else(|| format!("line {}: not a link", n + 1))?;
        let goes_on = (block.log == at.0 && block.first == at.1) || (block.log > at.0 && block.first == 0);
        head = link(head, block.log, block.first, block.bytes, block.of);
        if !goes_on || head != noted || block.bytes == 0 || block.bytes > BLOCK {
            return Err(format!(
                "line {}: the link of log {} from byte {} does not follow from the one before: altered, moved, or \
                 something before it is gone",
                n + 1,
                block.log,
                block.first
            ));
        }
        let log = usize::try_from(block.log).ok().and_then(|log| logs.get_mut(log.wrapping_sub(1)));
        if let Some(log) = log {
            next_block(log, &mut held).map_err(|error| format!("log {}: {error}", block.log))?;
            if Digest::of(&held) != block.of {
                return Err(format!(
                    "log {}, bytes {} to {}: not the bytes that the bag was made from",
                    block.log,
                    block.first,
                    block.first + block.bytes - 1
                ));
            }
        }
        at = (block.log, block.first + block.bytes);
    }
    for (n, log) in logs.iter_mut().enumerate() {
        next_block(log, &mut held).map_err(|error| format!("log {}: {error}", n + 1))?;
        if !held.is_empty() {
            return Err(format!("log {}: goes on after the end that the bag was made from", n + 1));
        }
    }
    Ok(head)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chain(logs: &[&[u8]]) -> (String, Digest) {
        let mut out = Vec::new();
        let mut writer = Writer::new(&mut out).unwrap();
        logs.iter().for_each(|log| writer.log(*log).unwrap());
        let head = writer.head();
        (String::from_utf8(out).unwrap(), head)
    }

    fn walked(text: &str, logs: &[&[u8]]) -> Result<Digest, String> {
        let mut logs: Vec<Box<dyn Read>> =
            logs.iter().map(|l| Box::new(io::Cursor::new(l.to_vec())) as Box<dyn Read>).collect();
        walk(text.as_bytes(), &mut logs)
    }

    #[test]
    fn the_link_is_the_documented_digest() {
        // Python: sha256(bytes(32) + struct.pack("<QQQ", 1, 0, 3) + sha256(b"abc").digest())
        let (_, head) = chain(&[b"abc"]);
        assert_eq!(head.to_string(), "592367cbbae1821c0635fb8a28a600b8983c30ffeaa8701aafb53bfa352c823b");
    }

    #[test]
    fn what_is_removed_moved_or_altered_shows() {
        let log: Vec<u8> = (0..200_000u32).map(|n| (n % 253) as u8).collect();
        let (text, head) = chain(&[&log, b"second"]);
        assert_eq!(walked(&text, &[&log, b"second"]), Ok(head));
        assert_eq!(walked(&text, &[]), Ok(head));
        let lines: Vec<&str> = text.split_inclusive('\n').collect();
        let without =
            |n: usize| lines.iter().enumerate().filter(|(i, _)| *i != n).map(|(_, l)| *l).collect::<String>();
        for n in 1..lines.len() - 1 {
            assert!(walked(&without(n), &[]).is_err(), "line {n} removed");
        }
        assert_ne!(walked(&without(lines.len() - 1), &[]), Ok(head), "the end is on record elsewhere");
        let mut swapped = lines.clone();
        swapped.swap(1, 2);
        assert!(walked(&swapped.concat(), &[]).is_err());
        let mut other = log.clone();
        other[70_000] ^= 1;
        let error = walked(&text, &[&other, b"second"]).unwrap_err();
        assert!(error.contains("log 1, bytes 65536 to 131071"), "{error}");
        assert!(walked(&text, &[&log, b"second and more"]).is_err());
        assert!(walked(&text, &[&log, b"sec"]).is_err());
    }
}
