//! Cars and one car: what was found, what may be behind it, its week.

use foldwatch_score::CHECKS;

use crate::query::Matter;
use crate::texts::quantity;

pub const LOGGERS: &str = "Loggers";
pub const LAST_MOVED: &str = "Last moved";
pub const PERIOD: &str = "period";
/// What the car's page may speak of: the address's word, and in words.
pub const PERIODS: [(&str, &str); 3] =
    [("week", "Its last week"), ("month", "Its last month"), ("all", "All")];
pub const LAST: &str = "Last:";
pub const ALL_WITH_IT: &str = "All cycles with it";
pub const WHAT_IT_MEANS: &str = "What it means, what to look at";
pub const LOOK_FIRST: &str = "Look at first:";
pub const LIMIT_ORIGIN: &str = "Where the limit comes from:";
pub const BEHIND: &str = "What may be behind it";
pub const UNEXPLAINED: &str = "The likeliest of them does not explain:";
pub const SPEAKS_FOR: &str = "Speaks for it:";
pub const SPEAKS_AGAINST: &str = "Speaks against it:";
pub const NEXT_CHECK: &str = "Look at this next";
pub const WHAT_DID_IT_SHOW: &str = "What did it show? It is kept with the car, and the ranking moves:";
pub const THEN: &str = "then:";
pub const CYCLES: &str = "Cycles";
pub const ONLY_WITH: &str = "Only those with:";
pub const SHOW_ALL: &str = "Show all";
pub const OLDER_CYCLES: &str = "There are older cycles: choose a longer period, or take the tables.";
pub const BEGAN: &str = "Began (UTC)";
pub const DIRECTION: &str = "Direction";
pub const OUTCOME: &str = "Outcome";
pub const STEP_TIMES: &str = "Steps, s";
pub const FOUND_IN_IT: &str = "Found";
pub const SOUND: &str = "sound";
pub const STEP_MARKS: &str =
    "Steps in the order they were run. ? its end was not confirmed in time. ! over its limit.";
pub const OVER_LIMIT: &str = "over its limit";
pub const AS_TABLES: &str = "As tables (CSV, UTC, units in the header):";
/// The tables: the address's word, and in words.
pub const TABLES: [(&str, &str); 4] =
    [("cycles", "cycles"), ("phases", "steps"), ("findings", "findings"), ("measures", "measures")];
pub const FOR_A_CLAIM: [&str; 3] = ["For a claim: ", "a signed bag of evidence", "."];
pub const CAUSES: &str = "How likely each is, by all that this car's cycles showed. Two can be so at once: the shares need \
    not add up to 100 %.";
pub const AID: &str = "An aid to judgment: the maker's procedure and licensed practice come first.";

/// What can hurt in a check.
pub fn hazard(hazard: &str) -> &'static str {
    match hazard {
        "pressure" => "Hazard: oil under pressure.",
        "moving-roof" => "Hazard: the roof moves.",
        "electric" => "Hazard: electricity.",
        _ => "",
    }
}

pub const NO_CYCLES_SHOWN: &str = "No cycle fits. Show all of them instead.";
pub const FOUND_TOGETHER: &str =
    "No cycle by itself is out of order. What all of them show together stands below.";
pub const NO_FINDINGS: &str = "Nothing was found.";
pub const WEEK: &str = "The week at a glance";
pub const WEEK_NOTE: &str = "One mark a cycle, at its hour. Ring: sound. Diamond: note. Triangle: attend. Square: stop \
    using. Choose a mark to see its cycle.";

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

/// What stands in the way of a cycle that was refused.
pub fn missing(signals: &[String]) -> String {
    format!("{} missing", signals.join(", "))
}

/// That a list goes on.
pub fn and_more(n: usize) -> String {
    format!("and {n} more")
}

/// The list is cut.
pub fn newest_of(shown: usize, all: usize) -> String {
    format!("The newest {shown} of {all} are shown; the table below holds all.")
}

/// So many verdicts can't be read.
pub fn unread(n: usize) -> String {
    match n {
        1 => "The verdict of one cycle can't be read: its record on the disk is damaged.".to_owned(),
        n => format!("The verdicts of {n} cycles can't be read: their records on the disk are damaged."),
    }
}

pub const UNREAD_LEFT_OUT: &str = "What is said here leaves them out, and a table of a time that holds one breaks off. \
    Samples are kept apart. Make a back-up, which reads everything through, and have the disk looked at. They began:";

/// "Nothing was found in 12 cycles."
pub fn nothing_found_in(cycles: usize) -> String {
    format!("{NO_FINDINGS} {cycles} cycles.")
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
        Some((n, edge)) => format!(", {n} of them below {}", quantity(edge, "°C")),
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

pub const WHO_LOOKED: &str = "Who looked";

#[cfg(test)]
mod tests {
    use super::*;

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
}
