//! What stands on more than one page: names, the frame, the foot, words for directions, outcomes and weights.

pub const NAME: &str = "foldwatch";
pub const CARS: &str = "Cars";
pub const FLEET: &str = "Fleet";
pub const PAGES: &str = "pages";
pub const TAB_RECORD: &str = "Record";
pub const TAB_TREND: &str = "Trend";
pub const TAB_EVIDENCE: &str = "Evidence";
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
pub const LOOK_AGAIN: &str = "Look again";
pub const WHO: &str = "Who did it";
pub const TAKE_ALONG: &str = "Take it along";
pub const SINCE: &str = "Since";
pub const CANNOT_SHOW: &str = "This can't be shown";
pub const TO_THE_CARS: &str = "To the cars";
pub const FOR_THE_KEEPER: &str = "For whoever looks after foldwatch: ";
pub const SIGN_IN_OR_OUT: &str = "Sign in or out";
pub const NO_CARS: &str = "No car has been entered yet. Attach a logger and start foldwatch with its profile; the car \
    appears here with its first frame.";
pub const NO_CYCLES: &str = "No movement of the roof has been recorded yet. Connect the logger and open or close the \
    roof once; the cycle appears here a few seconds after it ended.";
pub const NO_PORTS: &str = "No port is listened to: foldwatch shows what was recorded before.";

/// A direction as a heading.
pub fn way(direction: &str) -> &'static str {
    if direction == "opening" { "Opening" } else { "Closing" }
}

/// With a capital at its beginning.
pub fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
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

/// A weight in words.
pub fn weight(word: &str) -> &'static str {
    match word {
        "stop-using" => "stop using",
        "attend" => "attend",
        _ => "note",
    }
}

/// How long something takes.
pub fn about_minutes(minutes: f64) -> String {
    format!("About {minutes:.0} minutes.")
}
