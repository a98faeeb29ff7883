//! The logger: heard, with the channels that the roof has, with room, supply and a clock.

use foldwatch_units::{Seconds, Volts};

use super::Watch;
use crate::{Answer, Grade, Seen, words};

/// What a logger says of itself.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct LoggerFacts {
    /// Its name; `None`: it has not introduced itself.
    pub name: Option<String>,
    /// Version of its firmware.
    pub firmware: String,
    /// The ids of its channels.
    pub channels: Vec<String>,
    /// How full its memory is, 0 to 1.
    pub fill: Option<f64>,
    /// Rows dropped since it started, because there was no room.
    pub dropped: Option<u32>,
    /// Its own supply.
    pub supply: Option<Volts>,
    /// Whether its time can be told as a date, and with which residual, if exchanges of time say so.
    pub dated: bool,
    /// Residual of the clock's line.
    pub residual: Option<Seconds>,
}

/// A memory fuller than this will not take a night. Judgment.
const FULL: f64 = 0.8;
/// A clock that is off by more than this blurs what is compared with other records. Judgment.
const BLURRED: Seconds = Seconds(1.0);

#[derive(Debug, Default)]
pub(crate) struct Logger {
    heard: Option<LoggerFacts>,
}

impl Watch for Logger {
    fn begin(&mut self) {}

    fn look(&mut self, _: &Seen<'_>) -> Option<Answer> {
        None
    }

    fn logger(&mut self, facts: &LoggerFacts, seen: &Seen<'_>) -> Option<Answer> {
        self.heard = Some(facts.clone());
        // Its state of health and the time come a moment after its name.
        let whole = facts.name.is_some() && facts.fill.is_some() && facts.dated;
        whole.then(|| judge(facts, seen))
    }

    fn says(&self, _: &Seen<'_>) -> String {
        words::logger_so_far(self.heard.as_ref())
    }

    fn did_not(&mut self, seen: &Seen<'_>) -> Answer {
        match &self.heard {
            Some(facts) if facts.name.is_some() => judge(facts, seen),
            _ => Answer::new(Grade::Failed, words::LOGGER_SILENT),
        }
    }

    fn needs_no_samples(&self) -> bool {
        true
    }
}

fn judge(facts: &LoggerFacts, seen: &Seen<'_>) -> Answer {
    let mut says = vec![words::logger_is(facts)];
    let mut grade = Grade::Passed;
    let known = |id: &str| seen.profile.find(id).is_some();
    let absent: Vec<&str> = seen
        .profile
        .signals
        .iter()
        .filter(|s| !facts.channels.contains(&s.id))
        .map(|s| s.label.as_str())
        .collect();
    let strange: Vec<&str> = facts.channels.iter().map(String::as_str).filter(|id| !known(id)).collect();
    let mut remark = |text: Option<String>| {
        if let Some(text) = text {
            grade = grade.max(Grade::Remark);
            says.push(text);
        }
    };
    remark((!absent.is_empty()).then(|| words::channels_absent(&absent)));
    remark((!strange.is_empty()).then(|| words::channels_strange(&strange)));
    remark(facts.fill.filter(|fill| *fill > FULL).map(words::memory_full));
    remark(facts.dropped.filter(|n| *n > 0).map(words::rows_dropped));
    remark(facts.fill.is_none().then(|| words::NO_HEALTH.to_owned()));
    remark((!facts.dated).then(|| words::NO_DATE.to_owned()));
    remark(facts.residual.filter(|r| r.0 > BLURRED.0).map(words::clock_blurred));
    Answer::new(grade, says.join(" "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::watch::testing::Bed;

    fn facts(bed: &Bed) -> LoggerFacts {
        LoggerFacts {
            name: Some("box 3".into()),
            firmware: "1.2".into(),
            channels: bed.profile.signals.iter().map(|s| s.id.clone()).collect(),
            fill: Some(0.1),
            dropped: Some(0),
            supply: Some(Volts(12.4)),
            dated: true,
            residual: Some(Seconds(0.002)),
        }
    }

    #[test]
    fn a_logger_that_has_everything_passes() {
        let bed = Bed::new();
        let answer = Logger::default().logger(&facts(&bed), &bed.seen()).unwrap();
        assert_eq!(answer.grade, Grade::Passed, "{}", answer.says);
    }

    #[test]
    fn what_is_missing_is_named() {
        let bed = Bed::new();
        let mut some = facts(&bed);
        some.channels.retain(|id| id != "pressure");
        some.channels.push("mystery".into());
        some.fill = Some(0.9);
        some.dropped = Some(7);
        let answer = Logger::default().logger(&some, &bed.seen()).unwrap();
        assert_eq!(answer.grade, Grade::Remark);
        for part in ["supply pressure", "mystery", "90 %", "7 rows"] {
            assert!(answer.says.contains(part), "{part}: {}", answer.says);
        }
        assert_eq!(Logger::default().did_not(&bed.seen()).grade, Grade::Failed);
    }
}
