//! unconfirmed-running: the pump ran on in a step beyond its limit, with no confirmation.

use foldwatch_profile::Expr;
use foldwatch_segment::Confirmation;
use foldwatch_units::{Micros, Seconds};

use super::{About, Check};
use crate::look;
use crate::run::Cut;
use crate::view::Step;
use crate::{Finding, View, Weight};

static ABOUT: About = About {
    id: "unconfirmed-running",
    title: "Pump runs without confirmation",
    meaning: "The step's limit had passed, its confirmation had not come, and the pump went on running. What counts are the \
              seconds beyond the limit.",
    inspect: "Why the confirmation did not come; then why the unit does not end the step by its own time-out.",
    limit_origin: "The step's limit in the profile, corrected to the conditions, and two samples. That a roof with no \
                   confirmation keeps its pump running is common practice, no source.",
};

/// See the file's head.
pub(super) struct UnconfirmedRunning;

impl Check for UnconfirmedRunning {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn examine(&self, view: &View) -> Vec<Finding> {
        if !view.pump_is_seen() {
            return Vec::new();
        }
        view.steps().filter_map(|step| judge(view, &step)).collect()
    }
}

fn judge(view: &View, step: &Step) -> Option<Finding> {
    let unconfirmed = step.run.confirmation != Confirmation::Confirmed && step.phase.confirm != Expr::Always;
    // A confirmation may have come while nothing was recorded.
    if step.facts.cut == Some(Cut::Gap) {
        return None;
    }
    if !unconfirmed || step.facts.unmet.is_empty() && step.run.confirmed_at.is_none() {
        return None;
    }
    let limit = step.limit();
    let passed = limit_passed(view, step, limit)?;
    let seconds = look::drive_time(view.cycle, passed, step.run.left, look::pump_runs);
    if seconds <= 2.0 * view.period {
        return None;
    }
    let until = look::last_of(view.cycle, passed, step.run.left, look::pump_runs)?;
    let longest = view.profile.electrics.longest_run.map(|s| s.0);
    Some(Finding {
        kind: ABOUT.id,
        weight: if longest.is_some_and(|longest| seconds > longest) {
            Weight::StopUsing
        } else {
            Weight::Attend
        },
        phase: Some(step.run.phase),
        signal: step.facts.unmet.first().map(|(signal, _)| *signal),
        at: passed,
        until: Some(until),
        value: seconds,
        unit: "s",
        limit: Some(0.0),
        sure: 0.95,
        message: format!(
            "`{}` was not confirmed within its limit of {limit:.1} s, and the pump ran {seconds:.1} s beyond it{}.",
            step.phase.name,
            view.heat_between(passed, until),
        ),
    })
}

/// The moment at which the step had been driven for its limit.
fn limit_passed(view: &View, step: &Step, limit: f64) -> Option<Micros> {
    let mut left = limit;
    for span in view.cycle.recording.drive.iter().filter(|span| span.is_drive()) {
        let from = span.from.max(step.run.start);
        let to = span.to.min(step.run.left);
        let lasted = (to - from).0;
        if lasted <= 0.0 {
            continue;
        }
        if lasted > left {
            return Some(from + Seconds(left));
        }
        left -= lasted;
    }
    None
}

#[cfg(test)]
mod tests {
    use crate::testing::{Sketch, sig};
    use foldwatch_segment::Outcome;
    use foldwatch_units::Direction::*;

    fn waiting(seconds: f64) -> Sketch {
        Sketch::healthy(Opening).with(|s| {
            s.acts[2].confirmed = false;
            s.acts[2].goes_on = false;
            s.acts[2].waits = seconds;
            s.run_on = 0.0;
            s.outcome = Outcome::GivenUp;
        })
    }

    #[test]
    fn silent_up_to_the_limit() {
        assert!(!waiting(2.4).kinds().contains(&"unconfirmed-running"));
    }

    #[test]
    fn the_seconds_beyond_it_are_told_beside_the_missing_switch() {
        let s = waiting(9.0);
        let mut kinds = s.kinds();
        kinds.sort_unstable();
        assert_eq!(kinds, ["missing-confirmation", "relief-dwell", "unconfirmed-running"]);
        // The limit of 7.5 s is a little longer at this supply.
        assert!(
            (s.only("unconfirmed-running").value - 6.4).abs() < 0.1,
            "{:?}",
            s.only("unconfirmed-running")
        );
    }

    #[test]
    fn not_seen_where_the_pump_is_not() {
        let s = waiting(9.0).with(|s| s.absent = vec![sig::PUMP, sig::CURRENT]);
        assert!(!s.kinds().contains(&"unconfirmed-running"));
    }
}
