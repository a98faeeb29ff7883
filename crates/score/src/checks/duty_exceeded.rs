//! duty-exceeded: the pump ran longer than it may without a rest.

use foldwatch_profile::SignalKind;
use foldwatch_units::{Micros, Seconds};

use super::{About, Check};
use crate::look;
use crate::{Finding, View, Weight};

static ABOUT: About = About {
    id: "duty-exceeded",
    title: "Pump ran too long",
    meaning: "The pump motor ran longer in one go than it is made for, or again before it had cooled down.",
    inspect: "Let it cool down first. Then why it ran so long: missing confirmations, slow steps, many movements in a row.",
    limit_origin: "The profile's longest run and cool-down time. Pauses shorter than a second do not cool a motor \
                   (judgment), so they do not end a run. Over several movements: a first-order thermal state that one \
                   longest run fills, and that empties with a third of the cool-down time as its time constant (after \
                   three of them 5 % is left).",
};

/// Pauses shorter than this do not end a run.
const PAUSE: Seconds = Seconds(1.0);

/// See the file's head.
pub(super) struct DutyExceeded;

impl Check for DutyExceeded {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn examine(&self, view: &View) -> Vec<Finding> {
        one_run(view).or_else(|| over_cycles(view)).into_iter().collect()
    }
}

/// The longest run of the pump with no pause worth its name.
fn longest(view: &View) -> Option<(Micros, Micros, f64)> {
    let mut best: Option<(Micros, Micros, f64)> = None;
    let mut now: Option<(Micros, Micros, f64)> = None;
    for span in view.cycle.recording.drive.iter().filter(|span| look::pump_runs(span)) {
        let lasted = (span.to - span.from).0;
        now = match now {
            Some((from, to, sum)) if span.from - to < PAUSE => Some((from, span.to, sum + lasted)),
            _ => Some((span.from, span.to, lasted)),
        };
        if let Some(run) = now.filter(|run| best.is_none_or(|b| run.2 > b.2)) {
            best = Some(run);
        }
    }
    best
}

fn one_run(view: &View) -> Option<Finding> {
    let limit = view.profile.electrics.longest_run?.0;
    if !view.pump_is_seen() {
        return None;
    }
    let (from, until, seconds) = longest(view)?;
    if seconds <= limit + view.period {
        return None;
    }
    Some(finding(
        view,
        from,
        until,
        seconds,
        "s",
        limit,
        format!(
            "The pump ran for {seconds:.0} s without a rest{}; it may run for {limit:.0} s. Let it cool down.",
            view.heat_between(from, until)
        ),
    ))
}

fn over_cycles(view: &View) -> Option<Finding> {
    if !view.pump_is_seen() || view.current_is_noise() {
        return None;
    }
    let state = crate::heat::after(view.profile, view.cycle, view.history)?;
    if state.share <= 1.0 {
        return None;
    }
    let share = 100.0 * state.share;
    Some(finding(
        view,
        state.at,
        view.cycle.end,
        state.share,
        "",
        1.0,
        format!(
            "With the movements just before, the pump motor has had {share:.0} % of what one longest run heats it. Let it \
             cool down."
        ),
    ))
}

fn finding(
    view: &View,
    at: Micros,
    until: Micros,
    value: f64,
    unit: &'static str,
    limit: f64,
    message: String,
) -> Finding {
    Finding {
        kind: ABOUT.id,
        weight: Weight::Attend,
        phase: None,
        signal: view
            .recorded(SignalKind::Pump)
            .next()
            .or_else(|| view.lane(SignalKind::Current).map(|l| l.signal)),
        at,
        until: Some(until),
        value,
        unit,
        limit: Some(limit),
        sure: 0.95,
        message,
    }
}

#[cfg(test)]
mod tests {
    use crate::testing::Sketch;
    use crate::{History, judge};
    use foldwatch_units::{Direction::*, Seconds};

    #[test]
    fn one_long_run() {
        let long = |limit: f64| {
            Sketch::healthy(Opening).with(|s| s.profile.electrics.longest_run = Some(Seconds(limit)))
        };
        assert!(long(10.0).kinds().is_empty());
        assert_eq!(long(8.0).kinds(), ["duty-exceeded"]);
    }

    #[test]
    fn movement_after_movement_with_no_rest() {
        let mut history = History::default();
        let mut first = None;
        for n in 0..12 {
            let direction = if n % 2 == 0 { Opening } else { Closing };
            let s = Sketch::healthy(direction).with(|s| {
                s.start = 10.0 + 14.0 * f64::from(n);
                s.tail = 2.0;
            });
            let cycle = s.cycle();
            let judged = judge(&s.profile, &cycle, &history);
            if first.is_none() && judged.findings.iter().any(|f| f.kind == "duty-exceeded") {
                first = Some(n);
            }
            history.learn(&s.profile, &cycle, &judged);
        }
        // 60 s of running with hardly a rest: after the sixth or seventh movement of some ten seconds.
        assert!(first.is_some_and(|n| (6..=9).contains(&n)), "{first:?}");
    }

    #[test]
    fn after_a_rest_all_is_well() {
        assert!(
            Sketch::healthy(Opening)
                .with(|s| s.start = 90_000.0)
                .kinds_after(&Sketch::healthy(Closing).repeated(8))
                .is_empty()
        );
    }
}
