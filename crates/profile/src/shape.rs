//! Whether each key is known, is there, and holds the kind of thing it takes: [`KEYS`] against the file.
//!
//! Not here: anything that needs two keys to tell.

use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::keys::{Absent, KEYS, Key, Takes};
use crate::problem::Problems;

/// One table of the file.
#[derive(Clone, Copy)]
pub(crate) struct Table<'a> {
    /// As in [`Key::table`].
    schema: &'static str,
    /// As the person wrote it: `closing` where the schema is that of `opening`.
    shown: &'static str,
    /// Where it begins.
    pub(crate) at: usize,
    keys: &'a DeTable<'a>,
}

impl<'a> Table<'a> {
    pub(crate) fn root(keys: &'a DeTable<'a>) -> Self {
        Table { schema: "", shown: "", at: 0, keys }
    }

    /// The full name of a key in this table, for messages.
    pub(crate) fn shown(&self, name: &str) -> String {
        if self.shown.is_empty() { name.to_owned() } else { format!("{}.{name}", self.shown) }
    }

    fn key(&self, name: &str) -> Option<&'static Key> {
        KEYS.iter().find(|key| key.table() == self.schema && key.name() == name)
    }

    fn get(&self, name: &str) -> Option<&'a Spanned<DeValue<'a>>> {
        self.keys.get(name)
    }

    fn below(&self, key: &'static Key, at: usize, keys: &'a DeTable<'a>) -> Self {
        let schema = if key.path == "closing" { "opening" } else { key.path };
        // Below `closing` there are no further tables, so the shown path never misleads.
        Table { schema, shown: key.path, at, keys }
    }

    /// Where the value of a key stands; the table's place where it has none.
    pub(crate) fn place(&self, name: &str) -> usize {
        self.get(name).map_or(self.at, |value| value.span().start)
    }

    /// Whether the key is given at all, rightly or not.
    pub(crate) fn has(&self, name: &str) -> bool {
        self.get(name).is_some()
    }

    /// The number given, else the key's default. Wrong values have been reported and give `None`.
    pub(crate) fn number(&self, name: &str) -> Option<f64> {
        match (self.get(name), self.key(name).map(|key| key.absent)) {
            (Some(value), _) => number(value.get_ref()),
            (None, Some(Absent::Number(n))) => Some(n),
            (None, _) => None,
        }
    }

    /// The default of a number in a table that is not given.
    pub(crate) fn default_below(&self, table: &str, name: &str) -> Option<f64> {
        match KEYS.iter().find(|key| key.table() == table && key.name() == name)?.absent {
            Absent::Number(n) => Some(n),
            _ => None,
        }
    }

    /// The words given, else the key's default.
    pub(crate) fn text(&self, name: &str) -> Option<&'a str> {
        match (self.get(name), self.key(name).map(|key| key.absent)) {
            (Some(value), _) => value.get_ref().as_str(),
            (None, Some(Absent::Word(word))) => Some(word),
            (None, _) => None,
        }
    }

    /// A date given, as written.
    pub(crate) fn date(&self, name: &str) -> Option<String> {
        match self.get(name)?.get_ref() {
            DeValue::Datetime(date) => Some(date.to_string()),
            DeValue::String(text) => Some(text.to_string()),
            _ => None,
        }
    }

    /// The flag given, else the key's default.
    pub(crate) fn flag(&self, name: &str) -> Option<bool> {
        match (self.get(name), self.key(name).map(|key| key.absent)) {
            (Some(value), _) => value.get_ref().as_bool(),
            (None, Some(Absent::Flag(flag))) => Some(flag),
            (None, _) => None,
        }
    }

    /// A list of words, each with its place.
    pub(crate) fn words(&self, name: &str) -> Vec<(usize, &'a str)> {
        let Some(DeValue::Array(list)) = self.get(name).map(Spanned::get_ref) else { return Vec::new() };
        list.iter().filter_map(|word| Some((word.span().start, word.get_ref().as_str()?))).collect()
    }

    /// The bytes of a value in the file.
    pub(crate) fn span(&self, name: &str) -> Option<Range<usize>> {
        self.get(name).map(Spanned::span)
    }

    /// A table in this one; `None` where it is not given.
    pub(crate) fn table(&self, name: &str) -> Option<Table<'a>> {
        let value = self.get(name)?;
        let DeValue::Table(keys) = value.get_ref() else { return None };
        Some(self.below(self.key(name)?, value.span().start, keys))
    }

    /// The tables of a list in this one, no more than it may hold. A single table where there should be a list has
    /// been reported, and counts as a list of one.
    pub(crate) fn tables(&self, name: &str) -> Vec<Table<'a>> {
        let (Some(key), Some(value)) = (self.key(name), self.get(name)) else { return Vec::new() };
        let Takes::Tables { to, .. } = key.takes else { return Vec::new() };
        let items = match value.get_ref() {
            DeValue::Array(list) => &list[..],
            _ => std::slice::from_ref(value),
        };
        items
            .iter()
            .take(to)
            .filter_map(|value| match value.get_ref() {
                DeValue::Table(keys) => Some(self.below(key, value.span().start, keys)),
                _ => None,
            })
            .collect()
    }

    /// Reports every key of this table, and of those in it, that is not known, not there, or not what it should be.
    pub(crate) fn check(&self, problems: &mut Problems) {
        let mut meant = Vec::new();
        for (name, value) in self.keys {
            match self.key(name.get_ref()) {
                Some(key) => self.check_value(key, value, problems),
                None => {
                    let (nearest, remedy) = self.remedy_for_unknown(name.get_ref());
                    meant.extend(nearest);
                    problems.wrong(
                        name.span().start,
                        self.shown(&shortened(name.get_ref())),
                        "no such key",
                        remedy,
                    );
                }
            }
        }
        for key in KEYS.iter().filter(|key| key.table() == self.schema && key.absent == Absent::Refused) {
            if !self.has(key.name()) && !meant.contains(&key.name()) {
                let shown = self.shown(key.name());
                let remedy = match key.takes {
                    Takes::Tables { .. } if key.path != "chain.members" => {
                        format!("begin each one with `[[{shown}]]`")
                    }
                    takes => format!("give {}", takes_in_words(takes)),
                };
                problems.absent(self.at, shown, "not given, and must be", remedy);
            }
        }
    }

    fn check_value(&self, key: &'static Key, value: &'a Spanned<DeValue<'a>>, problems: &mut Problems) {
        let (at, shown) = (value.span().start, self.shown(key.name()));
        match (key.takes, value.get_ref()) {
            (Takes::Table, DeValue::Table(keys)) => self.below(key, at, keys).check(problems),
            (Takes::Tables { from, to }, DeValue::Array(list)) => {
                if list.len() < from || list.len() > to {
                    problems.wrong(
                        at,
                        &shown,
                        format!("{} of them", list.len()),
                        format!("from {from} to {to} are possible"),
                    );
                }
                for item in list.iter() {
                    match item.get_ref() {
                        DeValue::Table(keys) => self.below(key, item.span().start, keys).check(problems),
                        other => problems.wrong(
                            item.span().start,
                            &shown,
                            described(other),
                            "each entry is a table: `{ key = value, ... }`",
                        ),
                    }
                }
            }
            (Takes::Tables { .. }, DeValue::Table(keys)) => {
                let remedy = match key.path {
                    "chain.members" => format!("put `[ ]` around the list: {shown} = [{{ ... }}, {{ ... }}]"),
                    _ => format!("begin each one with two brackets: `[[{shown}]]`"),
                };
                problems.wrong(at, &shown, "a single table, where a list of them is due", remedy);
                self.below(key, at, keys).check(problems);
            }
            (Takes::Signals | Takes::Moves, DeValue::Array(list)) => {
                for item in list.iter().filter(|item| item.get_ref().as_str().is_none()) {
                    let at = item.span().start;
                    problems.wrong(at, &shown, described(item.get_ref()), "each entry is an id in quotes");
                }
            }
            (takes, value) => {
                if let Err(found) = fits(takes, value) {
                    problems.wrong(at, shown, found, format!("give {}", takes_in_words(takes)));
                }
            }
        }
    }

    /// The key of this table that was probably meant, and what to say about an unknown one.
    fn remedy_for_unknown(&self, name: &str) -> (Option<&'static str>, String) {
        let here: Vec<&'static str> =
            KEYS.iter().filter(|key| key.table() == self.schema).map(Key::name).collect();
        let told = |meant| (Some(meant), format!("did you mean `{meant}`?"));
        if let Some(meant) = misspelt(name, &here) {
            return told(meant);
        }
        if let Some(key) = KEYS.iter().find(|key| key.name() == name) {
            let place = match (key.table(), Key::find(key.table()).map(|table| table.takes)) {
                ("", _) => "at the top of the file, before the first `[table]`".to_owned(),
                (table, Some(Takes::Table)) => format!("in `[{table}]`"),
                (table, _) => format!("in `[[{table}]]`"),
            };
            return (None, format!("it belongs {place}"));
        }
        match same_beginning(name, &here) {
            Some(meant) => told(meant),
            None => (None, format!("known here: {}", here.join(", "))),
        }
    }
}

/// The one of `known` that was probably meant.
pub(crate) fn nearest<'a>(word: &str, known: &[&'a str]) -> Option<&'a str> {
    misspelt(word, known).or_else(|| same_beginning(word, known))
}

/// A letter wrong, missing, doubled or swapped; in long words two of them. Capitals count as no slip.
pub(crate) fn misspelt<'a>(word: &str, known: &[&'a str]) -> Option<&'a str> {
    if word.len() > LONGEST_ID {
        return None;
    }
    let word = word.to_lowercase();
    known
        .iter()
        .map(|k| (strsim::osa_distance(&word, &k.to_lowercase()), *k))
        .filter(|(distance, k)| match distance {
            0 => true,
            1 => word.len() > 1 && k.len() > 1,
            2 => k.len() > 5,
            _ => false,
        })
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, k)| k)
}

/// The only one with the same part before the first `_`: the unit left off, or another one put on.
fn same_beginning<'a>(word: &str, known: &[&'a str]) -> Option<&'a str> {
    let stem = word.split('_').next().filter(|stem| stem.len() > 2)?;
    let mut alike = known.iter().filter(|k| k.split('_').next() == Some(stem));
    let first = alike.next()?;
    alike.next().is_none().then_some(*first)
}

fn number(value: &DeValue<'_>) -> Option<f64> {
    match value {
        DeValue::Integer(_) => whole(value).map(|n| n as f64),
        DeValue::Float(n) => n.as_str().parse().ok(),
        _ => None,
    }
}

fn whole(value: &DeValue<'_>) -> Option<i64> {
    let DeValue::Integer(n) = value else { return None };
    i64::from_str_radix(n.as_str(), n.radix()).ok()
}

/// Whether a plain value is what the key takes; else what was found.
fn fits(takes: Takes, value: &DeValue<'_>) -> Result<(), String> {
    let text = value.as_str();
    let good = match takes {
        Takes::Text => text.is_some_and(|t| !t.trim().is_empty()),
        // What these say is judged where the signals are known.
        Takes::Unit | Takes::Expression | Takes::Signal => text.is_some(),
        Takes::ProfileId => text.is_some_and(|t| is_id(t, '-')),
        Takes::Id => text.is_some_and(|t| is_id(t, '_') && !RESERVED.contains(&t)),
        Takes::OneOf(words) => match text {
            Some(word) if words.contains(&word) => true,
            Some(word) => {
                let hint = nearest(word, words).map(|w| format!(", perhaps meant as `{w}`"));
                return Err(format!(
                    "`{}` is none of the words{}",
                    shortened(word),
                    hint.unwrap_or_default()
                ));
            }
            None => false,
        },
        Takes::Flag => value.as_bool().is_some(),
        Takes::Whole { from, to } => match whole(value) {
            Some(n) if (from..=to).contains(&n) => true,
            Some(n) => return Err(format!("{n} is out of range")),
            None => false,
        },
        Takes::Number { from, to, .. } => match number(value) {
            Some(n) if !n.is_finite() => return Err(format!("{n} can't be worked with")),
            Some(n) if (from..=to).contains(&n) => true,
            Some(n) => return Err(format!("{n} is out of range")),
            None => false,
        },
        Takes::Date => match value {
            DeValue::Datetime(date) => date.date.is_some() && date.time.is_none(),
            _ => text
                .and_then(|t| t.parse::<toml::value::Datetime>().ok())
                .is_some_and(|date| date.date.is_some() && date.time.is_none()),
        },
        Takes::Table | Takes::Tables { .. } | Takes::Signals | Takes::Moves => false,
    };
    if good { Ok(()) } else { Err(described(value)) }
}

/// Words that expressions need.
pub(crate) const RESERVED: &[&str] = &["and", "or", "not", "always"];

/// Ids stand in tables and file names.
const LONGEST_ID: usize = 64;

fn is_id(text: &str, joiner: char) -> bool {
    text.len() <= LONGEST_ID
        && text.starts_with(|c: char| c.is_ascii_alphabetic())
        && text.chars().all(|c| c.is_ascii_alphanumeric() || c == joiner)
}

fn described(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) if text.trim().is_empty() => "an empty text".to_owned(),
        DeValue::String(text) => format!("the text \"{}\"", shortened(text)),
        DeValue::Integer(n) => format!("the number {}", shortened(&n.to_string())),
        DeValue::Float(n) => format!("the number {}", shortened(n.as_str())),
        DeValue::Boolean(flag) => format!("`{flag}`"),
        DeValue::Datetime(date) => format!("the date or time {date}"),
        DeValue::Array(_) => "a list".to_owned(),
        DeValue::Table(_) => "a table".to_owned(),
    }
}

/// What is quoted back stays readable, however long the file's text is.
pub(crate) fn shortened(text: &str) -> String {
    const LONGEST: usize = 40;
    let mut out: String = text.chars().take(LONGEST).map(|c| if c.is_control() { ' ' } else { c }).collect();
    if text.chars().nth(LONGEST).is_some() {
        out.push_str("...");
    }
    out
}

/// What a key takes, for messages and the key reference.
pub(crate) fn takes_in_words(takes: Takes) -> String {
    match takes {
        Takes::Table => "a table".to_owned(),
        Takes::Tables { from: 0, .. } => "a list of tables".to_owned(),
        Takes::Tables { from, .. } => format!("a list of at least {from} table{}", plural(from)),
        Takes::Text => "a text in quotes".to_owned(),
        Takes::ProfileId => "a text of letters, digits and `-`, a letter first".to_owned(),
        Takes::Id => {
            "a letter, then letters, digits and `_`, and none of `and`, `or`, `not`, `always`".to_owned()
        }
        Takes::OneOf(words) => {
            format!("one of {}", words.iter().map(|w| format!("\"{w}\"")).collect::<Vec<_>>().join(", "))
        }
        Takes::Flag => "true or false".to_owned(),
        Takes::Whole { from, to } if from == to => format!("{from}"),
        Takes::Whole { from, to } => format!("a whole number from {from} to {to}"),
        Takes::Number { unit: "", from: 0.0, .. } => "a number, not negative".to_owned(),
        Takes::Number { unit: "", .. } => "a number".to_owned(),
        Takes::Number { unit, from, to } => format!("a number from {from} to {to} {unit}"),
        Takes::Date => "a date such as 2026-03-14".to_owned(),
        Takes::Unit => "a unit that fits the kind of signal".to_owned(),
        Takes::Expression => "an expression such as \"a and not b\"".to_owned(),
        Takes::Signal => "the id of a signal".to_owned(),
        Takes::Signals => "a list of ids of signals: [\"a\", \"b\"]".to_owned(),
        Takes::Moves => "a list of cylinder ids with + or -: [\"lid+\"]".to_owned(),
    }
}

fn plural(n: usize) -> &'static str {
    if n == 1 { "" } else { "s" }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slips_find_the_key_that_was_meant() {
        let known = ["expected_s", "limit_s", "give_up_s", "cylinders", "kind", "name"];
        for (slip, meant) in [
            ("expected", Some("expected_s")),
            ("expected_ms", Some("expected_s")),
            ("limit_S", Some("limit_s")),
            ("knid", Some("kind")),
            ("cilinders", Some("cylinders")),
            ("colour", None),
            ("u", None),
            ("", None),
        ] {
            assert_eq!(nearest(slip, &known), meant, "{slip}");
        }
    }
}
