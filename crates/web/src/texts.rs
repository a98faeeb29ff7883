//! Every text of the pages, in one place.

use foldwatch_fleet::Followed;
use foldwatch_score::CHECKS;
use foldwatch_units::Micros;
use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::query::{CarTrend, Matter};
use crate::reading::{self, Dates};
use crate::traces::ReferenceCycle;

pub const NAME: &str = "foldwatch";
pub const CARS: &str = "Cars";
pub const SKIP: &str = "Skip to the content";

pub const READ_NUMBERS: &str = "Numbers";
pub const READ_DATES: &str = "Dates";
pub const READ_PRESSURE: &str = "Pressure";
pub const READ_TEMPERATURE: &str = "Temperature";
pub const READ_SO: &str = "Show so";

pub const CAUTION: &str = "foldwatch only listens. Keep people clear of the moving roof; support a part-open roof before \
    reaching under it. Oil under pressure injures: open no line or relief screw before the pressure has gone. Fuse every \
    tap, and spare the pump long runs. The maker's procedure, local rules and licensed practice come first. What stands \
    here is an aid to judgment and no release for use.";
pub const CAUTION_BENCH: &str = "Keep people and hands clear of the roof's whole path. This page only shows; it can't \
    stop anything. Whoever holds the button watches the roof, not the page.";

pub const CAUSES: &str = "How likely each is, by all that this car's cycles showed. Two can be so at once: the shares need \
    not add up to 100 %.";
pub const EVIDENCE: &str = "A bag for a claim: everything that was recorded in a stretch of time, what follows from it, what it \
    was measured with, and a report, signed so that nobody can change it unseen. Whoever gets it can check all of it, with \
    foldwatch or without.";
pub const EVIDENCE_LIMITS: &str = "It shows what the sensors saw and that nobody has changed it since. It can't show who fitted \
    them, or that a sensor is right beyond its calibration.";
pub const NO_KEY: &str = "There is no key to sign with; the log tells why. Say in the settings where keys may be kept (`keys`), \
    outside the data's folder.";
/// What can be left out of a bag: the field's name, and in words.
pub const LEAVE_OUT: [(&str, &str); 3] = [
    (
        "without_owner",
        "what may tell whose car it is: its name, who wrote entries, and the originals, which carry names",
    ),
    ("without_service", "the service record"),
    ("without_originals", "the originals: then only you can show that the samples are what was recorded"),
];

/// A size for people.
pub fn size(bytes: u64) -> String {
    match bytes {
        0..1_000_000 => format!("{:.0} kB", bytes as f64 / 1e3),
        _ => format!("{:.1} MB", bytes as f64 / 1e6),
    }
}
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

pub const TREND_LEAD: &str = "Each ring is a cycle's number at the profile's oil temperature and supply; the small cross is the number as measured. \
                              Dashed: the limit. Solid: where it goes.";
pub const TREND_SPLIT: &str =
    "Work in the service record splits the history: what follows it is judged by itself.";
pub const FLEET: &str = "Fleet";
pub const FLEET_LEAD: &str = "Every car by where its numbers go: the first one is the first to book.";
pub const FLEET_RATE: &str = "Book: the watch alarms and the change holds among all numbers of all cars, with no more than 1 in 20 such calls \
                              false (Benjamini-Hochberg), or the limit is passed. Look again: the watch alarms, which among so many may be chance.";
pub const TOLD: &str = "Messages";
pub const TOLD_ONCE: &str = "Each matter is told once by each way. Work in the service record ends it; after that it can be told anew.";
pub const TOLD_NOTHING: &str = "Nobody had to be told of anything so far.";
pub const TOLD_NOT_YET: &str = "Not yet: seen too seldom, or quiet hours.";
pub const TOLD_ENDED: &str = "(ended)";
pub const CALL_BOOK: &str = "Book";
pub const CALL_LOOK: &str = "Look again";
pub const CALL_NONE: &str = "Nothing to do";
pub const TOO_FEW_KIN: &str = "Fewer than five cars of this kind to compare with.";
pub const COMPARE: &str = "Compare";
pub const COMPARE_LEAD: &str = "Each number at reference conditions, the cycles next to it on both sides. What is worth knowing is a change of 5 %.";
pub const BEFORE_AFTER: &str = "Before and after";
pub const BESIDE_KIND: &str = "Beside cars of its kind";
pub const NO_SERVICE: &str = "No work on this car is in its service record, so there is no before and after.";
pub const TO_RECORD: &str = "Write down what was done, and when.";
pub const ANOTHER_MOMENT: &str = "Another moment (UTC)";
pub const RECORD: &str = "Service record and notes";
pub const NOTHING_WRITTEN: &str = "Nothing was written yet.";
pub const WRITE_ENTRY: &str = "Write an entry";
pub const WRITE_LEAD: &str = "Work on the roof splits the history: what follows is judged by itself, and compared with what was before. Nothing is \
                              ever overwritten: a correction is a new entry.";
pub const ENTRY_KIND: &str = "What it is";
pub const KIND_SERVICE: &str = "Work that was done";
pub const KIND_NOTE: &str = "A note";
pub const ENTRY_SUBJECT: &str = "What was done, or noted";
pub const ENTRY_AT: &str = "When (UTC; empty: now)";
pub const ENTRY_TEXT: &str = "What else is worth knowing";
pub const ENTRY_CORRECTS: &str = "In place of entry number";
pub const ENTRY_CSV: &str =
    "Lines of a CSV with the columns at and subject, and if wanted kind, text and author";
pub const MANY_ENTRIES: &str = "Many entries at once";
pub const RECORD_CSV: &str = "The record as CSV";
pub const TAKE_IN: &str = "Take them in";
pub const CORRECTED: &str = "Corrected later: it no longer counts.";
/// Offered while one writes; any words will do.
pub const USUAL_WORK: [&str; 7] = [
    "oil changed",
    "system bled",
    "cylinder resealed",
    "switch adjusted",
    "valve replaced",
    "pump replaced",
    "wiring repaired",
];

pub const GUIDE: &str = "Fit and test";
pub const GUIDE_LEAD: &str = "Each of these says what to do, step by step, watches the signals while you do it, and is kept with the \
    car. foldwatch only listens: you move the roof.";
pub const GUIDE_STEPS: &str = "All steps";
pub const GUIDE_WITHOUT_SCRIPT: &str = "This page follows the signals by itself only with scripts.";
pub const LOOK_AGAIN: &str = "Look again";
pub const NEVER_DONE: &str = "Not done on this car yet.";
pub const LAST_RECORD: &str = "What it gave";
pub const BEGIN: &str = "Begin";
pub const ALL_ANSWERED: &str = "all steps answered";
pub const PORTS: &str = "Ports";
pub const PORTS_LEAD: &str = "Where foldwatch listens, and which car each logger sits in. It only listens: a logger keeps what it \
    has until its car is known.";
pub const PICK_PORT: &str = "Pick a port";
pub const NO_SERIAL_PORT: &str = "This machine has no serial port just now. Plug the logger in, wait a moment, and look again. Its adapter may need a driver.";
pub const NOT_LISTENED: &str = "Nobody listens here.";
pub const LISTEN_HERE: &str = "Listen here";
pub const SPEED: &str = "Speed, baud";
pub const LOGGER: &str = "Logger";
pub const SITS_IN: &str = "in";
pub const ANSWERS_HERE: &str = "answers here. No car names it yet, so it keeps what it records.";
pub const SITS_IN_WHICH: &str = "Which car does it sit in?";
pub const IT_SITS_THERE: &str = "It sits there";
pub const NO_LOGGER_YET: &str = "No logger has introduced itself here.";
pub const HOW_FAR: &str = "How far it is";
pub const STOP_MAKING: &str = "Stop it";
pub const WHO: &str = "Who did it";
pub const WHO_LOOKED: &str = "Who looked";
pub const GUIDE_RESUMED: &str = "foldwatch was started anew while this step was due: what was answered before is kept, this step begins again.";
pub const KEEP: &str = "Keep it with the car";
pub const KEEP_SO_FAR: &str = "End here and keep it";
pub const DROP: &str = "End without keeping";
pub const DUE: &str = "now";
pub const AHEAD: &str = "to come";

/// A button's word.
pub fn press(press: foldwatch_guide::Press) -> &'static str {
    use foldwatch_guide::Press;
    match press {
        Press::DidNot => "It did not happen",
        Press::WrongWay => "It reads the wrong way round",
        Press::Skip => "Leave this step out",
        Press::Again => "The step before again",
    }
}

/// With a capital at its beginning.
pub fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// How a step or a test went.
pub fn grade(word: &str) -> &'static str {
    match word {
        "passed" => "passed",
        "passed-with-remarks" => "passed, with remarks",
        "left-out" => "left out",
        "remark" => "worth knowing",
        "broken-off" => "broken off",
        _ => "not as it should be",
    }
}

pub const BENCH: &str = "Bench";
pub const LIVE: &str = "Live.";
pub const LIVE_LOST: &str =
    "The connection to foldwatch is lost; what stands here is old. It is tried again by itself.";
pub const WITHOUT_SCRIPT: &str =
    "This page goes on by itself only with scripts; load it again for the newest state.";
pub const AT_REST: &str = "at rest";
pub const HOLDING: &str = "done, holding";
pub const NOT_HEARD: &str = "not heard yet";
pub const NOTHING: &str = "nothing";
pub const WAITING_FOR: &str = "waiting for";
pub const TO_BE_MADE: &str = "to be made";
pub const TO_LET_GO: &str = "to let go";
pub const THIS_STEP: &str = "this step";
pub const EXPECTED: &str = "expected";
pub const LIMIT: &str = "limit";
pub const PUMP_MAY_RUN: &str = "pump may run";
pub const STEP_AGAINST_LIMIT: &str = "this step against its limit";
pub const STEP_TOO_LONG: &str = "This step takes longer than its limit.";
pub const PUMP_TOO_LONG: &str = "The pump has run longer than it may: let go of the button and let it cool.";
pub const FIRST_VERDICT: &str = "First verdict on";
pub const VERDICT: &str = "Verdict on";
pub const SIGNALS: &str = "signals";
pub const STATES: &str = "demand, pump, valves, switches";
pub const STEPS: &str = "steps";
pub const JUST_NOW: &str = "Just now";
pub const JUST_NOW_EMPTY: &str = "The verdict of each cycle appears here when it is over.";

pub const FOUND: &str = "What was found";
pub const SHOW_PLACE: &str = "Show the place";
pub const FROM_PART_WAY: &str = "It did not begin in its end position";
pub const MISSING: &str = "Missing";
pub const PART_OF_CYCLE: &str = "part of the cycle";
pub const WHOLE_CYCLE: &str = "Whole cycle";
pub const CLOSER: &str = "Closer";
pub const WIDER: &str = "Wider";
pub const EARLIER: &str = "Earlier";
pub const LATER: &str = "Later";
pub const ZOOM_HINT: &str = "Drag a picture to move along. Closer and wider: Ctrl and wheel, two fingers, double click, or + and -. \
    Arrow keys move the cursor, [ and ] the stretch, 0 shows the whole cycle.";
pub const TAKE_SHOWN: &str = "What is shown, to take along:";
pub const TAKE_ALONG: &str = "Take it along";
pub const VERDICT_JSON: &str = "verdict (JSON)";
pub const WITHOUT_REFERENCE: &str = "Hide the sound cycle";
pub const WITH_REFERENCE: &str = "Show a sound cycle beside it";
pub const NO_REFERENCE: &str = "There is no sound earlier cycle of this direction to lay beside it yet.";

pub const RUN_SHEET: &str = "Run sheet";
pub const RUN_SHEET_NOTE: &str = "One row a step. Thin line: expected end at this oil temperature and supply. Bracket: \
    limit. Hatched: the end was not confirmed in time.";
pub const LANES: &str = "Pressure, current, supply";
pub const LANES_NOTE: &str = "Shaded: every second step.";
pub const SWITCHES: &str = "Demand, pump, valves, switches";
pub const SWITCHES_NOTE: &str = "A bar while it is given, on, energised or made.";
pub const WEEK: &str = "The week at a glance";
pub const WEEK_NOTE: &str = "One mark a cycle, at its hour. Ring: sound. Diamond: note. Triangle: attend. Square: stop \
    using. Choose a mark to see its cycle.";

/// What the line beside each lane's own is.
pub fn reference_note(reference: Option<&ReferenceCycle>) -> String {
    let Some(cycle) = reference else { return String::new() };
    let oil = cycle.oil_temperature_c.map_or(String::new(), |c| format!(", oil at {}", quantity(c, "°C")));
    format!(
        "Thin grey line: a sound cycle of this car, {}{oil}, each step stretched to begin and end with this one's.",
        short_moment(&cycle.start)
    )
}

/// A weight in words.
pub fn weight(word: &str) -> &'static str {
    match word {
        "stop-using" => "stop using",
        "attend" => "attend",
        _ => "note",
    }
}

/// A direction as a heading.
pub fn way(direction: &str) -> &'static str {
    if direction == "opening" { "Opening" } else { "Closing" }
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

/// In how many cycles a matter was seen; the last one follows.
pub fn matter_seen(cycles: u32) -> String {
    match cycles {
        1 => "once,".to_owned(),
        n => format!("in {n} cycles, last"),
    }
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
    format!("{} s", fixed(value, 2))
}

/// A number with so many decimals, with the reader's decimal sign.
pub fn fixed(value: f64, decimals: usize) -> String {
    reading::now().sign(no_signed_zero(format!("{value:.decimals$}")))
}

/// What rounds to nothing has no sign.
fn no_signed_zero(text: String) -> String {
    match text.bytes().any(|byte| matches!(byte, b'1'..=b'9')) {
        true => text,
        false => text.trim_start_matches(['-', '+']).to_owned(),
    }
}

/// A number and its unit, in the reader's units.
pub fn quantity(value: f64, unit: &str) -> String {
    let (name, factor, offset) = reading::now().unit(unit);
    let text = number(value * factor + offset);
    if name.is_empty() { text } else { format!("{text} {name}") }
}

/// A difference or an uncertainty in the reader's units, without the unit's name.
pub fn spread(value: f64, unit: &str) -> String {
    number(value * reading::now().unit(unit).1)
}

/// A sentence that was written with a decimal point, bar and °C, as this reader wants it.
pub fn said(text: &str) -> String {
    let reading = reading::now();
    if reading == reading::USUAL {
        return text.to_owned();
    }
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(begin) = rest.find(|c: char| c.is_ascii_digit()) {
        let inside_a_word =
            rest[..begin].chars().next_back().is_some_and(|c| c.is_alphanumeric() || c == '_');
        let length = number_length(&rest[begin..]);
        let (before, found) = (&rest[..begin], &rest[begin..begin + length]);
        rest = &rest[begin + length..];
        let unit = ["bar", "°C"].into_iter().find(|unit| {
            let after = rest.strip_prefix(' ').and_then(|r| r.strip_prefix(unit));
            after.is_some_and(|r| !r.starts_with(char::is_alphanumeric))
        });
        match (unit, found.parse::<f64>()) {
            (Some(unit), Ok(value)) if !inside_a_word => {
                let (name, factor, offset) = reading.unit(unit);
                let negative = before.ends_with('-');
                out.push_str(if negative { &before[..before.len() - 1] } else { before });
                let value = if negative { -value } else { value } * factor + offset;
                let decimals = found.split_once('.').map_or(0, |(_, d)| d.len());
                // One psi is a fifteenth of a bar: a decimal fewer says as much.
                let decimals =
                    if unit == "bar" && reading.psi { decimals.saturating_sub(1) } else { decimals };
                out.push_str(&fixed(value, decimals));
                out.push(' ');
                out.push_str(&name);
                rest = &rest[1 + unit.len()..];
            }
            _ => {
                out.push_str(before);
                out.push_str(&if inside_a_word { found.to_owned() } else { reading.sign(found.to_owned()) });
            }
        }
    }
    out.push_str(rest);
    out
}

/// Digits, and a point with digits behind it.
fn number_length(text: &str) -> usize {
    let digits = |t: &str| t.bytes().take_while(u8::is_ascii_digit).count();
    let whole = digits(text);
    match text.get(whole + 1..).map(digits) {
        Some(n) if n > 0 && text[whole..].starts_with('.') => whole + 1 + n,
        _ => whole,
    }
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
    let text = match text.contains('.') {
        true => text.trim_end_matches('0').trim_end_matches('.').to_owned(),
        false => text,
    };
    reading::now().sign(text)
}

/// A change with its sign, in the reader's way.
pub fn signed(value: f64, decimals: usize) -> String {
    reading::now().sign(no_signed_zero(format!("{value:+.decimals$}")))
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
    date(
        text,
        match reading::now().dates {
            Dates::Day => "%-d %b %Y, %H:%M:%S UTC",
            Dates::Month => "%b %-d, %Y, %H:%M:%S UTC",
            Dates::Year => "%Y-%m-%d, %H:%M:%S UTC",
        },
    )
}

/// A moment without its year.
pub fn short_moment(text: &str) -> String {
    date(
        text,
        match reading::now().dates {
            Dates::Day => "%a %-d %b, %H:%M",
            Dates::Month => "%a %b %-d, %H:%M",
            Dates::Year => "%a %m-%d, %H:%M",
        },
    )
}

fn date(text: &str, format: &str) -> String {
    match text.parse::<Timestamp>() {
        Ok(stamp) => TimeZone::UTC.to_datetime(stamp).strftime(format).to_string(),
        Err(_) => text.to_owned(),
    }
}

/// A day.
pub fn day_of_week(at: Micros) -> String {
    let format = match reading::now().dates {
        Dates::Day => "%a %-d %b",
        Dates::Month => "%a %b %-d",
        Dates::Year => "%a %m-%d",
    };
    date(&foldwatch_report::rfc3339(at), format)
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

/// How a number develops, in a sentence.
pub fn trend_sentence(number: &CarTrend) -> String {
    let left_out = match number.left_out {
        0 => String::new(),
        1 => " 1 run was left out: its end or its conditions are not known.".to_owned(),
        n => format!(" {n} runs were left out: their ends or conditions are not known."),
    };
    let Some(trend) = &number.trend else { return left_out.trim().to_owned() };
    let unit = &number.of.unit;
    let space = if unit.is_empty() { "" } else { " " };
    let slope = match &trend.slope {
        None => format!("{} cycles: too few for a slope.", trend.cycles),
        Some(slope) => {
            let per = slope.per_100_cycles;
            let time = number.what.measure == Followed::Time;
            let word = match (per.low > 0.0 || per.high < 0.0, per.value > 0.0) {
                (false, _) => "No change shown",
                (true, true) if time => "Getting slower",
                (true, false) if time => "Getting faster",
                (true, true) => "Rising",
                (true, false) => "Falling",
            };
            format!(
                "{word}: {}{space}{unit} per 100 cycles (95 %: {} to {}), over {} cycles.",
                signed(per.value, 3),
                signed(per.low, 3),
                signed(per.high, 3),
                number.stretch
            )
        }
    };
    let level = fixed(trend.level, 2);
    match number.limit {
        Some(limit) => format!(
            "Now {level}{space}{unit} at reference conditions, limit {}{space}{unit}. {slope} Reaches the limit: \
             {}.{left_out}",
            fixed(limit, 2),
            said(&trend.forecast.words)
        ),
        None => format!("Now {level}{space}{unit} at reference conditions. {slope}{left_out}"),
    }
}

/// How an entry's kind is shown.
pub fn entry_kind(kind: &str) -> &'static str {
    match kind {
        "service" => "Work",
        "check" => "Check",
        _ => "Note",
    }
}

/// What a number is of: "closing, Lower lid", "opening, hold of the pressure".
pub fn followed(of: &foldwatch_report::trend::Of) -> String {
    format!("{}, {}", of.direction, followed_here(of))
}

/// The same where the direction stands above it.
pub fn followed_here(of: &foldwatch_report::trend::Of) -> String {
    let measure = match of.measure.as_str() {
        "volumetric-efficiency" => "delivery used (volumetric efficiency)",
        "hold-time-constant" => "hold of the pressure (time constant)",
        "run-on" => "run-on of the pump",
        other => other,
    };
    match (&of.phase, of.measure.as_str()) {
        (Some(phase), "time") => phase.clone(),
        (Some(phase), _) => format!("{phase}: {measure}"),
        (None, _) => measure.to_owned(),
    }
}

/// While histories are being read.
pub fn fleet_waiting(cars: usize) -> String {
    match cars {
        1 => "The history of one car is still being read.".to_owned(),
        n => format!("The histories of {n} cars are still being read."),
    }
}

/// Where the list is empty.
pub fn fleet_empty(cars: usize) -> &'static str {
    if cars == 0 {
        NO_CARS
    } else {
        "No number of these cars can be followed yet: that takes cycles whose steps can be timed."
    }
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

    #[tokio::test]
    async fn sentences_are_read_in_the_readers_way() {
        let psi = reading::Reading { comma: true, psi: true, fahrenheit: true, ..reading::USUAL };
        let written = "At -2.5 °C `p1.x` fell from 150.0 bar to 12 bar in 1.25 s, 3 bars. 7.";
        let read = "At 27,5 °F `p1.x` fell from 2176 psi to 174 psi in 1,25 s, 3 bars. 7.";
        assert_eq!(reading::as_if(psi, || said(written)), read);
        assert_eq!(said(written), written);
    }

    #[test]
    fn moments_are_read_in_utc() {
        assert_eq!(moment("2025-06-02T08:03:04.250000Z"), "2 Jun 2025, 08:03:04 UTC");
        assert_eq!(moment("rubbish"), "rubbish");
    }
}
