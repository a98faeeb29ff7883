//! `data/seals.csv`: the chain over the days that a store has put into its archive. Whoever was told a link of it before
//! can look for it there; each link covers the SHA-256 of a day's file.

use foldwatch_store::{Position, SealRow, seal_link};
use foldwatch_units::Micros;

use crate::{Digest, chain};

/// The columns.
pub(crate) const HEADER: &str = "day,file,rows,bytes,sha256,sealed_us,through,journal_link,link";

/// The table.
pub(crate) fn text(seals: &[(SealRow, [u8; 32])]) -> String {
    let line = |(s, link): &(SealRow, [u8; 32])| {
        let (sha256, journal, link) = (Digest(s.sha256), Digest(s.journal_link), Digest(*link));
        let SealRow { day, file, rows, bytes, sealed, through, .. } = s;
        format!("{day},{file},{rows},{bytes},{sha256},{},{},{journal},{link}\r\n", sealed.0, through.0)
    };
    format!("{HEADER}\r\n{}", seals.iter().map(line).collect::<String>())
}

fn parse(line: &str) -> Option<(SealRow, Digest)> {
    let cells: Vec<&str> = line.split(',').collect();
    let [day, file, rows, bytes, sha256, sealed, through, journal, link] = cells.as_slice() else {
        return None;
    };
    let seal = SealRow {
        day: (*day).to_owned(),
        file: (*file).to_owned(),
        rows: rows.parse().ok()?,
        bytes: bytes.parse().ok()?,
        sha256: Digest::parse(sha256)?.0,
        sealed: Micros(sealed.parse().ok()?),
        through: Position(through.parse().ok()?),
        journal_link: Digest::parse(journal)?.0,
    };
    Some((seal, Digest::parse(link)?))
}

/// Walks the table from its beginning. The answer is its rows and the last link.
///
/// # Errors
/// What does not fit first.
pub(crate) fn walk(text: &str) -> Result<(Vec<SealRow>, Option<Digest>), String> {
    let mut lines = text.lines();
    if lines.next() != Some(HEADER) {
        return Err("line 1: not the columns of a chain over an archive".into());
    }
    let (mut seals, mut head) = (Vec::new(), None);
    for (n, line) in lines.enumerate() {
        let (seal, noted) = parse(line).ok_or_else(|| format!("line {}: no seal of a day", n + 2))?;
        if Digest(seal_link(&head.unwrap_or(chain::GENESIS).0, &seal)) != noted {
            return Err(format!(
                "line {}: the seal of {} does not follow from the one before: altered, moved, or one before it is gone",
                n + 2,
                seal.day.escape_debug()
            ));
        }
        head = Some(noted);
        seals.push(seal);
    }
    Ok((seals, head))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chained(days: &[&str]) -> Vec<(SealRow, [u8; 32])> {
        let mut before = chain::GENESIS.0;
        let seal = |(n, day): (usize, &&str)| {
            let seal = SealRow {
                day: (*day).to_owned(),
                file: format!("oak/{day}.1.parquet"),
                rows: 10,
                bytes: 100,
                sha256: [n as u8; 32],
                sealed: Micros(7),
                through: Position(n as u64),
                journal_link: [9; 32],
            };
            before = seal_link(&before, &seal);
            (seal, before)
        };
        days.iter().enumerate().map(seal).collect()
    }

    #[test]
    fn a_day_that_is_gone_moved_or_altered_shows() {
        let seals = chained(&["2025-06-02", "2025-06-03", "2025-06-04"]);
        let whole = text(&seals);
        assert_eq!(walk(&whole).unwrap().1, Some(Digest(seals[2].1)));
        assert_eq!(walk(&whole).unwrap().0.len(), 3);
        let lines: Vec<&str> = whole.split_inclusive('\n').collect();
        let without = |n: usize| [&lines[..n], &lines[n + 1..]].concat().concat();
        assert!(walk(&without(1)).unwrap_err().contains("line 2: the seal of 2025-06-03"));
        assert!(walk(&without(2)).is_err());
        assert_ne!(walk(&without(3)).unwrap().1, Some(Digest(seals[2].1)), "the end is on record elsewhere");
        assert!(walk(&whole.replace("2025-06-03.1", "2025-06-03.2")).is_err());
        assert!(walk(&[lines[0], lines[2], lines[1], lines[3]].concat()).is_err());
    }
}
