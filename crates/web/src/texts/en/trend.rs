//! Trend and compare.

use foldwatch_fleet::Followed;

use crate::query::CarTrend;
use crate::texts::{fixed, said, signed};

pub const NO_TIMES: &str = "No time of this step can be compared yet: it needs a run whose end is known and, for the \
    correction, oil temperature or supply.";
pub const TREND_LEAD: &str = "Each ring is a cycle's number at the profile's oil temperature and supply; the small cross is the number as measured. \
                              Dashed: the limit. Solid: where it goes.";
pub const TREND_SPLIT: &str =
    "Work in the service record splits the history: what follows it is judged by itself.";
pub const COMPARE: &str = "Compare";
pub const COMPARE_LEAD: &str = "Each number is brought to reference conditions, and the cycles nearest to the work are compared on both sides of it. A change of less than 5 % is not worth knowing.";
pub const BEFORE_AFTER: &str = "Before and after";
pub const BESIDE_KIND: &str = "Beside cars of its kind";
pub const COMPARED_COLUMNS: [&str; 4] = ["What", "Verdict", "Before", "After"];
pub const KIND_COLUMNS: [&str; 5] = ["What", "This car", "Usual", "Of it", "Cars"];
pub const UNLIKE: &str = "unlike the others";
pub const WORK: &str = "Work";
pub const NO_SERVICE: &str = "No work on this car is in its service record, so there is no before and after.";
pub const TO_RECORD: &str = "Write down what was done, and when.";
pub const ANOTHER_MOMENT: &str = "Another moment (UTC)";
pub const TOO_FEW_KIN: &str = "Fewer than five cars of this kind to compare with.";

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

/// What the page of trends speaks of, up to the moment itself.
pub const AS_OF_NEWEST: &str = "As of the newest cycle, ";
/// The same for the comparison.
pub const BEFORE_AND_AFTER: &str = "Before and after ";

/// How many cycles a number is of.
pub fn of_cycles(n: usize) -> String {
    if n == 1 { "1 cycle".to_owned() } else { format!("{n} cycles") }
}

/// A ring on a trend, as it is read aloud.
pub fn ring(moment: &str, value: &str, raw: &str) -> String {
    format!("{moment}: {value} at reference conditions, {raw} as measured")
}

/// At the dashed line.
pub fn limit_is(value: &str) -> String {
    format!("limit {value}")
}
