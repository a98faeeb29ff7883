//! The signals by name, while the rest of the file is read.

use std::collections::{BTreeMap, BTreeSet};

use crate::expr::Expr;
use crate::keys::KINDS;
use crate::load::suggestion;
use crate::logic;
use crate::model::{SignalIx, SignalKind};
use crate::problem::Problems;
use crate::shape::{Table, shortened};
use crate::syntax;

const ORDER: [SignalKind; 9] = [
    SignalKind::Switch,
    SignalKind::Valve,
    SignalKind::Pump,
    SignalKind::Demand,
    SignalKind::Pressure,
    SignalKind::Current,
    SignalKind::Voltage,
    SignalKind::Temperature,
    SignalKind::Position,
];

impl SignalKind {
    /// The word for it in a profile.
    ///
    /// ```
    /// assert_eq!(foldwatch_profile::SignalKind::Valve.as_str(), "valve");
    /// ```
    pub fn as_str(self) -> &'static str {
        ORDER.iter().zip(KINDS).find(|(kind, _)| **kind == self).map_or("", |(_, word)| word)
    }

    pub(crate) fn from_word(word: &str) -> Option<Self> {
        ORDER.iter().zip(KINDS).find(|(_, w)| **w == word).map(|(kind, _)| *kind)
    }
}

/// What the file's signals are called and are. A kind of `None` was wrong, and has been reported.
pub(crate) struct Names<'a> {
    by_id: BTreeMap<&'a str, (SignalIx, Option<SignalKind>)>,
    text: &'a str,
    /// Pairs of switches that are never made together, each both ways round.
    pub(crate) exclusive: BTreeSet<(SignalIx, SignalIx)>,
}

impl<'a> Names<'a> {
    pub(crate) fn of(signals: &[Table<'a>], text: &'a str, problems: &mut Problems) -> Self {
        let mut by_id = BTreeMap::new();
        for (place, table) in signals.iter().enumerate() {
            let Some(id) = table.text("id") else { continue };
            let kind = table.text("kind").and_then(SignalKind::from_word);
            // More signals than the list may hold have been reported.
            let ix = SignalIx(u16::try_from(place).unwrap_or(u16::MAX));
            if by_id.contains_key(id) {
                let found = format!("`{}` is there twice", shortened(id));
                problems.wrong(table.place("id"), table.shown("id"), found, "give each signal its own id");
            } else {
                by_id.insert(id, (ix, kind));
            }
        }
        Names { by_id, text, exclusive: BTreeSet::new() }
    }

    /// The signal with this id, if it is of one of the kinds; else what was found, what would be right, and whether
    /// it is not there at all.
    fn find(&self, id: &str, kinds: &[SignalKind]) -> Result<SignalIx, (String, String, bool)> {
        let fitting = |kind: &Option<SignalKind>| kind.is_none_or(|kind| kinds.contains(&kind));
        let wanted = kinds.iter().map(|kind| kind.as_str()).collect::<Vec<_>>().join(" or ");
        match self.by_id.get(id) {
            Some((ix, kind)) if fitting(kind) => Ok(*ix),
            Some((_, kind)) => Err((
                format!("`{id}` is a {} signal", kind.map_or("", SignalKind::as_str)),
                format!("a {wanted} is wanted here"),
                false,
            )),
            None => {
                let known: Vec<&str> = self
                    .by_id
                    .iter()
                    .filter(|(_, (_, kind))| kind.is_some() && fitting(kind))
                    .map(|(id, _)| *id)
                    .collect();
                let what = if kinds.len() == 1 { wanted.as_str() } else { "on/off signal" };
                Err((format!("`{}` is no signal", shortened(id)), suggestion(id, &known, what), true))
            }
        }
    }

    /// The signal that a key names.
    pub(crate) fn named(
        &self,
        table: &Table<'_>,
        name: &str,
        kinds: &[SignalKind],
        problems: &mut Problems,
    ) -> Option<SignalIx> {
        self.resolve(table, name, table.place(name), table.text(name)?, kinds, problems)
    }

    /// The signals that a key lists, each once.
    pub(crate) fn listed(
        &self,
        table: &Table<'_>,
        name: &str,
        kinds: &[SignalKind],
        problems: &mut Problems,
    ) -> Vec<SignalIx> {
        let mut out = Vec::new();
        for (at, id) in table.words(name) {
            let Some(ix) = self.resolve(table, name, at, id, kinds, problems) else { continue };
            if out.contains(&ix) {
                problems.wrong(at, table.shown(name), format!("`{id}` is there twice"), "name it once");
            } else {
                out.push(ix);
            }
        }
        out
    }

    fn resolve(
        &self,
        table: &Table<'_>,
        name: &str,
        at: usize,
        id: &str,
        kinds: &[SignalKind],
        problems: &mut Problems,
    ) -> Option<SignalIx> {
        match self.find(id, kinds) {
            Ok(ix) => Some(ix),
            Err((found, remedy, true)) => {
                problems.absent(at, table.shown(name), found, remedy);
                None
            }
            Err((found, remedy, false)) => {
                problems.wrong(at, table.shown(name), found, remedy);
                None
            }
        }
    }

    /// The expression that a key holds; [`Expr::Always`] where it is wrong, which has then been reported.
    pub(crate) fn expression(&self, table: &Table<'_>, name: &str, problems: &mut Problems) -> Expr {
        let Some((text, span)) = table.text(name).zip(table.span(name)) else { return Expr::Always };
        let on_off: Vec<SignalKind> = ORDER.into_iter().filter(|kind| kind.is_binary()).collect();
        match syntax::parse(text, &|id| self.find(id, &on_off)) {
            Ok(expr) => {
                if let Some(odd) = logic::oddity(&expr, &self.exclusive) {
                    let remedy = "check `not` and the ids, and `excludes` at the signals";
                    problems.wrong(span.start, table.shown(name), odd, remedy);
                }
                expr
            }
            Err(faults) => {
                // The text stands in the file as it is unless escapes are in it; then its start has to do.
                let raw = self.text.get(span.clone()).unwrap_or_default();
                let inside = raw.find(text).filter(|_| !text.is_empty());
                for fault in faults {
                    let at = inside.map_or(span.start, |offset| span.start + offset + fault.at);
                    if fault.undefined {
                        problems.absent(at, table.shown(name), fault.found, fault.remedy);
                    } else {
                        problems.wrong(at, table.shown(name), fault.found, fault.remedy);
                    }
                }
                Expr::Always
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_kind_has_its_word() {
        for (kind, word) in ORDER.iter().zip(KINDS) {
            assert_eq!(kind.as_str(), *word);
            assert_eq!(SignalKind::from_word(word), Some(*kind));
        }
        assert_eq!(ORDER.len(), KINDS.len());
    }
}
