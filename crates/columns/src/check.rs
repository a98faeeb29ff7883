//! One table of a column map's text at a time: known keys, values of the right kind, and the list of problems.

use crate::keys::MAP_KEYS;
use crate::map::Column;
use crate::names::nearest;
use foldwatch_profile::{Problem, Profile};
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

type Value<'a> = &'a Spanned<DeValue<'a>>;

/// Line and column of a byte, from 1, columns in characters.
pub(crate) fn place(text: &str, at: usize) -> (usize, usize) {
    let before = text.get(..at).unwrap_or(text);
    let start = before.rfind('\n').map_or(0, |newline| newline + 1);
    let column = before[start..].chars().filter(|c| *c != '\u{feff}').count() + 1;
    (before.matches('\n').count() + 1, column)
}

pub(crate) struct Table<'a> {
    pub(crate) name: &'static str,
    pub(crate) at: Range<usize>,
    pub(crate) keys: &'a DeTable<'a>,
}

impl<'a> Table<'a> {
    pub(crate) fn get(&self, key: &str) -> Option<Value<'a>> {
        self.keys.get(key)
    }

    pub(crate) fn shown(&self, key: &str) -> String {
        if self.name.is_empty() { key.to_owned() } else { format!("{}.{key}", self.name) }
    }
}

pub(crate) struct Check<'a> {
    pub(crate) text: &'a str,
    pub(crate) profile: &'a Profile,
    /// Byte, whether it may only seem so in a text that can't be read whole, the problem without its place.
    pub(crate) found: Vec<(usize, bool, Problem)>,
}

impl Check<'_> {
    pub(crate) fn note(&mut self, at: usize, unsure: bool, key: String, found: String, remedy: String) {
        self.found.push((at, unsure, Problem { line: 0, column: 0, key, found, remedy }));
    }

    pub(crate) fn wrong(
        &mut self,
        at: Range<usize>,
        key: impl Into<String>,
        found: impl Into<String>,
        remedy: impl Into<String>,
    ) {
        self.note(at.start, false, key.into(), found.into(), remedy.into());
    }

    pub(crate) fn absent(&mut self, table: &Table<'_>, key: &str, remedy: impl Into<String>) {
        self.note(table.at.start, true, table.shown(key), "it is not given".to_owned(), remedy.into());
    }

    pub(crate) fn placed(mut self) -> Vec<Problem> {
        self.found.sort_by_key(|(at, ..)| *at);
        let text = self.text;
        self.found
            .into_iter()
            .map(|(at, _, problem)| {
                let (line, column) = place(text, at);
                Problem { line, column, ..problem }
            })
            .collect()
    }

    /// Reports keys that mean nothing.
    pub(crate) fn known(&mut self, table: &Table<'_>) {
        for (key, _) in table.keys {
            let name = key.get_ref().as_ref();
            let names = || MAP_KEYS.iter().filter(|key| key.table == table.name).map(|key| key.name);
            if names().any(|known| known == name) {
                continue;
            }
            let remedy = match nearest(name, names()) {
                Some(near) => format!("did you mean `{near}`?"),
                None => format!("known keys: {}", names().collect::<Vec<_>>().join(", ")),
            };
            // Where the text can't be read, a key may only seem to lie in the wrong table: not a certain fault.
            let at = key.span().start;
            self.note(at, true, table.shown(&shortened(name)), "no such key".to_owned(), remedy);
        }
    }

    /// A value of a key, or a report that it is of the wrong kind.
    pub(crate) fn take<'a, T>(
        &mut self,
        table: &Table<'a>,
        key: &str,
        wanted: &str,
        read: impl Fn(&'a DeValue<'a>) -> Option<T>,
    ) -> Option<(Range<usize>, T)> {
        let value = table.get(key)?;
        match read(value.get_ref()) {
            Some(read) => Some((value.span(), read)),
            None => {
                let found = format!("{} is not what it takes", self.shown(value));
                self.wrong(value.span(), table.shown(key), found, format!("give {wanted}"));
                None
            }
        }
    }

    pub(crate) fn shown(&self, value: Value<'_>) -> String {
        match value.get_ref().as_str() {
            Some(text) => format!("`{}`", shortened(text)),
            None => format!("`{}`", shortened(self.text.get(value.span()).unwrap_or_default())),
        }
    }

    pub(crate) fn words<'a>(
        &mut self,
        table: &Table<'a>,
        key: &str,
        wanted: &str,
    ) -> Option<(Range<usize>, &'a str)> {
        self.take(table, key, wanted, DeValue::as_str)
    }

    pub(crate) fn finite(&mut self, table: &Table<'_>, key: &str) -> Option<(Range<usize>, f64)> {
        self.take(table, key, "a number", |value| number(value).filter(|n| n.is_finite()))
    }

    pub(crate) fn column(&mut self, table: &Table<'_>, key: &str) -> Option<(Range<usize>, Column)> {
        self.take(table, key, "the column's name, or its number from 1", |value| match value {
            DeValue::String(name) if !name.trim().is_empty() => Some(Column::Name(name.to_string())),
            value => {
                whole(value).filter(|n| *n >= 1).and_then(|n| usize::try_from(n).ok()).map(Column::Number)
            }
        })
    }
}

pub(crate) fn whole(value: &DeValue<'_>) -> Option<i64> {
    let number = value.as_integer()?;
    i64::from_str_radix(number.as_str(), number.radix()).ok()
}

pub(crate) fn number(value: &DeValue<'_>) -> Option<f64> {
    match value.as_float() {
        Some(float) => float.as_str().parse().ok(),
        None => whole(value).map(|n| n as f64),
    }
}

/// As much of a text as a message can bear.
pub(crate) fn shortened(text: &str) -> String {
    const LONGEST: usize = 40;
    match text.char_indices().nth(LONGEST) {
        Some((at, _)) => format!("{}…", &text[..at]),
        None => text.to_owned(),
    }
}
