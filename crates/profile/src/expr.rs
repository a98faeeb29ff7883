//! Expressions over switches: `lid_open and (left or right) and not stowed`.

use crate::model::{Profile, SignalIx};

/// What must be so, over binary signals.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Expr {
    /// Always so: the step ends with its time, not with a switch.
    Always,
    /// The signal is on (the switch is made).
    Signal(SignalIx),
    /// Not so.
    Not(Box<Expr>),
    /// All of them.
    All(Vec<Expr>),
    /// At least one of them.
    Any(Vec<Expr>),
}

impl Expr {
    /// Whether it holds, `on` telling each signal's state; `None` where it hangs on a signal that is not known.
    ///
    /// ```
    /// use foldwatch_profile::{Expr, SignalIx};
    /// let both = Expr::All(vec![Expr::Signal(SignalIx(0)), Expr::Signal(SignalIx(1))]);
    /// assert_eq!(both.holds(&|_| Some(true)), Some(true));
    /// assert_eq!(both.holds(&|s| (s.0 == 0).then_some(false)), Some(false));
    /// assert_eq!(both.holds(&|s| (s.0 == 0).then_some(true)), None);
    /// ```
    pub fn holds(&self, on: &dyn Fn(SignalIx) -> Option<bool>) -> Option<bool> {
        match self {
            Expr::Always => Some(true),
            Expr::Signal(ix) => on(*ix),
            Expr::Not(inner) => inner.holds(on).map(|b| !b),
            Expr::All(parts) => {
                let mut unknown = false;
                for part in parts {
                    match part.holds(on) {
                        Some(false) => return Some(false),
                        Some(true) => {}
                        None => unknown = true,
                    }
                }
                if unknown { None } else { Some(true) }
            }
            Expr::Any(parts) => {
                let mut unknown = false;
                for part in parts {
                    match part.holds(on) {
                        Some(true) => return Some(true),
                        Some(false) => {}
                        None => unknown = true,
                    }
                }
                if unknown { None } else { Some(false) }
            }
        }
    }

    /// The signals in it with the state each is wanted in, in order of writing.
    pub fn wanted(&self) -> Vec<(SignalIx, bool)> {
        let mut out = Vec::new();
        self.collect(true, &mut out);
        out
    }

    fn collect(&self, wanted: bool, out: &mut Vec<(SignalIx, bool)>) {
        match self {
            Expr::Always => {}
            Expr::Signal(ix) => {
                if !out.contains(&(*ix, wanted)) {
                    out.push((*ix, wanted));
                }
            }
            Expr::Not(inner) => inner.collect(!wanted, out),
            Expr::All(parts) | Expr::Any(parts) => parts.iter().for_each(|part| part.collect(wanted, out)),
        }
    }

    /// As it stands in a profile: `lid_open and not (left or right)`. Reading it gives the same meaning back.
    pub fn written(&self, profile: &Profile) -> String {
        self.write(0, &|ix| profile.signals.get(ix.at()).map_or("?", |s| s.id.as_str()).to_owned())
    }

    /// For people, with the signals' labels in place of their ids: `"lid open" and not "lid shut"`.
    pub fn in_words(&self, profile: &Profile) -> String {
        self.write(0, &|ix| format!("\"{}\"", profile.signals.get(ix.at()).map_or("?", |s| s.label.as_str())))
    }

    /// `binding`: 0 at the outside, 1 within `or`, 2 within `and`, 3 behind `not`.
    fn write(&self, binding: u8, name: &dyn Fn(SignalIx) -> String) -> String {
        let joined = |parts: &[Expr], word: &str, own: u8| {
            let parts: Vec<String> = parts.iter().map(|part| part.write(own, name)).collect();
            let text = parts.join(word);
            if binding >= own && parts.len() > 1 { format!("({text})") } else { text }
        };
        match self {
            Expr::Always => "always".to_owned(),
            Expr::Signal(ix) => name(*ix),
            Expr::Not(inner) => format!("not {}", inner.write(3, name)),
            Expr::Any(parts) => joined(parts, " or ", 1),
            Expr::All(parts) => joined(parts, " and ", 2),
        }
    }
}
