//! Text to [`Expr`]: `not a and (b or c)`, with `not` before `and` before `or`.

use crate::expr::Expr;
use crate::model::SignalIx;
use crate::shape::{RESERVED, misspelt};

/// Deeper nesting helps nobody, and each level costs stack.
const DEEPEST: usize = 32;

/// What is wrong in an expression.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Fault {
    /// Byte in the expression's text.
    pub at: usize,
    pub found: String,
    pub remedy: String,
    /// It names something that is not there, rather than being written wrongly.
    pub undefined: bool,
}

impl Fault {
    fn new(at: usize, found: impl Into<String>, remedy: impl Into<String>) -> Self {
        Fault { at, found: found.into(), remedy: remedy.into(), undefined: false }
    }
}

/// What an id in an expression stands for; the error is (what was found, what would be right, undefined).
pub(crate) type Lookup<'a> = dyn Fn(&str) -> Result<SignalIx, (String, String, bool)> + 'a;

/// Longer ones are a slip (a quote not closed), and each character would be paid for in checking.
const LONGEST: usize = 1000;

/// Reads an expression. Every character and every id that can't be used is reported, and the first slip in the
/// writing.
pub(crate) fn parse(text: &str, lookup: &Lookup<'_>) -> Result<Expr, Vec<Fault>> {
    if text.len() > LONGEST {
        let found = format!("{} bytes are too many for an expression", text.len());
        return Err(vec![Fault::new(0, found, format!("write it in at most {LONGEST}"))]);
    }
    let mut faults = Vec::new();
    let tokens = tokens(text, &mut faults);
    for token in tokens.iter().filter(|token| token.is_id()) {
        if let Err((found, mut remedy, mut undefined)) = lookup(token.text) {
            if undefined && let Some(word) = misspelt(token.text, &["and", "or", "not"]) {
                (remedy, undefined) = (format!("did you mean `{word}`? {remedy}"), false);
            }
            faults.push(Fault { at: token.at, found, remedy, undefined });
        }
    }
    if tokens.is_empty() && faults.is_empty() {
        faults.push(Fault::new(0, "it is empty", "write what must be so, or `always`"));
    }
    // Where a character was left out, what follows it would be judged wrongly.
    if faults.iter().all(|fault| fault.undefined) {
        match (Parser { tokens: &tokens, next: 0, end: text.len(), lookup }).whole() {
            Ok(expr) if faults.is_empty() => return Ok(expr),
            Ok(_) => {}
            Err(fault) => faults.push(fault),
        }
    }
    Err(faults)
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Token<'a> {
    at: usize,
    text: &'a str,
}

impl Token<'_> {
    fn is_id(&self) -> bool {
        !matches!(self.text, "(" | ")") && !RESERVED.contains(&self.text.to_lowercase().as_str())
    }
}

/// The parts of an expression; what can't be part of one is reported and left out.
fn tokens<'a>(text: &'a str, faults: &mut Vec<Fault>) -> Vec<Token<'a>> {
    let mut out = Vec::new();
    let mut rest = text;
    while let Some(first) = rest.chars().next() {
        let at = text.len() - rest.len();
        let is_word = |c: char| c.is_ascii_alphanumeric() || c == '_';
        let length = match first {
            c if c.is_whitespace() => {
                rest = &rest[c.len_utf8()..];
                continue;
            }
            '(' | ')' => 1,
            c if is_word(c) => rest.find(|c| !is_word(c)).unwrap_or(rest.len()),
            c => {
                let remedy = match c {
                    '&' => "write `and`",
                    '|' => "write `or`",
                    '!' | '~' => "write `not`",
                    '=' | '<' | '>' => "name the signal alone, or `not` and the signal: it is on or off",
                    _ => "an expression holds ids of signals, `and`, `or`, `not` and parentheses",
                };
                faults.push(Fault::new(at, format!("`{}` can't be read", c.escape_debug()), remedy));
                // `&&` is one slip, not two.
                rest = rest.trim_start_matches(c);
                continue;
            }
        };
        let (word, after) = rest.split_at(length);
        out.push(Token { at, text: word });
        rest = after;
    }
    out
}

struct Parser<'a> {
    tokens: &'a [Token<'a>],
    next: usize,
    end: usize,
    lookup: &'a Lookup<'a>,
}

impl<'a> Parser<'a> {
    fn peek(&self) -> Option<Token<'a>> {
        self.tokens.get(self.next).copied()
    }

    fn take(&mut self, word: &str) -> bool {
        let there = self.peek().is_some_and(|token| token.text == word);
        self.next += usize::from(there);
        there
    }

    fn whole(&mut self) -> Result<Expr, Fault> {
        if self.tokens.len() == 1 && self.take("always") {
            return Ok(Expr::Always);
        }
        let expr = self.any(0)?;
        match self.peek() {
            None => Ok(expr),
            Some(Token { at, text: ")" }) => Err(Fault::new(at, "`)` closes nothing", "take it out")),
            Some(token) if is_shouted(token.text) => Err(shouted(token)),
            Some(token) => Err(Fault::new(
                token.at,
                format!("`{}` follows with nothing to join it", crate::shape::shortened(token.text)),
                "put `and` or `or` before it",
            )),
        }
    }

    fn any(&mut self, depth: usize) -> Result<Expr, Fault> {
        let mut parts = vec![self.all(depth)?];
        while self.take("or") {
            parts.push(self.all(depth)?);
        }
        Ok(joined(parts, Expr::Any))
    }

    fn all(&mut self, depth: usize) -> Result<Expr, Fault> {
        let mut parts = vec![self.one(depth)?];
        while self.take("and") {
            parts.push(self.one(depth)?);
        }
        Ok(joined(parts, Expr::All))
    }

    fn one(&mut self, depth: usize) -> Result<Expr, Fault> {
        let Some(token) = self.peek() else {
            return Err(Fault::new(self.end, "it ends too early", "a signal's id is missing"));
        };
        if depth >= DEEPEST {
            return Err(Fault::new(token.at, "it is nested too deeply", "write it flatter"));
        }
        self.next += 1;
        match token.text {
            "not" => Ok(Expr::Not(Box::new(self.one(depth + 1)?))),
            "(" => {
                let inner = self.any(depth + 1)?;
                if self.take(")") {
                    Ok(inner)
                } else {
                    Err(Fault::new(token.at, "`(` is not closed", "put a `)`"))
                }
            }
            "always" => {
                Err(Fault::new(token.at, "`always` stands beside other things", "it can only stand alone"))
            }
            word @ (")" | "and" | "or") => Err(Fault::new(
                token.at,
                format!("`{word}` where an id is due"),
                "a signal's id is missing before it",
            )),
            word if is_shouted(word) => Err(shouted(token)),
            // An id that is not known has been reported, and the expression is dropped.
            id => Ok(Expr::Signal((self.lookup)(id).unwrap_or(SignalIx(0)))),
        }
    }
}

fn is_shouted(word: &str) -> bool {
    RESERVED.contains(&word.to_lowercase().as_str()) && !RESERVED.contains(&word)
}

fn shouted(token: Token<'_>) -> Fault {
    let right = token.text.to_lowercase();
    Fault::new(token.at, format!("`{}` in capitals", token.text), format!("write `{right}`"))
}

fn joined(mut parts: Vec<Expr>, join: fn(Vec<Expr>) -> Expr) -> Expr {
    if parts.len() == 1 { parts.remove(0) } else { join(parts) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn letters(id: &str) -> Result<SignalIx, (String, String, bool)> {
        match id {
            "a" => Ok(SignalIx(0)),
            "b" => Ok(SignalIx(1)),
            "c" => Ok(SignalIx(2)),
            _ => Err((format!("`{id}` is no signal"), String::new(), true)),
        }
    }

    fn on(ix: u16) -> Expr {
        Expr::Signal(SignalIx(ix))
    }

    #[test]
    fn not_binds_before_and_before_or() {
        assert_eq!(
            parse("not a and b or c", &letters),
            Ok(Expr::Any(vec![Expr::All(vec![Expr::Not(Box::new(on(0))), on(1)]), on(2)]))
        );
        assert_eq!(
            parse("not (a or (b)) and c", &letters),
            Ok(Expr::All(vec![Expr::Not(Box::new(Expr::Any(vec![on(0), on(1)]))), on(2)]))
        );
        assert_eq!(parse(" always ", &letters), Ok(Expr::Always));
    }

    #[test]
    fn a_slip_is_found_where_it_is() {
        for (text, at, word) in [
            ("", 0, "empty"),
            ("a and", 5, "too early"),
            ("a b", 2, "join"),
            ("a & b", 2, "`&`"),
            ("a and (b or c", 6, "not closed"),
            ("a)", 1, "closes nothing"),
            ("a or or b", 5, "`or`"),
            ("a AND b", 2, "capitals"),
            ("NOT a", 0, "capitals"),
            ("a and always", 6, "`always`"),
            ("always b", 0, "`always`"),
            ("a and ä", 6, "`ä`"),
        ] {
            let faults = parse(text, &letters).unwrap_err();
            assert_eq!(faults.len(), 1, "{text}");
            assert_eq!(faults[0].at, at, "{text}");
            assert!(faults[0].found.contains(word), "{text}: {}", faults[0].found);
        }
        for many in [900, 100_000] {
            assert!(parse(&"(".repeat(many), &letters).is_err());
            assert!(parse(&"not ".repeat(many / 4), &letters).is_err());
        }
    }

    #[test]
    fn every_unknown_id_is_named_beside_the_slip() {
        let places = |text| -> Vec<(usize, bool)> {
            parse(text, &letters).unwrap_err().iter().map(|fault| (fault.at, fault.undefined)).collect()
        };
        assert_eq!(places("x and y or"), [(0, true), (6, true), (10, false)]);
        assert_eq!(places("a && x | y"), [(2, false), (7, false), (5, true), (9, true)]);
    }
}
