//! stuck-relay: the pump's relay does not follow its command.

use foldwatch_profile::SignalKind;
use foldwatch_segment::DriveSpan;
use foldwatch_units::{Micros, Seconds};

use super::{About, Check};
use crate::look;
use crate::{Finding, View, Weight};

static ABOUT: About = About {
    id: "stuck-relay",
    title: "Pump relay does not follow",
    meaning: "The motor drew current, or pressure went on building, although the pump's command had ended; or the pump was \
              commanded and no current flowed while nothing moved.",
    inspect: "Disconnect the supply before anything else if the pump does not stop. Then the relay (welded or burnt contact) and \
              its socket.",
    limit_origin: "The command off and the current on for 0.5 s and three samples: relays release, and motors stop, within a \
                   few tenths of a second (judgment). Needs the command and the current, or the command and the pressure.",
};

/// Longer than any relay and motor take to follow, in seconds. Judgment.
const FOLLOWS: f64 = 0.5;

/// See the file's head.
pub(super) struct StuckRelay;

impl Check for StuckRelay {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn examine(&self, view: &View) -> Vec<Finding> {
        let Some(command) = view.recorded(SignalKind::Pump).next() else { return Vec::new() };
        let finding =
            |at: Micros, until: Micros, seconds: f64, weight: Weight, sure: f64, message: String| Finding {
                kind: ABOUT.id,
                weight,
                phase: view.step_at(at).map(|step| step.run.phase),
                signal: Some(command),
                at,
                until: Some(until),
                value: seconds,
                unit: "s",
                limit: Some(FOLLOWS),
                sure,
                message,
            };
        let runs = |span: &DriveSpan| !span.pump && span.running == Some(true);
        if let Some((at, until, seconds)) = longest(view, runs) {
            let heat = view.heat_between(at, until);
            let message = format!(
                "The pump went on running for {seconds:.1} s after its command had ended{heat}. If it does not stop, \
                 disconnect its supply."
            );
            return vec![finding(at, until, seconds, Weight::StopUsing, 0.95, message)];
        }
        if let Some((at, until, rise)) = builds_on(view) {
            let seconds = (until - at).0;
            let message = format!(
                "The pressure rose by {rise:.0} bar within {seconds:.1} s after the pump's command had ended: the pump seems \
                 to run on."
            );
            return vec![finding(at, until, seconds, Weight::StopUsing, 0.8, message)];
        }
        burnt(view)
            .map(|(at, until, seconds)| {
                let message = format!(
                    "The pump was commanded for {seconds:.1} s and drew no current, and nothing moved: relay, fuse, or the \
                     motor's feed."
                );
                finding(at, until, seconds, Weight::Attend, 0.85, message)
            })
            .into_iter()
            .collect()
    }
}

/// The longest stretch of drive in which something holds of the motor, when it lasts longer than a relay takes to follow.
/// A reading of the current tells of the three samples after it at most: a logger that writes changes only may be silent
/// for seconds, and whether the motor ran until the next row is not known.
fn longest(view: &View, what: impl Fn(&DriveSpan) -> bool) -> Option<(Micros, Micros, f64)> {
    let lane = view.lane(SignalKind::Current)?;
    let samples = Seconds(3.0 * lane.period().max(view.period));
    let shown = |from: Micros, to: Micros| {
        let last = lane.within(from, to).points().map(|point| point.0).rfind(|at| *at < to);
        last.map(|last| to.min(last + samples))
    };
    let mut best: Option<(Micros, Micros)> = None;
    let mut now: Option<(Micros, Micros)> = None;
    for span in view.cycle.recording.drive.iter() {
        now = match (now, shown(span.from, span.to)) {
            (_, None) => None,
            _ if !what(span) => None,
            (Some((from, to)), Some(until)) if span.from <= to => Some((from, until)),
            (_, Some(until)) => Some((span.from, until)),
        };
        if let Some(run) = now.filter(|run| best.is_none_or(|b| run.1 - run.0 > b.1 - b.0)) {
            best = Some(run);
        }
    }
    best.map(|(from, to)| (from, to, (to - from).0)).filter(|run| run.2 > FOLLOWS + samples.0)
}

/// Without current: pressure that goes on rising well after the command ended.
fn builds_on(view: &View) -> Option<(Micros, Micros, f64)> {
    if view.lane(SignalKind::Current).is_some() {
        return None;
    }
    let lane = view.lane(SignalKind::Pressure)?;
    let relief = view.profile.hydraulics.relief?.0;
    let end = look::bounds(view.cycle).1;
    let drive = &view.cycle.recording.drive;
    drive.iter().enumerate().filter(|(_, span)| span.pump).find_map(|(n, span)| {
        let until = drive[n + 1..].iter().find(|next| next.pump).map_or(end, |next| next.from);
        let after = span.to + Seconds(FOLLOWS);
        let part = lane.within(after, until);
        let (start, _) = (part.points().next()?.1, ());
        let top = part.points().max_by(|a, b| a.1.total_cmp(&b.1))?;
        let need = (0.1 * relief).max(6.0 * lane.noise());
        (top.1 - start > need).then_some((span.to, top.0, top.1 - start))
    })
}

/// Commanded, no current, no pressure, nothing confirmed.
fn burnt(view: &View) -> Option<(Micros, Micros, f64)> {
    let (from, until, seconds) = longest(view, |span| span.pump && span.running == Some(false))?;
    let confirmed = view.steps().any(|step| step.run.confirmed_at.is_some_and(|at| at > from && at <= until));
    let relief = view.profile.hydraulics.relief.map_or(60.0, |bar| bar.0);
    let pressure = view.lane(SignalKind::Pressure).and_then(|lane| lane.within(from, until).quantile(0.9));
    let none = pressure.is_none_or(|bar| bar < super::no_pressure::NONE * relief);
    (!confirmed && none).then_some((from, until, seconds))
}

#[cfg(test)]
mod tests {
    use crate::testing::{Sketch, sig};
    use crate::{History, judge};
    use foldwatch_units::{Direction::*, Micros};

    #[test]
    fn current_after_the_command() {
        let s = Sketch::healthy(Opening).with(|s| s.relay = 4.0);
        assert_eq!(s.kinds(), ["stuck-relay"]);
        assert!((s.only("stuck-relay").value - 4.0).abs() < 0.05);
    }

    #[test]
    fn a_motor_that_runs_down_is_no_fault() {
        assert!(Sketch::healthy(Opening).with(|s| s.relay = 0.3).kinds().is_empty());
    }

    /// A logger that writes changes only: the row of the command's end is the last for 1.6 s.
    #[test]
    fn one_reading_is_not_stretched_over_a_silence() {
        let s = Sketch::healthy(Opening).with(|s| s.relay = 1.6);
        let mut cycle = s.cycle();
        let end = s.times()[s.acts.len()] + s.run_on;
        let silent = |at: Micros| at.as_secs() > end + 0.01 && at.as_secs() < end + s.relay;
        let rows = &mut cycle.recording;
        for trace in &mut rows.analog {
            let mut at = rows.times.iter();
            trace.values.retain(|_| at.next().is_some_and(|at| !silent(*at)));
        }
        rows.times.retain(|at| !silent(*at));
        let found = judge(&s.profile, &cycle, &History::default()).findings;
        assert!(found.iter().all(|f| f.kind != "stuck-relay"), "{found:?}");
        assert_eq!(s.kinds(), ["stuck-relay"], "with its rows");
    }

    #[test]
    fn without_the_command_it_is_run_on() {
        let s = Sketch::healthy(Opening).with(|s| {
            s.relay = 4.0;
            s.absent = vec![sig::PUMP];
        });
        assert_eq!(s.kinds(), ["run-on"]);
    }
}
