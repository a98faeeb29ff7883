//! Text to [`Expr`]: `not a and (b or c)`, with `not` before `and` before `or`.

use crate::expr::Expr;
use crate::model::SignalIx;
use crate::shape::RESERVED;

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

/// Reads an expression. Every id that can't be used is reported, and the first slip in the writing.
pub(crate) fn parse(text: &str, lookup: &Lookup<'_>) -> Result<Expr, Vec<Fault>> {
    let tokens = tokens(text).map_err(|fault| vec![fault])?;
    if tokens.is_empty() {
        return Err(vec![Fault::new(0, "it is empty", "write what must be so, or `always`")]);
    }
    let mut faults = Vec::new();
    let mut parser = Parser { tokens: &tokens, next: 0, end: text.len(), lookup, faults: &mut faults };
    match parser.whole() {
        Ok(expr) if faults.is_empty() => Ok(expr),
        Ok(_) => Err(faults),
        Err(fault) => {
            faults.push(fault);
            Err(faults)
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Token<'a> {
    at: usize,
    text: &'a str,
}

fn tokens(text: &str) -> Result<Vec<Token<'_>>, Fault> {
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
                return Err(Fault::new(at, format!("`{}` can't be read", c.escape_debug()), remedy));
            }
        };
        let (word, after) = rest.split_at(length);
        out.push(Token { at, text: word });
        rest = after;
    }
    Ok(out)
}

struct Parser<'a> {
    tokens: &'a [Token<'a>],
    next: usize,
    end: usize,
    lookup: &'a Lookup<'a>,
    faults: &'a mut Vec<Fault>,
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
            id => Ok(Expr::Signal((self.lookup)(id).unwrap_or_else(|(found, remedy, undefined)| {
                self.faults.push(Fault { at: token.at, found, remedy, undefined });
                SignalIx(0) // Never seen: a fault drops the expression.
            }))),
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
        assert!(parse(&"(".repeat(100_000), &letters).is_err());
        assert!(parse(&"not ".repeat(100_000), &letters).is_err());
    }

    #[test]
    fn every_unknown_id_is_named_beside_the_slip() {
        let faults = parse("x and y or", &letters).unwrap_err();
        assert_eq!(
            faults.iter().map(|f| (f.at, f.undefined)).collect::<Vec<_>>(),
            [(0, true), (6, true), (10, false)]
        );
    }
}
