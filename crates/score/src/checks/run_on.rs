//! run-on: the pump ran on after the last confirmation.

use foldwatch_profile::{Expr, SignalKind};
use foldwatch_segment::Confirmation;
use foldwatch_units::Micros;

use super::{About, Check};
use crate::look;
use crate::run;
use crate::{Finding, View, Weight};

static ABOUT: About = About {
    id: "run-on",
    title: "Pump runs on",
    meaning: "Everything was confirmed and nothing was left to do, and the pump went on running for longer than it may.",
    inspect: "What commands the pump: the control unit's output. When the command had ended, the relay: that is told as \
              stuck-relay.",
    limit_origin: "The profile's run-on time, and one sample. Where only the motor's current tells, 0.1 s more: so long it \
                   runs down (judgment).",
};

/// A motor without its supply draws (or gives) current for about so long, in seconds.
const RUNS_DOWN: f64 = 0.1;

/// See the file's head.
pub(super) struct RunOn;

impl Check for RunOn {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn examine(&self, view: &View) -> Vec<Finding> {
        judge(view).into_iter().collect()
    }
}

fn judge(view: &View) -> Option<Finding> {
    let (from, until, seconds) = overrun(view)?;
    let limit = view.profile.timing.run_on.0;
    let by_current = view.recorded(SignalKind::Pump).next().is_none();
    if seconds <= limit + view.period + if by_current { RUNS_DOWN } else { 0.0 } {
        return None;
    }
    let last = view.steps().last()?;
    let signal =
        view.recorded(SignalKind::Pump).next().or_else(|| view.lane(SignalKind::Current).map(|l| l.signal));
    Some(Finding {
        kind: ABOUT.id,
        weight: Weight::Attend,
        phase: Some(last.run.phase),
        signal,
        at: from,
        until: Some(until),
        value: seconds,
        unit: "s",
        limit: Some(limit),
        sure: 0.97,
        message: format!(
            "The pump ran on for {seconds:.1} s after `{}` was confirmed{}; up to {limit:.1} s is in order.",
            last.phase.name,
            view.heat_between(from, until),
        ),
    })
}

/// From the last confirmation to the pump's stop, and the seconds the pump ran in between; `None` where the last run
/// was not confirmed or the pump is not seen. Where its command is recorded, that counts: current after it is the
/// relay's matter.
pub(crate) fn overrun(view: &View) -> Option<(Micros, Micros, f64)> {
    if !view.pump_is_seen() {
        return None;
    }
    let last = view.steps().last()?;
    // Before the last step of all, the pump runs for the next one, which did not come.
    if last.run.phase.index + 1 < view.profile.sequence(last.run.phase.direction).len() {
        return None;
    }
    let confirmed = match last.run.confirmation {
        Confirmation::Confirmed if last.phase.confirm != Expr::Always => last.run.end,
        // A step that its time ends is over when its valves let go.
        Confirmation::Confirmed => valves_let_go(view, last.run.end).unwrap_or(last.run.left),
        Confirmation::Late => last.run.confirmed_at?.max(last.run.end),
        Confirmation::Inferred | Confirmation::Missing => return None,
    };
    // A switch that was closed before the last step, although that step should close it, confirmed nothing.
    let stood = |signal| {
        run::state_before(view.profile, last.run.phase, signal) == Some(false)
            && view.cycle.recording.edges.iter().all(|edge| edge.signal != signal)
    };
    if run::required(&last.phase.confirm).iter().any(|(signal, on)| *on && stood(*signal)) {
        return None;
    }
    let by_command = view.recorded(SignalKind::Pump).next().is_some();
    let runs =
        |span: &foldwatch_segment::DriveSpan| if by_command { span.pump } else { look::pump_runs(span) };
    let end = look::bounds(view.cycle).1;
    let seconds = look::drive_time(view.cycle, confirmed, end, runs);
    let until = look::last_of(view.cycle, confirmed, end, runs)?;
    Some((confirmed, until, seconds))
}

/// When the valves changed at a step's end or after it.
fn valves_let_go(view: &View, end: Micros) -> Option<Micros> {
    let near = end - foldwatch_units::Seconds(2.0 * view.period);
    let spans = view.cycle.recording.drive.windows(2);
    spans.filter(|pair| pair[0].valves != pair[1].valves).map(|pair| pair[1].from).find(|at| *at >= near)
}

#[cfg(test)]
mod tests {
    use crate::testing::{Sketch, sig};
    use foldwatch_units::Direction::*;

    #[test]
    fn silent_up_to_the_limit_and_told_beyond_it() {
        let run_on = |seconds: f64| Sketch::healthy(Opening).with(|s| s.run_on = seconds);
        assert!(run_on(0.5).kinds().is_empty());
        assert_eq!(run_on(3.0).kinds(), ["run-on"]);
        let found = run_on(3.0).only("run-on");
        assert!((found.value - 3.0).abs() < 0.02, "{found:?}");
        assert!(found.message.contains("A²s"), "{}", found.message);
    }

    #[test]
    fn by_current_alone_and_by_command_alone() {
        for absent in [vec![sig::PUMP], vec![sig::CURRENT], vec![sig::CURRENT, sig::PRESSURE]] {
            let s = Sketch::healthy(Closing).with(|s| {
                s.run_on = 3.0;
                s.absent = absent;
            });
            assert_eq!(s.kinds(), ["run-on"]);
        }
    }

    #[test]
    fn not_seen_without_command_and_current() {
        let s = Sketch::healthy(Closing).with(|s| {
            s.run_on = 3.0;
            s.absent = vec![sig::PUMP, sig::CURRENT, sig::PRESSURE];
        });
        assert!(s.kinds().is_empty());
    }
}
