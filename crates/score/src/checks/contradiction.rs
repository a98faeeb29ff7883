//! contradiction: two switches are made at once that can't be.

use foldwatch_profile::SignalIx;
use foldwatch_units::Micros;

use super::{About, Check};
use crate::look::{self, Stay};
use crate::{Finding, View, Weight};

static ABOUT: About = About {
    id: "contradiction",
    title: "Switches contradict each other",
    meaning: "Two switches are made at one time although the mechanism can't be in both places.",
    inspect: "Which of the two is wrong: the one that did not change as the mechanism moved. Then its plug, wire and magnet.",
    limit_origin: "Pairs that the profile says exclude each other, and the end positions of the two directions once the \
                   car has been seen in each with the other's open; for longer than the debounce of both and two samples.",
};

/// See the file's head.
pub(super) struct Contradiction;

impl Check for Contradiction {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn examine(&self, view: &View) -> Vec<Finding> {
        let mut pairs: Vec<(SignalIx, SignalIx)> = Vec::new();
        for (ix, signal) in view.profile.signals() {
            for other in &signal.excludes {
                let pair = (ix.min(*other), ix.max(*other));
                if ix != *other && !pairs.contains(&pair) {
                    pairs.push(pair);
                }
            }
        }
        for pair in view.history.exclusive_ends(view.profile) {
            let pair = (pair.0.min(pair.1), pair.0.max(pair.1));
            if !pairs.contains(&pair) {
                pairs.push(pair);
            }
        }
        pairs.into_iter().filter_map(|(a, b)| judge(view, a, b)).collect()
    }
}

/// The longest overlap of two switches' made times.
fn longest_overlap(a: &[Stay], b: &[Stay]) -> Option<(Micros, Micros)> {
    let made = |stays: &[Stay]| -> Vec<(Micros, Micros)> {
        stays.iter().filter(|stay| stay.on).map(|stay| (stay.from, stay.to)).collect()
    };
    let (a, b) = (made(a), made(b));
    a.iter()
        .flat_map(|x| b.iter().map(|y| (x.0.max(y.0), x.1.min(y.1))))
        .filter(|(from, to)| to > from)
        .max_by_key(|(from, to)| to.0.saturating_sub(from.0))
}

fn judge(view: &View, a: SignalIx, b: SignalIx) -> Option<Finding> {
    let (stays_a, stays_b) = (look::stays(view.cycle, a), look::stays(view.cycle, b));
    let (from, until) = longest_overlap(&stays_a, &stays_b)?;
    let seconds = (until - from).0;
    let debounce = view.profile.signal(a).debounce.0.max(view.profile.signal(b).debounce.0);
    let limit = debounce + 2.0 * view.period;
    if seconds <= limit {
        return None;
    }
    // The one that did not change while the other did is the suspect.
    let (suspect, other) = match (stays_a.len() > 1, stays_b.len() > 1) {
        (false, true) => (Some(a), b),
        (true, false) => (Some(b), a),
        _ => (None, b),
    };
    let told = suspect.map_or_else(String::new, |s| {
        format!(
            " `{}` did not change while `{}` did: of the two it is likelier to be wrong.",
            view.name(s),
            view.name(other)
        )
    });
    Some(Finding {
        kind: ABOUT.id,
        weight: Weight::Attend,
        phase: view.step_at(from.max(view.cycle.start)).map(|step| step.run.phase),
        signal: Some(suspect.unwrap_or(a)),
        at: from,
        until: Some(until),
        value: seconds,
        unit: "s",
        limit: Some(limit),
        sure: 0.95,
        message: format!(
            "`{}` and `{}` were both closed for {seconds:.1} s; the mechanism can't be in both places.{told}",
            view.name(a),
            view.name(b)
        ),
    })
}

#[cfg(test)]
mod tests {
    use crate::testing::{Sketch, sig};
    use foldwatch_units::Direction::*;

    #[test]
    fn both_closed_for_a_second() {
        let s = Sketch::healthy(Opening).with(|s| {
            s.extra.push((16.0, sig::LID_CLOSED, true));
            s.extra.push((17.0, sig::LID_CLOSED, false));
        });
        assert_eq!(s.kinds(), ["contradiction"]);
    }

    #[test]
    fn within_the_debounce_is_none() {
        let s = Sketch::healthy(Opening).with(|s| {
            s.extra.push((16.0, sig::LID_CLOSED, true));
            s.extra.push((16.04, sig::LID_CLOSED, false));
        });
        assert!(s.kinds().is_empty(), "{:?}", s.judged().findings);
    }
}
