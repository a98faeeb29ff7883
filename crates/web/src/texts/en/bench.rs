//! The bench.

pub const CAUTION_BENCH: &str = "Keep people and hands clear of the roof's whole path. This page only shows; it can't \
    stop anything. Whoever holds the button watches the roof, not the page.";
pub const NO_LIVE: &str = "Nothing has been heard from this car's logger since foldwatch started. Check that it is \
    plugged in and powered; this page goes live by itself.";
pub const BENCH: &str = "Bench";
pub const LIVE: &str = "Live.";
pub const LIVE_LOST: &str =
    "The connection to foldwatch is lost; what stands here is old. It is tried again by itself.";
pub const WITHOUT_SCRIPT: &str =
    "This page goes on by itself only with scripts; load it again for the newest state.";
pub const AT_REST: &str = "at rest";
pub const HOLDING: &str = "done, holding";
pub const NOT_HEARD: &str = "not heard yet";
pub const WAITING_FOR: &str = "waiting for";
pub const TO_BE_MADE: &str = "to be made";
pub const TO_LET_GO: &str = "to let go";
pub const THIS_STEP: &str = "this step";
pub const EXPECTED: &str = "expected";
pub const LIMIT: &str = "limit";
pub const PUMP_MAY_RUN: &str = "pump may still run";
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
/// What a state is called while it is on, and while it is off.
pub const STATE_WORDS: [(&str, &str, &str); 4] = [
    ("switch", "made", "free"),
    ("valve", "energised", "off"),
    ("pump", "on", "off"),
    ("demand", "given", "-"),
];

/// How old the picture is that no script keeps up to date.
pub fn as_of(moment: &str) -> String {
    format!("As of {moment}.")
}
