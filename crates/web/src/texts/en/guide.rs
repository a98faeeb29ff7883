//! Fit and test.

pub const GUIDE: &str = "Fit and test";
pub const GUIDE_LEAD: &str = "Each of these says what to do, step by step, watches the signals while you do it, and is kept with the \
    car. foldwatch only listens: you move the roof.";
pub const GUIDE_STEPS: &str = "All steps";
pub const GUIDE_WITHOUT_SCRIPT: &str = "This page follows the signals by itself only with scripts.";
pub const NEVER_DONE: &str = "Not done on this car yet.";
pub const LAST_RECORD: &str = "What it gave";
pub const LAST_TIME: &str = "Last:";
pub const BEGIN: &str = "Begin";
pub const ALL_ANSWERED: &str = "all steps answered";
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

/// Where one is in a test.
pub fn step_of(n: usize, all: usize) -> String {
    format!("step {n} of {all}")
}
