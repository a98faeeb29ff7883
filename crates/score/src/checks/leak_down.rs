//! leak-down: a held pressure falls faster than it should.

use foldwatch_profile::SignalKind;

use super::{About, Check};
use crate::measures::Hold;
use crate::{Finding, View, Weight};

static ABOUT: About = About {
    id: "leak-down",
    title: "Pressure does not hold",
    meaning: "With the pump off, the pressure that should be held fell too fast: oil gets past a seal, a valve's seat, or out.",
    inspect: "Oil on the outside of cylinders and lines. Then which cylinder or valve it is: the maker's leak test, with the \
              pressure let go first.",
    limit_origin: "Less than half of what this car usually holds, over at least five movements. Before that, only where the unit \
                   itself holds with a valve on for two seconds and more: half the pressure gone within the longest step's \
                   expected time (judgment: then it can't hold a roof for one step).",
};

/// Share of the usual time constant. Judgment: temperature alone changes it by less within a season.
const OF_USUAL: f64 = 0.5;
/// A hold shorter than this is a unit's switching over, in seconds. Judgment.
const MEANT: f64 = 2.0;
/// Share of the pressure that may be left where it is gone: what a held load leaves standing is not lost.
pub const GONE: f64 = 0.3;

/// See the file's head.
pub(super) struct LeakDown;

impl Check for LeakDown {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn examine(&self, view: &View) -> Vec<Finding> {
        judge(view).into_iter().collect()
    }
}

fn judge(view: &View) -> Option<Finding> {
    let &Hold::Falls { at, until, tau, u, begin, end, by_valve, .. } = view.hold else { return None };
    if end > GONE * begin {
        return None;
    }
    let usual = ["hold-time-constant", "hold-at-least"]
        .iter()
        .filter_map(|id| view.history.usual(id))
        .filter(|usual| usual.count() as f64 >= crate::timing::ENOUGH_CYCLES)
        .filter_map(|usual| usual.spread(0.1))
        .max_by(|a, b| a.0.total_cmp(&b.0));
    let longest = view
        .profile
        .opening
        .iter()
        .chain(&view.profile.closing)
        .map(|phase| phase.expected.0)
        .fold(0.0, f64::max);
    let (limit, against, sure) = match usual {
        // 3.5 scaled deviations: the cut of NIST/SEMATECH e-Handbook 1.3.5.17.
        Some((median, scale)) if tau < OF_USUAL * median && median - tau > 3.5 * scale.hypot(u) => {
            (OF_USUAL * median, format!("this car usually holds for {median:.0} s and more"), 0.9)
        }
        None if by_valve && (until - at).0 >= MEANT && tau * std::f64::consts::LN_2 < longest => {
            (longest / std::f64::consts::LN_2, format!("the longest step alone takes {longest:.0} s"), 0.7)
        }
        _ => return None,
    };
    Some(Finding {
        kind: ABOUT.id,
        weight: Weight::Attend,
        phase: None,
        signal: view.lane(SignalKind::Pressure).map(|lane| lane.signal),
        at,
        until: Some(until),
        value: tau,
        unit: "s",
        limit: Some(limit),
        sure,
        message: format!(
            "With the pump off the pressure fell from {begin:.0} bar with a time constant of {tau:.1} s; {against}."
        ),
    })
}

#[cfg(test)]
mod tests {
    use crate::testing::Sketch;
    use foldwatch_units::Direction::*;

    fn holding(tau: f64) -> Sketch {
        Sketch::healthy(Opening).with(|s| {
            s.hold_tau = tau;
            s.tail = 30.0;
        })
    }

    #[test]
    fn half_of_what_it_was() {
        let history = holding(20.0).repeated(8);
        let later = |tau: f64| holding(tau).with(|s| s.start = 90_000.0);
        assert!(later(16.0).kinds_after(&history).is_empty());
        assert_eq!(later(5.0).kinds_after(&history), ["leak-down"]);
    }

    #[test]
    fn what_held_too_long_to_tell_counts_as_well() {
        let history = holding(2000.0).repeated(8);
        assert_eq!(holding(5.0).with(|s| s.start = 90_000.0).kinds_after(&history), ["leak-down"]);
    }

    #[test]
    fn an_unknown_car_is_not_judged_by_what_the_valves_let_go() {
        assert!(holding(5.0).kinds().is_empty());
        assert!(holding(0.1).kinds().is_empty());
    }
}
