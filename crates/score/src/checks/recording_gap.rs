//! recording-gap: a part of the cycle was not recorded.

use foldwatch_samples::GapCause;

use super::{About, Check};
use crate::{Finding, View, Weight};

static ABOUT: About = About {
    id: "recording-gap",
    title: "Gap in the recording",
    meaning: "Between two moments of the movement nothing was recorded. What happened there is not judged.",
    inspect: "The logger: its supply, its buffer, the line to it. Nothing on the roof.",
    limit_origin: "Any stretch that the log itself marks as missing, or rows that stop and go on later.",
};

/// See the file's head.
pub(super) struct RecordingGap;

impl Check for RecordingGap {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn examine(&self, view: &View) -> Vec<Finding> {
        let cycle = view.cycle;
        let inside = cycle.recording.gaps.iter().filter(|gap| gap.to > cycle.start && gap.from < cycle.end);
        inside
            .map(|gap| {
                let seconds = (gap.to - gap.from).0;
                let why = match gap.cause {
                    Some(GapCause::Missing) => "frames are missing",
                    Some(GapCause::Dropped) => "the logger had to drop samples",
                    Some(GapCause::Restart) => "the logger started anew: its supply had gone",
                    Some(GapCause::Damaged) => "what arrived was damaged",
                    None => "the rows stop and go on later",
                };
                let step = view.step_at(gap.from);
                let within = step.map_or_else(String::new, |s| format!(" in `{}`", s.phase.name));
                Finding {
                    kind: ABOUT.id,
                    weight: Weight::Note,
                    phase: step.map(|s| s.run.phase),
                    signal: None,
                    at: gap.from,
                    until: Some(gap.to),
                    value: seconds,
                    unit: "s",
                    limit: None,
                    sure: 1.0,
                    message: format!("Nothing was recorded for {seconds:.2} s{within}: {why}."),
                }
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use crate::testing::Sketch;
    use foldwatch_units::Direction::*;

    #[test]
    fn inside_the_movement_only() {
        let gap = |from: f64, to: f64| Sketch::healthy(Opening).with(|s| s.gaps = vec![(from, to)]);
        assert_eq!(gap(12.0, 13.0).kinds(), ["recording-gap"]);
        assert!(gap(24.0, 25.0).kinds().is_empty());
    }
}
