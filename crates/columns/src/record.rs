//! Where a record ends, and where its fields are: RFC 4180 with the slips that loggers make.

use memchr::{memchr, memchr2};
use std::borrow::Cow;

/// A record longer than this is no row of a log: it is skipped, and counted.
pub(crate) const LONGEST_RECORD: usize = 64 * 1024;

/// What stands between two cells.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Delimiter {
    /// One byte: `,` `;` `|` or a tab.
    Byte(u8),
    /// Any run of spaces and tabs.
    Blanks,
}

impl Delimiter {
    /// Tried in this order where the map names none.
    pub(crate) const ALL: [Delimiter; 5] = [
        Delimiter::Byte(b'\t'),
        Delimiter::Byte(b';'),
        Delimiter::Byte(b'|'),
        Delimiter::Byte(b','),
        Delimiter::Blanks,
    ];

    /// As it is said in messages.
    pub fn name(self) -> &'static str {
        match self {
            Delimiter::Byte(b'\t') => "tab",
            Delimiter::Byte(b';') => "semicolon",
            Delimiter::Byte(b'|') => "bar",
            Delimiter::Byte(b',') => "comma",
            Delimiter::Byte(_) => "byte",
            Delimiter::Blanks => "blanks",
        }
    }

    pub(crate) fn is(self, byte: u8) -> bool {
        match self {
            Delimiter::Byte(own) => byte == own,
            Delimiter::Blanks => byte == b' ' || byte == b'\t',
        }
    }
}

/// What [`record_end`] found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum End {
    /// The record with its line end takes this many bytes.
    At(usize),
    /// A quoted cell is never closed; the first line alone takes this many bytes.
    OpenQuote(usize),
    /// Longer than [`LONGEST_RECORD`] and no end within that.
    TooLong,
    /// The end is not among these bytes.
    More,
}

/// Finds the end of the record that `bytes` begins with. What it answers depends on the record alone, never on how
/// much follows it: that is why blocks of any size give the same rows. `last`: nothing comes after `bytes`.
pub(crate) fn record_end(bytes: &[u8], delimiter: Delimiter, last: bool) -> End {
    let window = &bytes[..bytes.len().min(LONGEST_RECORD)];
    let Some(newline) = memchr(b'\n', window) else {
        return match (bytes.len() >= LONGEST_RECORD, last) {
            (true, _) => End::TooLong,
            (false, true) if memchr(b'"', bytes).is_some_and(|_| quote_is_open(bytes, delimiter)) => {
                End::OpenQuote(bytes.len())
            }
            (false, true) => End::At(bytes.len()),
            (false, false) => End::More,
        };
    };
    let line = newline + 1;
    if memchr(b'"', &window[..line]).is_none() {
        return End::At(line);
    }
    match quoted_end(window, delimiter) {
        Some(end) => End::At(end),
        None if window.len() == LONGEST_RECORD || last => {
            if last && window.len() < LONGEST_RECORD && !quote_is_open(window, delimiter) {
                return End::At(window.len());
            }
            End::OpenQuote(line)
        }
        None => End::More,
    }
}

/// The end of the first line that no quoted cell reaches over.
fn quoted_end(bytes: &[u8], delimiter: Delimiter) -> Option<usize> {
    let mut at = 0;
    loop {
        at = skip_field(bytes, at, delimiter)?;
        if bytes[at] == b'\n' {
            return Some(at + 1);
        }
        at += 1;
    }
}

/// Whether the bytes end within a quoted cell.
fn quote_is_open(bytes: &[u8], delimiter: Delimiter) -> bool {
    let mut at = 0;
    loop {
        let start = at + blanks(&bytes[at..]);
        match skip_field(bytes, at, delimiter) {
            Some(end) => at = end + 1,
            None => return bytes.get(start) == Some(&b'"') && closing_quote(bytes, start + 1).is_none(),
        }
    }
}

/// From the start of a field to the delimiter or line end after it.
fn skip_field(bytes: &[u8], from: usize, delimiter: Delimiter) -> Option<usize> {
    let mut at = from + blanks(bytes.get(from..)?);
    if bytes.get(at) == Some(&b'"') {
        at = closing_quote(bytes, at + 1)? + 1;
    }
    let rest = bytes.get(at..)?;
    let found = match delimiter {
        Delimiter::Byte(own) => memchr2(own, b'\n', rest),
        Delimiter::Blanks => rest.iter().position(|b| matches!(b, b' ' | b'\t' | b'\n')),
    };
    Some(at + found?)
}

/// Where the quote that ends a quoted cell is; doubled ones are part of the cell.
fn closing_quote(bytes: &[u8], from: usize) -> Option<usize> {
    let mut at = from;
    loop {
        at += memchr(b'"', bytes.get(at..)?)?;
        if bytes.get(at + 1) != Some(&b'"') {
            return Some(at);
        }
        at += 2;
    }
}

fn blanks(bytes: &[u8]) -> usize {
    bytes.iter().take_while(|b| **b == b' ').count()
}

/// Where a field lies in its record.
pub(crate) type Span = (u32, u32);

/// Finds the fields of a record (no line end on it). `quoted`: there may be quotes in it.
#[inline]
pub(crate) fn split(record: &[u8], delimiter: Delimiter, quoted: bool, fields: &mut Vec<Span>) {
    fields.clear();
    match delimiter {
        Delimiter::Byte(own) if !quoted => {
            let mut start = 0;
            for (at, byte) in record.iter().enumerate() {
                if *byte == own {
                    fields.push((start, at as u32));
                    start = at as u32 + 1;
                }
            }
            fields.push((start, record.len() as u32));
        }
        Delimiter::Byte(_) => {
            let mut at = 0;
            while let Some(end) = field_end(record, at, delimiter) {
                fields.push((at as u32, end as u32));
                at = end + 1;
            }
            fields.push((at as u32, record.len() as u32));
        }
        Delimiter::Blanks => {
            let mut at = 0;
            loop {
                at += record[at..].iter().take_while(|b| delimiter.is(**b)).count();
                if at >= record.len() {
                    break;
                }
                let end = field_end(record, at, delimiter).unwrap_or(record.len());
                fields.push((at as u32, end as u32));
                at = end;
            }
        }
    }
}

/// As [`skip_field`], within one record: a line break in it is no end.
fn field_end(record: &[u8], from: usize, delimiter: Delimiter) -> Option<usize> {
    let mut at = from + blanks(&record[from..]);
    if record.get(at) == Some(&b'"') {
        at = closing_quote(record, at + 1).map_or(record.len(), |quote| quote + 1);
    }
    record[at..].iter().position(|b| delimiter.is(*b)).map(|found| at + found)
}

/// A record without its line end.
pub(crate) fn strip_line_end(record: &[u8]) -> &[u8] {
    let record = record.strip_suffix(b"\n").unwrap_or(record);
    record.strip_suffix(b"\r").unwrap_or(record)
}

/// The bytes of a cell without blanks around it and without its quotes, and where they begin; doubled quotes inside
/// still stand.
#[inline]
pub(crate) fn bare(record: &[u8], (start, end): Span) -> (usize, &[u8]) {
    let (mut start, mut end) = (start as usize, end as usize);
    let cell = &record[start..end];
    // Nearly every cell: what begins and ends with a byte above the quote has neither blanks nor quotes around it.
    if let (Some(first), Some(last)) = (cell.first(), cell.last())
        && *first > b'"'
        && *last > b'"'
    {
        return (start, cell);
    }
    while start < end && matches!(record[start], b' ' | b'\t') {
        start += 1;
    }
    while start < end && matches!(record[end - 1], b' ' | b'\t' | b'\r') {
        end -= 1;
    }
    if end - start >= 2 && record[start] == b'"' && record[end - 1] == b'"' {
        start += 1;
        end -= 1;
    }
    (start, &record[start..end])
}

/// A cell as text for people and for names: quotes taken off, what is not UTF-8 read as Latin-1 (old loggers write
/// the degree sign so).
pub(crate) fn text(record: &[u8], span: Span) -> Cow<'_, str> {
    let (_, cell) = bare(record, span);
    let decoded = decode(cell);
    if decoded.contains("\"\"") { Cow::Owned(decoded.replace("\"\"", "\"")) } else { decoded }
}

/// UTF-8, or else Latin-1.
pub(crate) fn decode(bytes: &[u8]) -> Cow<'_, str> {
    match std::str::from_utf8(bytes) {
        Ok(text) => Cow::Borrowed(text),
        Err(_) => Cow::Owned(bytes.iter().map(|b| char::from(*b)).collect()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const COMMA: Delimiter = Delimiter::Byte(b',');

    fn cells(record: &[u8], delimiter: Delimiter) -> Vec<String> {
        let mut fields = Vec::new();
        split(record, delimiter, true, &mut fields);
        fields.iter().map(|span| text(record, *span).into_owned()).collect()
    }

    #[test]
    fn ends() {
        assert_eq!(record_end(b"a,b\nc", COMMA, false), End::At(4));
        assert_eq!(record_end(b"a,b\r\nc", COMMA, false), End::At(5));
        assert_eq!(record_end(b"a,b", COMMA, false), End::More);
        assert_eq!(record_end(b"a,b", COMMA, true), End::At(3));
        assert_eq!(record_end(b"a,\"b\r\nc\"\r\nd", COMMA, false), End::At(10));
        assert_eq!(record_end(b"a,\"b\nc", COMMA, false), End::More);
        assert_eq!(record_end(b"a,\"b\nc", COMMA, true), End::OpenQuote(5));
        assert_eq!(record_end(b"a,\"b", COMMA, true), End::OpenQuote(4));
        assert_eq!(record_end(b"a,\"b\"", COMMA, true), End::At(5));
        assert_eq!(record_end(b"5\" disk,b\n", COMMA, false), End::At(10));
        assert_eq!(record_end(b"\"a\"\"\n\"\n", COMMA, false), End::At(7));
        let long = vec![b'x'; LONGEST_RECORD];
        assert_eq!(record_end(&long, COMMA, false), End::TooLong);
        assert_eq!(record_end(&long[1..], COMMA, false), End::More);
        let mut open = b"\"a\n".to_vec();
        open.resize(LONGEST_RECORD, b'\n');
        assert_eq!(record_end(&open, COMMA, false), End::OpenQuote(3));
    }

    #[test]
    fn fields() {
        assert_eq!(cells(b"a, b ,c", COMMA), ["a", "b", "c"]);
        assert_eq!(cells(b"", COMMA), [""]);
        assert_eq!(cells(b"a,", COMMA), ["a", ""]);
        assert_eq!(cells(b"\"aaa\",\"b\"\"bb\",\"c,c\"", COMMA), ["aaa", "b\"bb", "c,c"]);
        assert_eq!(cells(b"  a   b\t c ", Delimiter::Blanks), ["a", "b", "c"]);
        assert_eq!(cells(b"\"a b\" c", Delimiter::Blanks), ["a b", "c"]);
        assert_eq!(cells(b"T [\xb0C]", COMMA), ["T [°C]"]);
        assert_eq!(cells(b"\"never closed,b", COMMA), ["\"never closed,b"]);
    }
}
