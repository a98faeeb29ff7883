//! One cycle: findings, pictures, steps, measures.

use crate::texts::{quantity, secs, short_moment};
use crate::traces::ReferenceCycle;

pub const NO_STEPS: &str = "No step was run in this cycle.";
pub const NO_NUMBERS: &str = "No pressure, current or other number is recorded on this car.";
pub const NO_STATES: &str = "No switch, valve or pump state is recorded on this car.";
pub const NO_SAMPLES: &str = "No samples are kept for this time. The verdict below was made when they were.";
pub const SAMPLES_FAILED: &str = "The samples of this time can't be read; the log tells why. The verdict below does not \
    depend on it.";
pub const NOT_RECORDED: &str = "not recorded";
pub const FACT_AT: &str = "At";
pub const FACT_VALUE: &str = "Value";
pub const FACT_LIMIT: &str = "Limit";
pub const FACT_SURE: &str = "How sure";
pub const FACT_SIGNAL: &str = "Signal";
pub const STEP_TABLE: &str = "Steps";
pub const STEP_COLUMNS: [&str; 8] =
    ["Step", "Time, s", "Expected, s", "Limit, s", "At reference, s", "End", "Oil", "Supply"];
pub const STEP_TABLE_NOTE: &str = "Time ± its standard uncertainty, rounded up. Expected and limit hold for this oil temperature and supply; \
    at reference is what the step would have taken at the profile's conditions.";
pub const MEASURES: &str = "Measures";
pub const MEASURES_WHOLE: &str = "Whole cycle";
pub const WHERE_WHOLE: &str = "whole cycle";
pub const AXIS_SECONDS: &str = "s from start";
pub const AXIS_HOURS: &str = "UTC";
pub const AXIS_CYCLES: &str = "cycle";
pub const EXPECTED_END: &str = "expected end";
pub const LIMIT_MARK: &str = "limit";
pub const CURSOR_AT: &str = "at";
pub const CURSOR_ON: &str = "on:";
pub const CURSOR_NOTHING: &str = "nothing";
pub const NOT_FINER: &str =
    "These pictures could not be drawn finer: foldwatch does not answer. What is shown is stretched.";
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

/// What the line beside each lane's own is.
pub fn reference_note(reference: Option<&ReferenceCycle>) -> String {
    let Some(cycle) = reference else { return String::new() };
    let oil = cycle.oil_temperature_c.map_or(String::new(), |c| format!(", oil at {}", quantity(c, "°C")));
    format!(
        "Thin grey line: a sound cycle of this car, {}{oil}, each step stretched to begin and end with this one's.",
        short_moment(&cycle.start)
    )
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

/// A measure's name for people.
pub fn measure(id: &str) -> String {
    let mut text = id.replace('-', " ");
    if let Some(first) = text.get(..1).map(str::to_uppercase) {
        text.replace_range(..1, &first);
    }
    text
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

/// Measures that could not be taken, folded away.
pub fn not_observable(n: usize) -> String {
    format!("Not observable ({n})")
}

/// A finding's flag on the picture.
pub fn flag(number: usize, says: &str) -> String {
    format!("finding {number}: {says}")
}

/// A step's expected time, behind its own.
pub fn expected(seconds: f64) -> String {
    format!(", expected {}", secs(seconds))
}

/// From when to when a state was on.
pub fn span(label: &str, word: &str, from: &str, to: &str) -> String {
    format!("{label}: {word} {from} to {to} s")
}
