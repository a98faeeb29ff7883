//! chatter: a switch makes and breaks many times in a row.

use foldwatch_profile::{SignalIx, SignalKind};
use foldwatch_units::Micros;

use super::{About, Check};
use crate::{Finding, View, Weight};

static ABOUT: About = About {
    id: "chatter",
    title: "Switch chatters",
    meaning: "A switch opened and closed many times within a moment, more often than contact bounce explains.",
    inspect: "Its fastening and adjustment (it sits at the point of switching), then its contacts and plug.",
    limit_origin: "Bounce is what the profile's debounce covers. Four changes too many around a true change, each within half a \
                   second of the one before, two within a quarter of one, or six with no true change, each within a quarter of a \
                   second (0.08 s where it is lost at other times, too) (judgment: two full openings can't be one shock, and \
                   no part of a roof leaves a switch and returns so fast; a loose wire opens less often).",
};

/// Changes farther apart than this do not belong together, around a true change ...
const TOGETHER: f64 = 0.5;
/// ... right at the point of switching ...
const AT_THE_POINT: f64 = 0.25;
/// ... where so many too many are enough ...
const AT_THE_POINT_EXCESS: f64 = 2.0;
/// ... or this many where it is lost at other times, too ...
const MANY: f64 = 8.0;
/// ... and where there is none, unless rows are farther apart.
const CLOSE: f64 = 0.08;
/// Changes too many around a true change of the switch.
const AROUND_AN_EDGE: f64 = 4.0;
/// Changes too many where the switch ends in the state it came from.
const OUT_OF_REST: f64 = 6.0;
/// A burst this many times longer than the debounce is no bounce.
const LONG_BURST: f64 = 3.0;

/// See the file's head.
pub(super) struct Chatter;

impl Check for Chatter {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn examine(&self, view: &View) -> Vec<Finding> {
        view.recorded(SignalKind::Switch).filter_map(|signal| judge(view, signal)).collect()
    }
}

/// Changes of one switch that belong together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Cluster {
    pub from: Micros,
    pub to: Micros,
    /// Changes that neither bounce nor the true change explains.
    pub excess: f64,
    /// It ended in another state than it came from.
    pub changed: bool,
    /// All transitions, with bounce.
    pub transitions: f64,
}

/// Where a switch chatters.
pub(crate) fn chattering(view: &View, signal: SignalIx) -> Vec<Cluster> {
    let mut out = clusters(view, signal, TOGETHER);
    out.retain(|c| c.changed && c.excess >= AROUND_AN_EDGE);
    // A single opening, longer than bounce and right at the point of switching, is the same matter.
    let apart = |c: &Cluster, out: &[Cluster]| out.iter().all(|other| c.to < other.from || c.from > other.to);
    for cluster in clusters(view, signal, AT_THE_POINT.max(1.5 * view.period)) {
        if cluster.changed && cluster.excess >= AT_THE_POINT_EXCESS && apart(&cluster, &out) {
            out.push(cluster);
        }
    }
    // A wire that is lost at other times too is lost near a change by chance.
    let elsewhere = super::dropout::unexplained(view, signal);
    let stray = elsewhere.iter().any(|at| out.iter().all(|c| *at < c.from || *at > c.to));
    out.retain(|c| !stray || c.excess >= MANY);
    let mut at_rest = clusters(view, signal, AT_THE_POINT.max(1.5 * view.period));
    at_rest.retain(|c| !c.changed && c.excess >= OUT_OF_REST);
    // The same holds where there is no change, unless they are closer than a loose wire's.
    if elsewhere.iter().any(|at| out.iter().chain(&at_rest).all(|c| *at < c.from || *at > c.to)) {
        at_rest = clusters(view, signal, CLOSE.max(1.5 * view.period));
        at_rest.retain(|c| !c.changed && c.excess >= OUT_OF_REST);
    }
    out.extend(at_rest);
    out
}

/// The changes of a switch, gathered to what belongs together.
fn clusters(view: &View, signal: SignalIx, together: f64) -> Vec<Cluster> {
    let rec = &view.cycle.recording;
    let bounce = view.profile.signal(signal).debounce.0.max(2.0 * view.period);
    // Each change as: when, until, transitions, those of them that are no bounce, true changes.
    let mut changes: Vec<(Micros, Micros, f64, f64, u32)> = Vec::new();
    for edge in rec.edges.iter().filter(|e| e.signal == signal) {
        let extra = f64::from(edge.bounces.saturating_sub(1));
        let beyond = if edge.burst.0 > LONG_BURST * bounce { extra } else { 0.0 };
        changes.push((edge.at, edge.at + edge.burst, 1.0 + extra, beyond, 1));
    }
    let near_an_edge = |at: Micros| {
        rec.edges.iter().filter(|e| e.signal == signal).any(|e| {
            let before = (e.at - at).0;
            let after = (at - (e.at + e.burst)).0;
            before <= 2.0 * bounce && after <= 2.0 * bounce
        })
    };
    for glitch in rec.glitches.iter().filter(|g| g.signal == signal) {
        let beyond =
            if near_an_edge(glitch.at) && glitch.lasted.0 <= LONG_BURST * bounce { 0.0 } else { 2.0 };
        changes.push((glitch.at, glitch.at + glitch.lasted, 2.0, beyond, 0));
    }
    changes.sort_by_key(|change| change.0);
    let mut out: Vec<(Cluster, u32)> = Vec::new();
    for (from, to, transitions, beyond, edges) in changes {
        match out.last_mut() {
            Some((cluster, true_changes)) if (from - cluster.to).0 <= together => {
                cluster.to = cluster.to.max(to);
                cluster.excess += beyond;
                cluster.transitions += transitions;
                *true_changes += edges;
            }
            _ => out.push((Cluster { from, to, excess: beyond, changed: false, transitions }, edges)),
        }
    }
    out.into_iter()
        .map(|(mut cluster, edges)| {
            cluster.changed = edges % 2 == 1;
            cluster.excess += f64::from(edges - edges % 2);
            cluster
        })
        .collect()
}

fn judge(view: &View, signal: SignalIx) -> Option<Finding> {
    let found = chattering(view, signal);
    let worst = found.iter().max_by(|a, b| a.excess.total_cmp(&b.excess))?;
    let limit = match worst.changed {
        true if worst.excess < AROUND_AN_EDGE => AT_THE_POINT_EXCESS,
        true => AROUND_AN_EDGE,
        false => OUT_OF_REST,
    };
    let again =
        if found.len() > 1 { format!(", {} times in this cycle", found.len()) } else { String::new() };
    Some(Finding {
        kind: ABOUT.id,
        weight: Weight::Attend,
        phase: view.step_at(worst.from).map(|step| step.run.phase),
        signal: Some(signal),
        at: worst.from,
        until: Some(worst.to),
        value: worst.excess,
        unit: "",
        limit: Some(limit),
        sure: (0.85 + 0.03 * (worst.excess - limit)).min(0.98),
        message: format!(
            "`{}` changed {:.0} times within {:.2} s{again}; contact bounce is over within {:.2} s.",
            view.name(signal),
            worst.transitions,
            (worst.to - worst.from).0,
            view.profile.signal(signal).debounce.0,
        ),
    })
}

#[cfg(test)]
mod tests {
    use crate::testing::{Sketch, sig};
    use foldwatch_units::Direction::*;

    /// Around the edge that confirms the second step, so many changes more, so many milliseconds apart.
    fn around(changes: usize, ms: f64) -> Sketch {
        Sketch::healthy(Opening).with(|s| {
            let at = s.times()[2];
            for n in 0..changes {
                s.extra.push((at + 0.001 * ms * (n + 1) as f64, sig::LID_OPEN, n % 2 == 1));
            }
        })
    }

    #[test]
    fn around_an_edge() {
        let s = around(6, 60.0);
        assert_eq!(s.kinds(), ["chatter"], "{:?}", s.judged().findings);
        assert_eq!(s.only("chatter").signal, Some(sig::LID_OPEN));
    }

    #[test]
    fn one_opening_at_the_point_of_switching_but_none_later() {
        assert_eq!(around(2, 60.0).kinds(), ["chatter"]);
        let later = Sketch::healthy(Opening).with(|s| {
            let at = s.times()[2];
            s.extra = vec![(at + 1.0, sig::LID_OPEN, false), (at + 1.1, sig::LID_OPEN, true)];
        });
        assert_eq!(later.kinds(), ["dropout"]);
    }

    #[test]
    fn bounce_is_none() {
        let s = Sketch::healthy(Opening).with(|s| {
            let at = s.times()[2];
            s.glitches =
                (0..4).map(|n| (at - 0.01 + 0.004 * f64::from(n), 0.002, sig::LID_OPEN, true)).collect();
        });
        assert!(s.kinds().is_empty(), "{:?}", s.judged().findings);
    }

    #[test]
    fn at_rest_it_takes_more() {
        let s = Sketch::healthy(Opening).with(|s| {
            let at = s.times()[3] + 3.0;
            for n in 0..8 {
                s.extra.push((at + 0.05 * f64::from(n), sig::STOWED, n % 2 == 1));
            }
        });
        assert_eq!(s.kinds(), ["chatter"]);
    }
}
