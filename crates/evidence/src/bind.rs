//! Are the samples in a bag just what its originals give? They are read again and written down again, and what comes out
//! is held against the table line by line.

use std::io::{self, BufRead, Write};

use foldwatch_profile::Profile;

use crate::facts::Provenance;
use crate::{EvidenceError, Material, samples};

/// Rows that agree; `Err`: the first line that does not, and how.
pub(crate) type Bound = Result<u64, String>;

/// Writes the material as the bag's samples were written, into a comparison with them.
///
/// # Errors
/// Where the material can't be read.
pub(crate) fn bind(
    material: &mut dyn Material,
    profile: &Profile,
    provenance: &Provenance,
    in_bag: impl BufRead,
) -> Result<Bound, EvidenceError> {
    if material.count() != provenance.recordings.len() {
        return Ok(Err(format!(
            "there are {} originals, but provenance.json tells of {} recordings",
            material.count(),
            provenance.recordings.len()
        )));
    }
    let mut compare = Compare { in_bag, line: 0, own: Vec::new(), held: Vec::new(), differs: None };
    let mut writer = match samples::Writer::new(profile, &mut compare) {
        Ok(writer) => writer,
        Err(_) => return Ok(Err(compare.told())),
    };
    let mut rows = 0;
    for (n, recording) in provenance.recordings.iter().enumerate() {
        let utc = |at| recording.utc(at);
        let again = material.read(n, &mut writer.recording(&utc)).map_err(EvidenceError::Recording)?;
        // Through text, as the one in the bag has gone.
        let timeline = serde_json::to_string(&again.timeline)
            .and_then(|text| serde_json::from_str(&text))
            .map_err(|error| EvidenceError::Recording(error.into()))?;
        if recording.timeline != timeline {
            return Ok(Err(format!(
                "the clock of recording {} in provenance.json is not the one that its original gives: dated anew?",
                n + 1
            )));
        }
        rows = writer.rows;
    }
    if writer.finish().is_err() {
        return Ok(Err(compare.told()));
    }
    Ok(compare.at_end().map(|()| rows))
}

/// Takes line after line, and stops at the first that is not the next one of the bag.
struct Compare<R> {
    in_bag: R,
    line: u64,
    own: Vec<u8>,
    held: Vec<u8>,
    differs: Option<String>,
}

impl<R: BufRead> Compare<R> {
    fn told(self) -> String {
        self.differs.unwrap_or_else(|| "it can't be read".to_owned())
    }

    fn next_in_bag(&mut self) -> io::Result<()> {
        self.held.clear();
        self.line += 1;
        // No line is longer: what goes on without end is not held.
        io::Read::take(&mut self.in_bag, 1 << 20).read_until(b'\n', &mut self.held).map(drop)
    }

    fn at_end(mut self) -> Result<(), String> {
        self.next_in_bag().map_err(|error| error.to_string())?;
        match self.held.is_empty() {
            true => Ok(()),
            false => Err(format!("line {}: the originals give nothing there: a row was put in", self.line)),
        }
    }
}

impl<R: BufRead> Write for Compare<R> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.own.extend_from_slice(bytes);
        while let Some(end) = self.own.iter().position(|byte| *byte == b'\n') {
            self.next_in_bag()?;
            if self.own[..=end] != self.held[..] {
                let own = String::from_utf8_lossy(&self.own[..=end]).trim_end().to_owned();
                self.differs = Some(match self.held.is_empty() {
                    true => format!("ends before line {}: the originals give `{own}` there", self.line),
                    false => format!("line {}: the originals give `{own}`", self.line),
                });
                return Err(io::Error::other("not the same"));
            }
            self.own.drain(..=end);
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn compared(own: &[&str], in_bag: &str) -> Result<(), String> {
        let mut compare =
            Compare { in_bag: in_bag.as_bytes(), line: 0, own: Vec::new(), held: Vec::new(), differs: None };
        for piece in own {
            if compare.write_all(piece.as_bytes()).is_err() {
                return Err(compare.told());
            }
        }
        compare.at_end()
    }

    #[test]
    fn the_first_line_that_differs_is_told() {
        assert_eq!(compared(&["a\n", "b", "\nc\n"], "a\nb\nc\n"), Ok(()));
        assert_eq!(compared(&["a\n", "b\n"], "a\nx\n"), Err("line 2: the originals give `b`".into()));
        assert!(compared(&["a\n", "b\n"], "a\n").unwrap_err().starts_with("ends before line 2"));
        assert!(compared(&["a\n"], "a\nb\n").unwrap_err().contains("a row was put in"));
    }
}
