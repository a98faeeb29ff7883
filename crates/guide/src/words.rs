//! Every sentence that commissioning and tests say, in one place.

use foldwatch_profile::SignalKind;
use foldwatch_units::{Direction, Seconds};

use crate::watch::LoggerFacts;
use crate::{Answer, Kind};

pub(crate) fn title(kind: Kind) -> &'static str {
    match kind {
        Kind::Commissioning => "Fit the logger",
        Kind::Hold => "Does the pressure hold?",
        Kind::SupplyUnderLoad => "Supply under load",
        Kind::EndSwitches => "End switches, there and back",
        Kind::Bleeding => "Is the air out yet?",
    }
}

pub(crate) fn purpose(kind: Kind) -> &'static str {
    match kind {
        Kind::Commissioning => {
            "After the logger was fitted: every channel once by hand, the current clamp's zero, what each sensor reads, \
             and a short run that shows which way round things are. Evidence refers to it."
        }
        Kind::Hold => {
            "With the pump off the pressure should stand. How it falls tells of seals and valve seats."
        }
        Kind::SupplyUnderLoad => {
            "What the pump's load takes from the supply: battery, feed, fuse and earth together."
        }
        Kind::EndSwitches => {
            "The whole way and back: every end switch must be made once and let go once, and steadily."
        }
        Kind::Bleeding => {
            "After hydraulic work: the oil gets stiffer with each movement as air leaves it. When it gets no stiffer, the \
             air is out."
        }
    }
}

pub(crate) const CAUTION_MOVE: &str = "The roof moves. Keep people and hands clear of its whole path, watch the roof and not this \
    page, keep the run short, and follow the maker's procedure.";
pub(crate) const CAUTION_END: &str = "The roof moves, and the pump presses against the stop for a moment: let go of the button as soon \
    as it does. Keep people clear, protect the pump from long runs, open no line: there is oil under pressure afterwards.";
pub(crate) const CAUTION_HAND: &str = "Nobody at the roof's button meanwhile. Support a part-open roof before reaching in, and keep \
    fingers out of latches and joints. What can't be reached safely is left out.";
pub(crate) const CAUTION_CLAMP: &str =
    "Ignition as the maker says, nobody at the roof's button. Fuse every tap.";
pub(crate) const CAUTION_BLEEDING: &str = "The roof moves. Bleed only as the maker says: open no line and no screw under pressure, look \
    after the oil level, keep people clear, and let the pump cool between runs.";

pub(crate) const NO_PRESSURE: &str = "This roof's profile has no pressure: without one this can't be told.";
pub(crate) const NO_SUPPLY: &str =
    "This roof's profile has no supply voltage: without one this can't be told.";
pub(crate) const NO_SWITCHES: &str = "This roof's profile has no switch that confirms a step.";
pub(crate) const SKIPPED: &str = "Left out.";
pub(crate) const OVER: &str = "That was the last step. Keep it with the car.";
pub(crate) const OTHER_STEPS: &str =
    "The description of this roof was changed meanwhile, and the test has other steps now.";
pub(crate) const NOT_HEARD: &str =
    "Nothing has come from the logger yet. Is it plugged in, and does it have power?";
pub(crate) const NOT_RECORDED: &str = "The logger does not record this channel.";
pub(crate) const WRONG_WAY: &str = "It moved the wrong way round: turn `on_when` of this signal in the profile, or look whether the \
    plugs of an open and a closed contact are exchanged.";

pub(crate) fn line(name: &str, answer: &Answer) -> String {
    format!("{name}: {}. {}", answer.grade.as_str(), answer.says)
}

fn list(of: &[&str]) -> String {
    of.iter().map(|label| format!("`{label}`")).collect::<Vec<_>>().join(", ")
}

// ---- the logger

pub(crate) fn logger() -> (&'static str, &'static str) {
    (
        "Logger",
        "Plug the logger into a port of this computer and give it power. Wait until it has introduced itself.",
    )
}

pub(crate) const LOGGER_SILENT: &str =
    "No logger has introduced itself. Look at the plug, at its power, and whether its car names it.";
pub(crate) const NO_HEALTH: &str = "It does not tell how full its memory is.";
pub(crate) const NO_DATE: &str =
    "It does not know the date yet: what it records now can't be laid beside other records.";

pub(crate) fn logger_so_far(heard: Option<&LoggerFacts>) -> String {
    match heard {
        None => "No logger is heard yet.".to_owned(),
        Some(LoggerFacts { name: None, .. }) => {
            "A logger is heard; it has not introduced itself yet.".to_owned()
        }
        Some(facts) => {
            let missing = match (facts.fill, facts.dated) {
                (None, _) => "the state of its memory",
                _ => "its clock",
            };
            format!("{} is heard. Waiting for {missing}.", facts.name.as_deref().unwrap_or_default())
        }
    }
}

pub(crate) fn logger_is(facts: &LoggerFacts) -> String {
    let mut text = format!(
        "`{}`, firmware {}, {} channels",
        facts.name.as_deref().unwrap_or("?"),
        facts.firmware,
        facts.channels.len()
    );
    if let Some(fill) = facts.fill {
        text.push_str(&format!(", memory {:.0} % full", 100.0 * fill));
    }
    if let Some(volts) = facts.supply {
        text.push_str(&format!(", own supply {:.1} V", volts.0));
    }
    if let Some(Seconds(s)) = facts.residual {
        text.push_str(&format!(", clock known to {:.3} s", s));
    }
    text + "."
}

pub(crate) fn channels_absent(labels: &[&str]) -> String {
    format!("It does not record {}: what hangs on that can't be judged.", list(labels))
}

pub(crate) fn channels_strange(ids: &[&str]) -> String {
    format!("It records {}, which the profile does not know.", list(ids))
}

pub(crate) fn memory_full(fill: f64) -> String {
    format!("Its memory is {:.0} % full: let it hand over what it has before it is left alone.", 100.0 * fill)
}

pub(crate) fn rows_dropped(n: u32) -> String {
    format!("It has dropped {n} rows since it started, because there was no room.")
}

pub(crate) fn clock_blurred(residual: Seconds) -> String {
    format!("Its clock is known to {:.1} s only.", residual.0)
}

// ---- channels by hand

pub(crate) fn switch(label: &str) -> (String, String) {
    (
        label.to_owned(),
        format!(
            "Move what works `{label}` by hand until the switch changes, hold it for a second, and let it go back."
        ),
    )
}

pub(crate) fn demand(label: &str) -> (String, String) {
    (
        label.to_owned(),
        format!(
            "Press `{label}` shortly and let go. If the roof moves, that is all right: it must just be clear."
        ),
    )
}

pub(crate) const DID_NOT_MOVE: &str =
    "It did not move. Look at the contact, its plug and its wire to the logger.";

pub(crate) fn moved(first_made: bool) -> &'static str {
    if first_made { "It let go and was made again." } else { "It was made and let go again." }
}

pub(crate) fn another_moved(label: &str) -> String {
    format!("Another one moved: `{label}`. The two are exchanged at the logger, or by name in the profile.")
}

fn on_word(kind: SignalKind, on: bool) -> &'static str {
    match (kind, on) {
        (SignalKind::Demand, true) => "given",
        (SignalKind::Demand, false) => "not given",
        (_, true) => "made",
        (_, false) => "free",
    }
}

pub(crate) fn state_now(kind: SignalKind, on: Option<bool>, was_away: bool) -> String {
    match on {
        None => NOT_RECORDED.to_owned(),
        Some(on) if was_away => format!("It moved: it reads {}. Now let it go back.", on_word(kind, on)),
        Some(on) => {
            format!("It reads {}. If that is not so, it is the wrong way round.", on_word(kind, on))
        }
    }
}

// ---- current clamp

pub(crate) fn zero(label: &str) -> (String, String) {
    (
        format!("{label}, zero"),
        "Leave the roof alone with the pump off. Zero the clamp if it has a wheel or a key for it."
            .to_owned(),
    )
}

pub(crate) fn zero_waits(amperes: f64) -> String {
    format!("It reads {amperes:.2} A. Waiting for the pump to be off.")
}

pub(crate) fn zero_looks(amperes: f64, seconds: f64, of: f64) -> String {
    format!("It reads {amperes:.2} A; looking, {seconds:.0} of {of:.0} s.")
}

pub(crate) fn zero_is(mean: f64, scatter: f64, allowed: f64) -> String {
    let rest = if mean.abs() <= allowed {
        String::new()
    } else {
        format!(" Zero it and do this step again, or take {:.2} off by `offset` in the profile.", mean)
    };
    format!(
        "It reads {mean:.2} A with the pump off (scatter {scatter:.2} A; up to {allowed:.2} A is right).{rest}"
    )
}

pub(crate) fn zero_given_up(amperes: f64) -> String {
    format!("Given up at {amperes:.2} A: the pump was never seen off.")
}

// ---- at rest

pub(crate) fn rest() -> (&'static str, &'static str) {
    ("Sensors at rest", "Leave the roof alone for a few seconds, at one of its ends.")
}

pub(crate) const WAITS_FOR_REST: &str = "Waiting for pump and valves to be off.";

pub(crate) fn looks(seconds: f64, of: f64) -> String {
    format!("Looking, {seconds:.0} of {of:.0} s.")
}

pub(crate) fn silent(label: &str) -> String {
    format!("`{label}` says nothing.")
}

pub(crate) fn reads(label: &str, value: f64, unit: &str) -> String {
    format!("`{label}` reads {value:.1} {unit}.")
}

pub(crate) fn implausible(label: &str, value: f64, unit: &str, low: f64, high: f64) -> String {
    let bound = match (low.is_finite(), high.is_finite()) {
        (true, true) => format!("{low:.1} to {high:.1} {unit} can be"),
        (true, false) => format!("{low:.1} {unit} and more can be"),
        _ => format!("up to {high:.1} {unit} can be"),
    };
    format!(
        "`{label}` reads {value:.1} {unit}; {bound}: look at sensor, plug and `gain` and `offset` in the profile."
    )
}

pub(crate) fn both_made(a: &str, b: &str) -> String {
    format!("`{a}` and `{b}` are made at once, which can't be: one of them is the wrong way round.")
}

// ---- a short run

pub(crate) fn drive() -> (&'static str, &'static str) {
    ("A short run", "Let the roof move for two seconds, then let go of the button.")
}

pub(crate) const WAITS_FOR_PUMP: &str = "Waiting for the pump.";
pub(crate) const ENOUGH: &str = "That is enough: let go of the button.";
pub(crate) const PUMP_NOT_SEEN: &str =
    "The pump was not seen to run: neither its command nor its current came.";
pub(crate) const NO_RISE: &str =
    "It must rise when the pump runs: look at the sensor's place, plug and `gain`.";
pub(crate) const CLAMP_REVERSED: &str = "The clamp is the wrong way round: turn it, or give `gain` a minus.";
pub(crate) const SUPPLY_ROSE: &str = "The supply rose under load: it is not measured at the pump's feed.";
pub(crate) const NOT_SEEN: &str = "Its command was not seen while current flowed.";

pub(crate) fn pump_runs(seconds: f64) -> String {
    format!("The pump runs, {seconds:.1} s.")
}

pub(crate) fn changed(label: &str, before: f64, then: f64, unit: &str) -> String {
    format!("`{label}` went from {before:.1} {unit} to {then:.1} {unit}.")
        .replace("  ", " ")
        .replace(" .", ".")
}

pub(crate) fn valves_silent(labels: &[&str]) -> String {
    format!("No valve was seen: {}.", list(labels))
}

// ---- hold

fn end(way: Direction) -> &'static str {
    match way {
        Direction::Opening => "open",
        Direction::Closing => "shut",
    }
}

pub(crate) fn hold(way: Direction) -> (String, String) {
    (
        format!("Held {}", end(way)),
        format!(
            "Move the roof until it is fully {}, and let go when the pump presses against the stop. Then leave everything alone \
             for a minute.",
            end(way)
        ),
    )
}

pub(crate) const HOLD_TOO_SHORT: &str = "The hold was too short to tell anything.";
pub(crate) const NO_HOLD: &str =
    "No hold was seen: the pump did not run, or no pressure stood when it stopped.";
pub(crate) const LET_GO: &str =
    "The valves let the pressure go as soon as the pump stops: on this roof that tells nothing of its seals.";

pub(crate) fn hold_waits(way: Direction, bar: f64) -> String {
    format!("Waiting for the roof to be moved until it is {}. {bar:.0} bar.", end(way))
}

pub(crate) fn hold_runs(bar: f64, highest: f64) -> String {
    format!("The pump runs: {bar:.0} bar, highest {highest:.0} bar.")
}

pub(crate) fn holds(seconds: f64, of: f64, bar: f64) -> String {
    format!("Holding, {seconds:.0} of {of:.0} s: {bar:.0} bar.")
}

pub(crate) fn held(before: f64, first: f64, last: f64, seconds: f64) -> String {
    format!(
        "From {before:.0} bar under the pump to {first:.0} bar when it stopped and {last:.0} bar after {seconds:.0} s."
    )
}

pub(crate) fn time_constant(tau: f64, u: f64, lost: bool, longest: f64) -> String {
    let rest = if lost {
        format!(
            " Half of it is gone before the longest step, {longest:.0} s, is over: look for oil outside, then for the cylinder or \
             valve that lets it past, by the maker's leak test."
        )
    } else {
        String::new()
    };
    format!("It falls with a time constant of {tau:.1} s ± {u:.1} s.{rest}")
}

pub(crate) fn no_time_constant(why: &str) -> String {
    format!("No time constant: {why}.")
}

// ---- supply

pub(crate) fn supply() -> (&'static str, &'static str) {
    (
        "Under the pump's load",
        "Leave the roof alone for three seconds with the engine off. Then let the roof move for three seconds.",
    )
}

pub(crate) fn supply_rests(volts: f64) -> String {
    format!("At rest: {volts:.2} V.")
}

pub(crate) fn supply_ready(volts: f64) -> String {
    format!("At rest: {volts:.2} V. Now let the roof move.")
}

pub(crate) fn supply_under_load(volts: f64, seconds: f64) -> String {
    format!("Under load, {seconds:.1} s: {volts:.2} V.")
}

pub(crate) fn supply_is(rest: f64, load: f64, amperes: Option<f64>) -> String {
    let drop = rest - load;
    let resistance = match amperes.filter(|a| a.abs() > 1.0) {
        Some(a) => format!(" at {a:.0} A, {:.0} mΩ altogether", 1000.0 * drop / a.abs()),
        None => String::new(),
    };
    format!("{rest:.2} V at rest, {load:.2} V under load: {drop:.2} V lost{resistance}.")
}

pub(crate) fn supply_empty(limit: f64) -> String {
    format!("Below {limit:.1} V a battery is taken as empty, or its feed is bad.")
}

pub(crate) fn supply_drops(most: f64) -> String {
    format!("More than {most:.1} V is much: measure the drop over feed, fuse and earth one by one.")
}

// ---- end switches

pub(crate) fn sweep() -> (&'static str, &'static str) {
    ("There and back", "Open the roof fully, then close it fully; or the other way round.")
}

pub(crate) fn sweep_so_far([open, shut]: [bool; 2], missing: &[&str]) -> String {
    let been = match (open, shut) {
        (false, false) => "It was at neither end yet.",
        (true, false) => "It was open. Now close it.",
        (false, true) => "It was shut. Now open it.",
        (true, true) => "It was at both ends. Waiting for the drive to end.",
    };
    match missing.len() {
        0 => format!("{been} Every switch has been made and let go."),
        _ => format!("{been} Not both made and let go yet: {}.", list(missing)),
    }
}

pub(crate) fn swept(
    all: usize,
    never_made: &[&str],
    never_free: &[&str],
    silent: &[&str],
    unsteady: &[(&str, u32)],
) -> String {
    let mut text = Vec::new();
    if !never_made.is_empty() {
        text.push(format!("Never made: {}.", list(never_made)));
    }
    if !never_free.is_empty() {
        text.push(format!("Never let go: {}.", list(never_free)));
    }
    if !silent.is_empty() {
        text.push(format!("Not recorded: {}.", list(silent)));
    }
    for (label, changes) in unsteady {
        text.push(format!("`{label}` changed {changes} times: it is unsteady."));
    }
    if text.is_empty() { format!("All {all} were made and let go.") } else { text.join(" ") }
}

// ---- bleeding

pub(crate) fn bleeding() -> (&'static str, &'static str) {
    (
        "Movements",
        "Move the roof from end to end and back, as the maker says for bleeding, until this says that the oil gets no stiffer.",
    )
}

pub(crate) const BLEEDING_UNSEEN: &str = "No movement has shown how stiff the oil is: that needs a moment of the pump against the stop, \
    and pressure recorded often enough.";

fn series(values: &[f64]) -> String {
    values.iter().map(|bar| format!("{bar:.0}")).collect::<Vec<_>>().join(", ")
}

pub(crate) fn bleeding_waits(movements: usize) -> String {
    match movements {
        0 => "Waiting for the first movement.".to_owned(),
        n => format!("{n} movements so far, none of which showed the oil's stiffness."),
    }
}

pub(crate) fn bleeding_so_far(step: &str, values: &[f64], movements: usize) -> String {
    format!(
        "After {movements} movements, stiffness against the stop of `{step}`: {} bar. It still changes.",
        series(values)
    )
}

pub(crate) fn air_is_out(step: &str, values: &[f64]) -> String {
    format!(
        "The oil gets no stiffer: {} bar against the stop of `{step}`. The air that leaves by moving is out.",
        series(values)
    )
}

pub(crate) fn air_still_rises(step: &str, values: &[f64]) -> String {
    format!("Ended while the oil still got stiffer: {} bar against the stop of `{step}`.", series(values))
}
