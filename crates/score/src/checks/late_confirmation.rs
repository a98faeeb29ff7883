//! late-confirmation: the mechanism was there, and its switch told so only later.

use foldwatch_profile::{Expr, SignalKind};
use foldwatch_segment::Confirmation;

use super::{About, Check};
use crate::run::required;
use crate::view::Step;
use crate::{Finding, View, Weight};

static ABOUT: About = About {
    id: "late-confirmation",
    title: "Confirmation late",
    meaning: "The mechanism had reached its stop (the pressure, or the motor current, had risen to its highest and stayed \
              there), or the unit had already gone on, before the switch confirmed the step. Without pressure and \
              current that can't be told from a slow step.",
    inspect: "The switch named: its position against the stop, its cam or magnet, play in its mounting.",
    limit_origin: "Half the time that the profile lets the pump push against a stop, and not less than the switch's \
                   debounce and two samples: a switch that is set right tells before the pump has to wait. Once the \
                   car's usual lag is known, that much later than usual.",
};

/// Share of the allowed relief dwell from which a wait counts. Judgment: half the reserve is used up by the switch alone.
const SHARE_OF_DWELL: f64 = 0.5;
/// A switch that makes within this time of the stop can't be called late, whatever the profile allows. Judgment: about
/// what pressure needs to build up, and below what a person would notice.
const BUILD_UP: f64 = 0.3;

/// Share of the expected time before which no sound step can have reached its stop: the pump must have delivered the
/// swept volume first. A pressure that stands at the relief valve earlier is a mechanism that goes too heavily, and still
/// moves. Judgment: the expected time is known to some percent, and a step may begin part way.
const SOONEST_STOP: f64 = 0.7;
/// Share of the lag by which the whole step must have taken longer. Judgment: its expected time is known to some percent.
const LONGER: f64 = 0.5;
/// What the next step may take less, as a share of what this one took more, to be the same matter. Judgment.
const MADE_UP: (f64, f64) = (0.6, 1.4);
/// Chance of a sound step's time below which it is worth asking why. Judgment: with what the next step says it is enough.
const UNUSUAL: f64 = 0.01;

/// See the file's head.
pub(super) struct LateConfirmation;

impl Check for LateConfirmation {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn examine(&self, view: &View) -> Vec<Finding> {
        view.steps().filter_map(|step| judge(view, &step)).collect()
    }
}

/// How long after the stop a confirmation may come, in seconds.
fn allowed(view: &View, step: &Step) -> f64 {
    let debounce = step
        .phase
        .confirm
        .wanted()
        .iter()
        .map(|(signal, _)| view.profile.signal(*signal).debounce.0)
        .fold(0.0, f64::max);
    let usual = view.history.usual_lag(view.profile, step.run.phase).unwrap_or(0.0).max(0.0);
    let floor = BUILD_UP + debounce + 2.0 * view.period;
    usual + (SHARE_OF_DWELL * view.profile.timing.relief_dwell.0).max(floor)
}

/// Where only the trace's shape tells of the stop, a heavier end of the way looks the same, but takes no more time.
fn took_longer(view: &View, step: &Step, lag: f64) -> bool {
    let relief = view.profile.hydraulics.relief.is_some() && view.lane(SignalKind::Pressure).is_some();
    relief || step.timing.is_none_or(|timing| step.run.driven.0 - timing.expected.0 >= LONGER * lag)
}

/// Whether the swept volume can have been delivered by the stop.
fn can_be_there(step: &Step, confirmed: foldwatch_units::Micros, lag: f64) -> bool {
    let moved = (confirmed - step.run.start).0 - lag;
    step.facts.part || step.timing.is_none_or(|timing| moved >= SOONEST_STOP * timing.expected.0)
}

/// By how much a confirmation was late, where the next step has the same drive: its mechanism was already on its way, so
/// there is no stop to see, but what this step took too long the next one took too little.
pub(crate) fn shared_drive(view: &View, step: &Step) -> Option<f64> {
    let next = view.steps().find(|other| other.facts.run == step.facts.run + 1)?;
    let same = next.phase.valves == step.phase.valves
        && next.phase.pump == step.phase.pump
        && next.run.phase.direction == step.run.phase.direction;
    let whole = |s: &Step| s.is_whole() && s.facts.lag.is_none();
    if !same || step.phase.confirm == Expr::Always || !whole(step) || !whole(&next) {
        return None;
    }
    let (this, after) = (step.timing?, next.timing?);
    let longer = this.driven.0 - this.expected.0;
    let shorter = after.expected.0 - after.driven.0;
    // Either of the two may show it better: the later one has less time, so that its own is missed more.
    let short = after.learned && after.tail.is_some_and(|tail| tail > 1.0 - UNUSUAL);
    let long = this.driven > this.limit || this.tail.is_some_and(|tail| tail < UNUSUAL);
    let out_of_order = long || this.learned && short;
    let made_up_for = shorter > MADE_UP.0 * longer && shorter < MADE_UP.1 * longer;
    (out_of_order && made_up_for && longer > allowed(view, step)).then_some(longer)
}

fn judge(view: &View, step: &Step) -> Option<Finding> {
    if step.phase.confirm == Expr::Always || step.facts.cut.is_some() {
        return None;
    }
    let confirmed = step.run.confirmed_at?;
    if let Some(late) = shared_drive(view, step) {
        return Some(tell_shared(view, step, confirmed, late));
    }
    let (since, by_unit, limit) = match (step.run.confirmation, step.facts.lag) {
        (Confirmation::Late, Some(lag)) => (lag, false, allowed(view, step)),
        // The unit went on without it: any wait beyond what bounce and sampling explain is late.
        (Confirmation::Late, None) => ((confirmed - step.run.left).0, true, 2.0 * view.period),
        (Confirmation::Confirmed, Some(lag)) => (lag, false, allowed(view, step)),
        _ => return None,
    };
    let stopped = || took_longer(view, step, since) && can_be_there(step, confirmed, since);
    if since <= limit || !(by_unit || stopped()) {
        return None;
    }
    let signal = last_to_come(view, step, confirmed);
    let name = signal.map_or("its switch", |signal| view.name(signal));
    let message = if by_unit {
        format!(
            "`{}`: the unit had gone on {since:.1} s before `{name}` confirmed the step.",
            step.phase.name
        )
    } else {
        format!(
            "`{}` reached its stop after {:.1} s, but `{name}` confirmed it only {since:.1} s later; up to {limit:.1} s is \
             in order.",
            step.phase.name,
            (confirmed - step.run.start).0 - since,
        )
    };
    Some(Finding {
        kind: ABOUT.id,
        weight: Weight::Attend,
        phase: Some(step.run.phase),
        signal,
        at: confirmed,
        until: None,
        value: since,
        unit: "s",
        limit: Some(limit),
        sure: if by_unit { 0.9 } else { (0.7 + 0.3 * (since / limit - 1.0)).min(0.97) },
        message,
    })
}

fn tell_shared(view: &View, step: &Step, confirmed: foldwatch_units::Micros, late: f64) -> Finding {
    let signal = last_to_come(view, step, confirmed);
    Finding {
        kind: ABOUT.id,
        weight: Weight::Attend,
        phase: Some(step.run.phase),
        signal,
        at: confirmed,
        until: None,
        value: late,
        unit: "s",
        limit: Some(allowed(view, step)),
        sure: 0.75,
        message: format!(
            "`{}` was confirmed by `{}` {late:.1} s later than expected, and the next step, which has the same drive, took about \
             as much less: its mechanism was already on its way.",
            step.phase.name,
            signal.map_or("its switch", |signal| view.name(signal)),
        ),
    }
}

/// The signal whose edge made the confirmation hold.
fn last_to_come(
    view: &View,
    step: &Step,
    confirmed: foldwatch_units::Micros,
) -> Option<foldwatch_profile::SignalIx> {
    let wanted = step.phase.confirm.wanted();
    view.cycle
        .recording
        .edges
        .iter()
        .rev()
        .find(|edge| edge.at <= confirmed && wanted.contains(&(edge.signal, edge.on)))
        .map(|edge| edge.signal)
        .or_else(|| required(&step.phase.confirm).first().map(|(signal, _)| *signal))
}

#[cfg(test)]
mod tests {
    use crate::testing::{Sketch, sig};
    use foldwatch_units::Direction::*;

    fn waiting(seconds: f64) -> Sketch {
        Sketch::healthy(Opening).with(|s| s.acts[2].waits = seconds)
    }

    #[test]
    fn silent_when_the_switch_makes_soon_after_the_stop() {
        assert!(waiting(0.4).kinds().is_empty(), "{:?}", waiting(0.4).judged().findings);
    }

    #[test]
    fn late_by_the_pressure_and_by_the_current_alone() {
        let found = waiting(1.2).only("late-confirmation");
        assert_eq!(found.signal, Some(sig::STOWED));
        assert!((found.value - 1.2).abs() < 0.15, "{found:?}");
        assert_eq!(waiting(1.2).kinds(), ["late-confirmation"]);
        let by_current = waiting(1.2).with(|s| s.absent = vec![sig::PRESSURE]);
        assert_eq!(by_current.kinds(), ["late-confirmation"]);
    }

    #[test]
    fn a_heavier_end_of_the_way_is_none() {
        let heavy_end = waiting(1.2).with(|s| {
            s.absent = vec![sig::PRESSURE];
            s.relief = 100.0;
            s.acts[2].moves -= 1.2;
        });
        assert!(heavy_end.kinds().is_empty(), "{:?}", heavy_end.judged().findings);
    }

    #[test]
    fn a_stop_long_before_the_way_can_be_done_is_none() {
        let stuck_half_way = waiting(8.0).with(|s| s.acts[2].moves *= 0.45);
        assert!(!stuck_half_way.kinds().contains(&"late-confirmation"), "{:?}", stuck_half_way.kinds());
        assert!(!stuck_half_way.kinds().is_empty(), "the pump pushed, and that is told");
    }

    #[test]
    fn without_both_it_is_only_slow() {
        let bare = waiting(4.0).with(|s| s.absent = vec![sig::PRESSURE, sig::CURRENT, sig::PUMP]);
        assert_eq!(bare.kinds(), ["slow-phase"]);
    }

    #[test]
    fn after_the_unit_went_on() {
        let gone_on = Sketch::healthy(Opening).with(|s| {
            s.acts[1].confirmed = false;
            s.acts[1].waits = 0.5;
            let left = s.times()[2];
            s.extra.push((left + 1.0, sig::LID_OPEN, true));
        });
        assert_eq!(gone_on.kinds(), ["late-confirmation"]);
    }

    #[test]
    fn by_the_next_step_where_it_has_the_same_drive() {
        let shared = |late: f64, made_up: f64| {
            Sketch::healthy(Opening).with(|s| {
                let valve = s.profile.opening[0].valves.clone();
                s.profile.opening[1].valves = valve;
                s.acts[0].moves += late;
                s.acts[1].moves -= made_up;
            })
        };
        assert_eq!(shared(1.2, 1.2).kinds(), ["late-confirmation"]);
        assert_eq!(shared(1.2, 0.0).kinds(), ["slow-phase"]);
        assert!(shared(0.3, 0.3).kinds().is_empty());
    }
}
