//! Every text of the pages, in one place.

use foldwatch_score::CHECKS;
use foldwatch_trend::words;
use foldwatch_units::Micros;
use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::query::{Matter, StepTrend};

pub const NAME: &str = "foldwatch";
pub const CARS: &str = "Cars";
pub const SKIP: &str = "Skip to the content";

pub const CAUTION: &str = "foldwatch only listens. Keep people clear of the moving roof; support a part-open roof before \
    reaching under it. Oil under pressure injures: open no line or relief screw before the pressure has gone. Fuse every \
    tap, and spare the pump long runs. The maker's procedure, local rules and licensed practice come first. What stands \
    here is an aid to judgment and no release for use.";
pub const CAUTION_BENCH: &str = "Keep people and hands clear of the roof's whole path. This page only shows; it can't \
    stop anything. Whoever holds the button watches the roof, not the page.";

pub const CAUSES: &str = "How likely each is, by all that this car's cycles showed. Two can be so at once: the shares need \
    not add up to 100 %.";
pub const AID: &str = "An aid to judgment: the maker's procedure and licensed practice come first.";

/// What can hurt in a check.
pub fn hazard(hazard: &str) -> &'static str {
    match hazard {
        "pressure" => "Oil under pressure.",
        "moving-roof" => "The roof moves.",
        "electric" => "Electric.",
        _ => "",
    }
}

pub const NO_CARS: &str = "No car has been entered yet. Attach a logger and start foldwatch with its profile; the car \
    appears here with its first frame.";
pub const NO_CYCLES: &str = "No movement of the roof has been recorded yet. Connect the logger and open or close the \
    roof once; the cycle appears here a few seconds after it ended.";
pub const NO_CYCLES_SHOWN: &str = "No cycle fits. Show all of them instead.";
pub const NO_FINDINGS: &str = "Nothing was found.";
pub const NO_STEPS: &str = "No step was run in this cycle.";
pub const NO_NUMBERS: &str = "No pressure, current or other number is recorded on this car.";
pub const NO_STATES: &str = "No switch, valve or pump state is recorded on this car.";
pub const NO_SAMPLES: &str = "No samples are kept for this time. The verdict below was made when they were.";
pub const SAMPLES_FAILED: &str = "The samples of this time can't be read; the log tells why. The verdict below does not \
    depend on it.";
pub const NO_TIMES: &str = "No time of this step can be compared yet: it needs a run whose end is known and, for the \
    correction, oil temperature or supply.";
pub const NO_LIVE: &str = "Nothing has been heard from this car's logger since foldwatch started. Check that it is \
    plugged in and powered; this page goes live by itself.";
pub const NO_PORTS: &str = "No port is listened to: foldwatch shows what was recorded before.";
pub const NOT_RECORDED: &str = "not recorded";

pub const RUN_SHEET: &str = "Run sheet";
pub const RUN_SHEET_NOTE: &str = "One row a step. Thin line: expected end at this oil temperature and supply. Bracket: \
    limit. Hatched: the end was not confirmed in time.";
pub const LANES: &str = "Pressure, current, supply";
pub const LANES_NOTE: &str =
    "Shaded: every second step. Choose a step's row above to look at it more closely.";
pub const SWITCHES: &str = "Demand, pump, valves, switches";
pub const SWITCHES_NOTE: &str = "A bar while it is given, on, energised or made.";
pub const WEEK: &str = "The week at a glance";
pub const WEEK_NOTE: &str = "One mark a cycle, at its hour. Ring: sound. Diamond: note. Triangle: attend. Square: stop \
    using. Choose a mark to see its cycle.";

/// A weight in words.
pub fn weight(word: &str) -> &'static str {
    match word {
        "stop-using" => "stop using",
        "attend" => "attend",
        _ => "note",
    }
}

/// An outcome in words.
pub fn outcome(word: &str) -> String {
    match word {
        "stopped-by-operator" => "stopped by the operator".to_owned(),
        "given-up" => "given up by the control unit".to_owned(),
        "power-lost" => "power lost".to_owned(),
        "recording-gap" => "not fully recorded".to_owned(),
        "service-run" => "service run".to_owned(),
        other => other.to_owned(),
    }
}

/// How a step was confirmed, in words.
pub fn confirmation(word: &str) -> &'static str {
    match word {
        "confirmed" => "confirmed",
        "late" => "confirmed late",
        "inferred" => "end inferred",
        _ => "not confirmed",
    }
}

/// What it means that a signal is on.
pub fn on_word(kind: &str) -> &'static str {
    match kind {
        "demand" => "given",
        "valve" => "energised",
        "pump" => "on",
        _ => "made",
    }
}

/// The name of a kind of finding, for headings.
pub fn kind(kind: &str) -> String {
    CHECKS
        .iter()
        .map(|c| c.about())
        .find(|a| a.id == kind)
        .map_or_else(|| kind.replace('-', " "), |about| about.title.to_owned())
}

/// What a kind of finding says, and what to look at first.
pub fn kind_help(kind: &str) -> Option<(&'static str, &'static str, &'static str)> {
    CHECKS.iter().map(|c| c.about()).find(|a| a.id == kind).map(|a| (a.meaning, a.inspect, a.limit_origin))
}

/// A measure's name for people.
pub fn measure(id: &str) -> String {
    let mut text = id.replace('-', " ");
    if let Some(first) = text.get(..1).map(str::to_uppercase) {
        text.replace_range(..1, &first);
    }
    text
}

/// Seconds as they are read.
pub fn secs(value: f64) -> String {
    format!("{value:.2} s")
}

/// A number to three figures, as it is read.
pub fn number(value: f64) -> String {
    let size = value.abs();
    let text = match size {
        s if s >= 100.0 => format!("{value:.0}"),
        s if s >= 10.0 => format!("{value:.1}"),
        s if s >= 0.1 || s == 0.0 => format!("{value:.2}"),
        _ => format!("{value:.4}"),
    };
    match text.contains('.') {
        true => text.trim_end_matches('0').trim_end_matches('.').to_owned(),
        false => text,
    }
}

/// A share that is said as how sure one is.
pub fn sure(value: f64) -> &'static str {
    match value {
        v if v >= 0.95 => "as good as certain",
        v if v >= 0.8 => "fairly sure",
        v if v >= 0.6 => "more likely than not",
        _ => "a suspicion",
    }
}

/// A moment, RFC 3339, as it is read.
pub fn moment(text: &str) -> String {
    date(text, "%-d %b %Y, %H:%M:%S UTC")
}

/// A moment without its year.
pub fn short_moment(text: &str) -> String {
    date(text, "%a %-d %b, %H:%M")
}

fn date(text: &str, format: &str) -> String {
    match text.parse::<Timestamp>() {
        Ok(stamp) => TimeZone::UTC.to_datetime(stamp).strftime(format).to_string(),
        Err(_) => text.to_owned(),
    }
}

/// A day.
pub fn day_of_week(at: Micros) -> String {
    date(&foldwatch_report::rfc3339(at), "%a %-d %b")
}

/// "no findings", "1 finding", "3 findings".
pub fn findings_count(n: usize) -> String {
    match n {
        0 => "no findings".to_owned(),
        1 => "1 finding".to_owned(),
        n => format!("{n} findings"),
    }
}

/// "in 7 of 41 closings, 6 of them below 8 °C".
pub fn matter_count(matter: &Matter) -> String {
    let what = match (matter.direction.as_deref(), matter.of) {
        (Some("opening"), 1) => "opening",
        (Some("opening"), _) => "openings",
        (Some(_), 1) => "closing",
        (Some(_), _) => "closings",
        (None, 1) => "cycle",
        (None, _) => "cycles",
    };
    let cold = match matter.cold {
        Some((n, edge)) => format!(", {n} of them below {edge:.0} °C"),
        None => String::new(),
    };
    format!("in {} of {} {what}{cold}", matter.cycles, matter.of)
}

/// What stands out on a car, in one sentence.
pub fn car_summary(stop: usize, attend: usize, note: usize, cycles: usize) -> String {
    let cycles = if cycles == 1 { "the last cycle".to_owned() } else { format!("the last {cycles} cycles") };
    match (stop, attend, note) {
        (0, 0, 0) => format!("Nothing was found in {cycles}."),
        (0, 0, n) => format!("{} worth knowing in {cycles}; nothing to do today.", things(n)),
        (0, a, _) => format!("{} to attend to in {cycles}.", things(a)),
        (s, _, _) => format!("Stop using the roof: {} in {cycles} say so.", s),
    }
}

fn things(n: usize) -> String {
    if n == 1 { "One thing".to_owned() } else { format!("{n} things") }
}

/// How a step's time develops, in a sentence.
pub fn trend_sentence(trend: &StepTrend) -> String {
    let left_out = match trend.left_out {
        0 => String::new(),
        1 => " 1 run was left out: its end or its conditions are not known.".to_owned(),
        n => format!(" {n} runs were left out: their ends or conditions are not known."),
    };
    let Some(a) = &trend.assessment else { return left_out.trim().to_owned() };
    let slope = match a.slope {
        None => format!("{} cycles: too few for a slope.", a.cycles),
        Some(slope) => {
            let per = slope.per_100_cycles;
            let word = match per.excludes_zero() {
                true if per.value > 0.0 => "Getting slower",
                true => "Getting faster",
                false => "No change shown",
            };
            format!(
                "{word}: {:+.3} s per 100 cycles (95 %: {:+.3} to {:+.3}), over {} cycles.",
                per.value, per.low, per.high, a.stretch
            )
        }
    };
    let when = words::forecast(&a.forecast, trend.now);
    format!(
        "Now {} at reference conditions, limit {}. {slope} Reaches the limit: {when}.{left_out}",
        secs(a.level),
        secs(trend.limit_s)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_read_to_three_figures() {
        let read: Vec<String> = [0.0, 0.0012, 0.25, 3.0, 12.34, 151.6, -4.5].map(number).to_vec();
        assert_eq!(read, ["0", "0.0012", "0.25", "3", "12.3", "152", "-4.5"]);
    }

    #[test]
    fn a_matter_is_counted_in_words() {
        let matter = Matter {
            kind: "slow-phase".into(),
            phase: None,
            signal: None,
            weight: "attend".into(),
            cycles: 7,
            of: 41,
            direction: Some("closing".into()),
            cold: Some((6, 8.0)),
            newest: (String::new(), String::new()),
        };
        assert_eq!(matter_count(&matter), "in 7 of 41 closings, 6 of them below 8 °C");
    }

    #[test]
    fn moments_are_read_in_utc() {
        assert_eq!(moment("2025-06-02T08:03:04.250000Z"), "2 Jun 2025, 08:03:04 UTC");
        assert_eq!(moment("rubbish"), "rubbish");
    }
}
