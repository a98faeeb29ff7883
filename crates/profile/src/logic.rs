//! What an expression says before any switch has moved.

use std::collections::BTreeSet;

use crate::expr::Expr;
use crate::model::SignalIx;

/// Beyond this many signals in one expression the check is left out: it tries every combination.
const MOST_SIGNALS: usize = 12;

const NEVER: &str = "this can never be so";

/// Why an expression can't mean what was meant: it never holds, or it always does. `exclusive` are the pairs of
/// switches that are never made together.
pub(crate) fn oddity(expr: &Expr, exclusive: &BTreeSet<(SignalIx, SignalIx)>) -> Option<&'static str> {
    if *expr == Expr::Always {
        return None;
    }
    let signals: Vec<SignalIx> =
        expr.wanted().into_iter().map(|(ix, _)| ix).collect::<BTreeSet<_>>().into_iter().collect();
    if signals.len() > MOST_SIGNALS {
        return None;
    }
    let (mut ever, mut ever_not) = (false, false);
    for combination in 0..1u32 << signals.len() {
        let on = |ix: SignalIx| signals.iter().position(|s| *s == ix).map(|bit| combination >> bit & 1 == 1);
        let made: Vec<SignalIx> = signals.iter().copied().filter(|s| on(*s) == Some(true)).collect();
        if made.iter().any(|a| made.iter().any(|b| exclusive.contains(&(*a, *b)))) {
            continue;
        }
        match expr.holds(&on) {
            Some(true) => ever = true,
            _ => ever_not = true,
        }
    }
    match (ever, ever_not) {
        (false, _) => Some(NEVER),
        (true, false) => Some("this is always so"),
        (true, true) => None,
    }
}

/// Whether `then` is so whenever `now` is; `false` where there are too many signals to tell.
pub(crate) fn implies(now: &Expr, then: &Expr, exclusive: &BTreeSet<(SignalIx, SignalIx)>) -> bool {
    let counter = Expr::All(vec![now.clone(), Expr::Not(Box::new(then.clone()))]);
    *then == Expr::Always || oddity(&counter, exclusive) == Some(NEVER)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn contradictions_and_truisms_are_seen() {
        let on = |ix| Expr::Signal(SignalIx(ix));
        let not = |e| Expr::Not(Box::new(e));
        let none = BTreeSet::new();
        let pair = BTreeSet::from([(SignalIx(0), SignalIx(1)), (SignalIx(1), SignalIx(0))]);
        let both = Expr::All(vec![on(0), on(1)]);
        assert_eq!(oddity(&both, &none), None);
        assert_eq!(oddity(&both, &pair), Some("this can never be so"));
        assert_eq!(oddity(&Expr::All(vec![on(0), not(on(0))]), &none), Some("this can never be so"));
        assert_eq!(oddity(&Expr::Any(vec![on(0), not(on(0))]), &none), Some("this is always so"));
        assert_eq!(oddity(&not(both), &pair), Some("this is always so"));
        assert_eq!(oddity(&Expr::Always, &none), None);
    }

    #[test]
    fn what_follows_is_seen() {
        let on = |ix| Expr::Signal(SignalIx(ix));
        let pair = BTreeSet::from([(SignalIx(0), SignalIx(1))]);
        let both = Expr::All(vec![on(0), on(2)]);
        assert!(implies(&both, &on(2), &pair));
        assert!(!implies(&on(2), &both, &pair));
        assert!(implies(&on(0), &Expr::Not(Box::new(on(1))), &pair));
        assert!(!implies(&Expr::Always, &on(0), &pair));
    }
}
