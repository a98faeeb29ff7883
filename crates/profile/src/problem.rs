//! What is wrong in a file, where, and what would be right.

use std::fmt;

/// One thing that is wrong, or (as advice) missing, in a profile.
///
/// Lines and columns count from 1, columns in characters.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// Line.
    pub line: usize,
    /// Column.
    pub column: usize,
    /// The key, with the tables it lies in: `signal.kind`; empty for the file as such.
    pub key: String,
    /// What was found.
    pub found: String,
    /// What would be right.
    pub remedy: String,
}

impl Problem {
    /// A problem at a byte of a text, for other files that are checked as a whole.
    ///
    /// ```
    /// let problem = foldwatch_profile::Problem::at("a = 1\nb = 2", 6, "b", "no such key", "did you mean `a`?");
    /// assert_eq!(problem.to_string(), "line 2, column 1: b: no such key; did you mean `a`?");
    /// ```
    pub fn at(
        text: &str,
        byte: usize,
        key: impl Into<String>,
        found: impl Into<String>,
        remedy: impl Into<String>,
    ) -> Problem {
        let (line, column) = place_all(text, &[byte])[0];
        Problem { line, column, key: key.into(), found: found.into(), remedy: remedy.into() }
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "line {}, column {}: ", self.line, self.column)?;
        if !self.key.is_empty() {
            write!(f, "{}: ", self.key)?;
        }
        f.write_str(&self.found)?;
        if !self.remedy.is_empty() {
            write!(f, "; {}", self.remedy)?;
        }
        Ok(())
    }
}

impl std::error::Error for Problem {}

/// Problems by byte, as they are found.
#[derive(Default)]
pub(crate) struct Problems {
    found: Vec<Noted>,
}

struct Noted {
    at: usize,
    /// It hangs on something being absent, which may only look so where the file could not be read.
    absence: bool,
    key: String,
    found: String,
    remedy: String,
}

impl Problems {
    /// Something is there and wrong.
    pub(crate) fn wrong(
        &mut self,
        at: usize,
        key: impl Into<String>,
        found: impl Into<String>,
        remedy: impl Into<String>,
    ) {
        self.note(false, at, key.into(), found.into(), remedy.into());
    }

    /// Something is not there.
    pub(crate) fn absent(
        &mut self,
        at: usize,
        key: impl Into<String>,
        found: impl Into<String>,
        remedy: impl Into<String>,
    ) {
        self.note(true, at, key.into(), found.into(), remedy.into());
    }

    fn note(&mut self, absence: bool, at: usize, key: String, found: String, remedy: String) {
        self.found.push(Noted { at, absence, key, found, remedy });
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.found.is_empty()
    }

    /// Only what can't be a mere consequence of the text not being readable at the bytes `unreadable`: nothing about
    /// what is absent, and nothing else on those lines.
    pub(crate) fn keep_certain(&mut self, text: &str, unreadable: &[usize]) {
        let lines: std::collections::BTreeSet<usize> =
            place_all(text, unreadable).into_iter().map(|(line, _)| line).collect();
        let places: Vec<usize> = self.found.iter().map(|p| p.at).collect();
        let mut places = place_all(text, &places).into_iter();
        self.found.retain(|p| {
            let (line, _) = places.next().unwrap_or((0, 0));
            !p.absence && !lines.contains(&line)
        });
    }

    /// In order of place, each once.
    pub(crate) fn placed(mut self, text: &str) -> Vec<Problem> {
        self.found.sort_by_key(|p| p.at);
        let places: Vec<usize> = self.found.iter().map(|p| p.at).collect();
        let mut out: Vec<Problem> = self
            .found
            .into_iter()
            .zip(place_all(text, &places))
            .map(|(p, (line, column))| Problem { line, column, key: p.key, found: p.found, remedy: p.remedy })
            .collect();
        out.dedup();
        out
    }
}

/// Line and column of each byte offset, in one pass over the text however many there are.
fn place_all(text: &str, offsets: &[usize]) -> Vec<(usize, usize)> {
    let mut order: Vec<usize> = (0..offsets.len()).collect();
    order.sort_by_key(|&i| offsets[i]);
    let mut out = vec![(1, 1); offsets.len()];
    let (mut line, mut column) = (1, 1);
    // A byte order mark takes no column.
    let mut chars = text.char_indices().skip_while(|(_, c)| *c == '\u{feff}').peekable();
    for i in order {
        while let Some(&(at, c)) = chars.peek() {
            if at >= offsets[i] {
                break;
            }
            (line, column) = if c == '\n' { (line + 1, 1) } else { (line, column + 1) };
            chars.next();
        }
        out[i] = (line, column);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_count_characters_from_one() {
        let text = "ab\näöx\n";
        assert_eq!(
            place_all(text, &[7, 0, 3, 5, 999]),
            vec![(2, 3), (1, 1), (2, 1), (2, 2), (3, 1)],
            "in the order asked for"
        );
        assert_eq!(place_all("\u{feff}ab", &[4]), vec![(1, 2)]);
    }

    #[test]
    fn a_line_for_a_person() {
        let mut problems = Problems::default();
        problems.wrong(4, "signal.kind", "`swich` is no kind", "did you mean `switch`?");
        assert_eq!(
            problems.placed("abc\nd")[0].to_string(),
            "line 2, column 1: signal.kind: `swich` is no kind; did you mean `switch`?"
        );
    }
}
