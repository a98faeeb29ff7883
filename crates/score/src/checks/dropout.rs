//! dropout: a made switch opens for a moment and comes back, or a command does, with no motion that would explain it.

use foldwatch_profile::{SignalIx, SignalKind};
use foldwatch_units::Micros;

use super::chatter;
use super::{About, Check};
use crate::look::{self, Stay};
use crate::{Finding, View, Weight};

static ABOUT: About = About {
    id: "dropout",
    title: "Signal drops out",
    meaning: "A closed switch opened for a moment and closed again, though nothing moved it, or a valve or the pump was let \
              go for a moment within a step although the demand stood.",
    inspect: "Plug, wire and earth of that signal: move them while watching it. A chain of switches: each member.",
    limit_origin: "Openings longer than the debounce and shorter than 0.4 of the shortest step going on: no mechanism leaves \
                   a switch and comes back faster (judgment). Openings shorter than the debounce count from three on in a \
                   cycle. A command counts when the demand is recorded and stood, or when it came back within 0.1 s, \
                   faster than a finger.",
};

/// Share of a step's expected time below which nothing can have left a switch and come back.
const NO_MOTION: f64 = 0.4;
/// The longest opening that is called a moment, in seconds. Judgment.
const MOMENT: f64 = 2.0;
/// Openings too short for the debounce that are one too many.
const SHORT_ONES: usize = 3;
/// A finger can't let go of a button and press it again faster. Judgment.
const FINGER: f64 = 0.1;

/// See the file's head.
pub(super) struct Dropout;

impl Check for Dropout {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn examine(&self, view: &View) -> Vec<Finding> {
        let switches = view.recorded(SignalKind::Switch).filter_map(|signal| switch(view, signal));
        let commands = view
            .recorded(SignalKind::Valve)
            .chain(view.recorded(SignalKind::Pump))
            .filter_map(|signal| command(view, signal));
        switches.chain(commands).collect()
    }
}

/// The openings of a signal that lie between two closed states.
fn openings(view: &View, signal: SignalIx) -> Vec<Stay> {
    look::stays(view.cycle, signal).into_iter().filter(|stay| !stay.on && stay.whole).collect()
}

/// When a closed switch was lost with no motion that explains it.
pub(crate) fn unexplained(view: &View, signal: SignalIx) -> Vec<Micros> {
    openings(view, signal).into_iter().filter(|stay| !explained(view, stay)).map(|stay| stay.from).collect()
}

fn switch(view: &View, signal: SignalIx) -> Option<Finding> {
    let chattering = chatter::chattering(view, signal);
    let in_chatter = |at: Micros| chattering.iter().any(|c| c.from <= at && at <= c.to);
    let found: Vec<(Micros, f64)> = openings(view, signal)
        .into_iter()
        .filter(|stay| !in_chatter(stay.from) && !explained(view, stay))
        .map(|stay| (stay.from, (stay.to - stay.from).0))
        .collect();
    if !found.is_empty() {
        return Some(tell(view, signal, &found, 0.9));
    }
    // Bounce belongs to an edge; what is shorter than the debounce and far from one is a loose contact when it repeats.
    let bounce = view.profile.signal(signal).debounce.0.max(2.0 * view.period);
    let rec = &view.cycle.recording;
    let far = |at: Micros| {
        rec.edges
            .iter()
            .filter(|e| e.signal == signal)
            .all(|e| (e.at - at).0.abs() > 3.0 * bounce && (e.at + e.burst - at).0.abs() > 3.0 * bounce)
    };
    let short: Vec<(Micros, f64)> = rec
        .glitches
        .iter()
        .filter(|g| g.signal == signal && !g.to && far(g.at) && !in_chatter(g.at))
        .map(|g| (g.at, g.lasted.0))
        .collect();
    (short.len() >= SHORT_ONES).then(|| tell(view, signal, &short, 0.75))
}

/// Whether motion may have opened and closed the switch.
fn explained(view: &View, stay: &Stay) -> bool {
    let lasted = (stay.to - stay.from).0;
    let driven = look::drive_time(view.cycle, stay.from, stay.to, |span| span.is_drive()) > 0.0;
    let shortest = view
        .steps()
        .filter(|step| step.run.start < stay.to && step.run.left > stay.from)
        .map(|step| step.phase.expected.0)
        .fold(f64::INFINITY, f64::min);
    // A step with no drive of its own (gravity, spring) moves too.
    let moving = driven || shortest.is_finite();
    lasted > MOMENT || (moving && lasted > NO_MOTION * shortest) || spans_a_turn(view, stay)
}

/// The roof turned round meanwhile: the way back undoes what the way out did, however short both were.
fn spans_a_turn(view: &View, stay: &Stay) -> bool {
    let after = view.steps().skip(1);
    view.steps().zip(after).any(|(before, after)| {
        before.run.phase.direction != after.run.phase.direction
            && stay.from < after.run.start
            && after.run.start < stay.to
    })
}

/// A valve or the pump let go within a step.
fn command(view: &View, signal: SignalIx) -> Option<Finding> {
    let demands: Vec<SignalIx> = view.recorded(SignalKind::Demand).collect();
    let demand_stood = |from: Micros, to: Micros| {
        demands.iter().any(|demand| {
            look::stays(view.cycle, *demand).iter().any(|stay| stay.on && stay.from < from && stay.to > to)
        })
    };
    let is_pump = view.profile.signal(signal).kind == SignalKind::Pump;
    let found: Vec<(Micros, f64)> = openings(view, signal)
        .into_iter()
        .filter(|stay| {
            view.steps().any(|step| {
                let wants = if is_pump { step.phase.pump } else { step.phase.valves.contains(&signal) };
                wants && step.run.start < stay.from && stay.to < step.run.end
            })
        })
        .map(|stay| (stay.from, stay.to))
        .filter(|(from, to)| {
            let lasted = (*to - *from).0;
            lasted <= FINGER || (lasted <= MOMENT && demand_stood(*from, *to))
        })
        .map(|(from, to)| (from, (to - from).0))
        .collect();
    (!found.is_empty()).then(|| tell(view, signal, &found, 0.85))
}

fn tell(view: &View, signal: SignalIx, found: &[(Micros, f64)], sure: f64) -> Finding {
    let longest = found.iter().map(|f| f.1).fold(0.0, f64::max);
    let (first, last) = (found[0], found[found.len() - 1]);
    let times = match found.len() {
        1 => "once".to_owned(),
        n => format!("{n} times"),
    };
    let step = view.step_at(first.0);
    let within = step.map_or_else(|| " with no drive".to_owned(), |s| format!(" in `{}`", s.phase.name));
    Finding {
        kind: ABOUT.id,
        weight: if found.len() > 1 { Weight::Attend } else { Weight::Note },
        phase: step.map(|s| s.run.phase),
        signal: Some(signal),
        at: first.0,
        until: Some(last.0 + foldwatch_units::Seconds(last.1)),
        value: longest,
        unit: "s",
        limit: Some(view.profile.signal(signal).debounce.0),
        sure: if found.len() > 1 { (sure + 0.05f64).min(0.97) } else { sure },
        message: format!(
            "`{}` was lost {times}{within}, for {longest:.2} s at the longest, and came back; nothing moved that explains it.",
            view.name(signal)
        ),
    }
}

#[cfg(test)]
mod tests {
    use crate::testing::{Sketch, sig};
    use foldwatch_units::Direction::*;

    fn lost(signal: foldwatch_profile::SignalIx, at: f64, seconds: f64) -> Sketch {
        Sketch::healthy(Opening).with(|s| {
            s.extra.push((at, signal, false));
            s.extra.push((at + seconds, signal, true));
        })
    }

    #[test]
    fn a_closed_switch_opens_for_a_moment() {
        let s = lost(sig::LID_OPEN, 16.0, 0.2);
        assert_eq!(s.kinds(), ["dropout"]);
        assert_eq!(s.only("dropout").signal, Some(sig::LID_OPEN));
    }

    #[test]
    fn a_motion_away_and_back_is_none() {
        assert!(lost(sig::LID_OPEN, 15.0, 3.0).kinds().is_empty());
    }

    #[test]
    fn a_valve_within_its_step_while_the_demand_stands() {
        assert_eq!(lost(sig::VALVE_A, 16.0, 0.3).kinds(), ["dropout"]);
        let unasked =
            lost(sig::VALVE_A, 16.0, 0.3).with(|s| s.absent = vec![sig::OPEN_BUTTON, sig::CLOSE_BUTTON]);
        assert!(unasked.kinds().is_empty(), "{:?}", unasked.judged().findings);
    }

    #[test]
    fn one_short_opening_is_none_but_three_are() {
        let short = |n: usize| {
            Sketch::healthy(Opening).with(|s| {
                s.glitches = (0..n).map(|k| (15.0 + 0.8 * k as f64, 0.01, sig::LID_OPEN, false)).collect();
            })
        };
        assert!(short(1).kinds().is_empty());
        assert_eq!(short(3).kinds(), ["dropout"]);
    }
}
