//! The hash chain from what was recorded to the bag.
//!
//! For logs: each block of the log's bytes, as read from the file, has a link over its place, its digest and the link
//! before; so a block that is altered, moved or left out shows, and whoever still has the log can hold it against the
//! chain. For a store: the rows of its journal with their links, which hold without the store.

use std::fs::File;
use std::io::{self, BufRead, BufReader, Read, Write};
use std::path::Path;

use sha2::{Digest as _, Sha256};

use foldwatch_store::{Frame, frame_link};
use foldwatch_units::Micros;

use crate::hash::{BLOCK, next_block};
use crate::{Digest, EvidenceError};

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

    /// Takes the bytes of the next log, and hands them on.
    pub fn log(&mut self, mut from: impl Read, on: &mut (impl Write + ?Sized)) -> io::Result<()> {
        self.log += 1;
        let (mut first, mut block) = (0u64, Vec::new());
        loop {
            next_block(&mut from, &mut block)?;
            if block.is_empty() {
                return Ok(());
            }
            on.write_all(&block)?;
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

/// The columns of a chain over the rows of a journal; `frame` in hexadecimal.
pub(crate) const JOURNAL: &str = "position,logger,boot,sequence,received_us,logged_us,frame,link";

/// A row of a journal as a line under [`JOURNAL`].
pub(crate) fn journal_line(position: u64, frame: &Frame, link: [u8; 32]) -> String {
    let hex: String = frame.bytes.iter().map(|byte| format!("{byte:02x}")).collect();
    let logged = frame.logged.map(|at| at.0.to_string()).unwrap_or_default();
    let Frame { logger, boot, sequence, received, .. } = frame;
    format!("{position},{logger},{boot},{sequence},{},{logged},{hex},{}", received.0, Digest(link))
}

fn parse_journal(line: &str) -> Option<(u64, Frame, Digest)> {
    let cells: Vec<&str> = line.split(',').collect();
    let [position, logger, boot, sequence, received, logged, hex, link] = cells.as_slice() else {
        return None;
    };
    let digit = |c: u8| (c as char).to_digit(16).map(|v| v as u8);
    let pairs = hex.as_bytes().chunks_exact(2);
    if !pairs.remainder().is_empty() {
        return None;
    }
    let bytes =
        pairs.map(|pair| Some((digit(pair[0])? << 4) | digit(pair[1])?)).collect::<Option<Vec<u8>>>()?;
    let frame = Frame {
        logger: (*logger).to_owned(),
        boot: boot.parse().ok()?,
        sequence: sequence.parse().ok()?,
        received: Micros(received.parse().ok()?),
        logged: if logged.is_empty() { None } else { Some(Micros(logged.parse().ok()?)) },
        bytes,
    };
    Some((position.parse().ok()?, frame, Digest::parse(link)?))
}

/// The frames in a file that has the rows of a journal, in order of arrival.
///
/// # Errors
/// Where it can't be read, or a line is no row.
pub fn journal_rows(
    path: &Path,
) -> Result<impl Iterator<Item = Result<(u64, Frame), EvidenceError>> + use<>, EvidenceError> {
    let from = BufReader::new(File::open(path).map_err(EvidenceError::io(path, "read"))?);
    Ok(from.lines().enumerate().skip(1).map(|(n, line)| {
        let line = line.map_err(|error| EvidenceError::Recording(error.into()))?;
        let row = parse_journal(line.trim_end_matches('\r'));
        let row =
            row.ok_or_else(|| EvidenceError::refused(format!("line {}: no row of a journal", n + 1)))?;
        Ok((row.0, row.1))
    }))
}

/// Walks the rows of a journal from the link that the first one follows on. The answer is the end of the chain.
///
/// # Errors
/// What does not fit first.
pub(crate) fn walk_journal(from: impl BufRead, before: Digest) -> Result<Digest, String> {
    let (mut head, mut last) = (before, None);
    for (n, line) in from.lines().enumerate() {
        let line = line.map_err(|error| error.to_string())?;
        let line = line.trim_end_matches('\r');
        if n == 0 {
            if line != JOURNAL {
                return Err("line 1: not the columns of a chain over a journal".into());
            }
            continue;
        }
        let (position, frame, noted) =
            parse_journal(line).ok_or_else(|| format!("line {}: not a row", n + 1))?;
        head = Digest(frame_link(&head.0, &frame));
        if head != noted || last.is_some_and(|last| position <= last) {
            return Err(format!(
                "line {}: journal row {position} does not follow from the row before: altered, moved, or one before it \
                 is gone",
                n + 1
            ));
        }
        last = Some(position);
    }
    Ok(head)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chain(logs: &[&[u8]]) -> (String, Digest) {
        let mut out = Vec::new();
        let mut writer = Writer::new(&mut out).unwrap();
        logs.iter().for_each(|log| writer.log(*log, &mut io::sink()).unwrap());
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

    #[test]
    fn rows_of_a_journal_are_walked_without_the_store() {
        let frame = |sequence| Frame {
            logger: "0000002A".into(),
            boot: 1,
            sequence,
            received: Micros(5),
            logged: (sequence > 1).then_some(Micros(-3)),
            bytes: vec![0, 0xAB, sequence as u8],
        };
        let mut text = format!("{JOURNAL}\r\n");
        let mut link = [7; 32];
        for sequence in 0..4 {
            link = frame_link(&link, &frame(sequence));
            text += &format!("{}\r\n", journal_line(sequence + 10, &frame(sequence), link));
        }
        assert_eq!(walk_journal(text.as_bytes(), Digest([7; 32])), Ok(Digest(link)));
        assert!(walk_journal(text.as_bytes(), GENESIS).is_err());
        let lines: Vec<&str> = text.split_inclusive('\n').collect();
        let without: String = lines.iter().enumerate().filter(|(n, _)| *n != 2).map(|(_, l)| *l).collect();
        assert!(
            walk_journal(without.as_bytes(), Digest([7; 32])).unwrap_err().contains("line 3: journal row 12")
        );
        assert!(walk_journal(text.replace("00ab01", "00ab11").as_bytes(), Digest([7; 32])).is_err());
    }
}
