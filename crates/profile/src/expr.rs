//! Expressions over switches: `lid_open and (left or right) and not stowed`.

use crate::model::SignalIx;

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
}
