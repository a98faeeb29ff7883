//! A profile in plain words, and the reference of its keys.

use foldwatch_units::Direction;

use crate::advice::{displaced, unjudged};
use crate::expr::Expr;
use crate::keys::{Absent, KEYS, Key, Takes};
use crate::model::{Level, Phase, Profile, Signal, SignalIx};
use crate::shape::takes_in_words;

/// A profile in plain words, for the person who wrote it to see whether it was understood as meant.
///
/// Lines end in `\n`; tables are set with spaces.
///
/// ```
/// # let text = "id = 'flap'\nname = 'Flap'\nsignal = [{ id = 'up', kind = 'switch' }]\n\
/// #   opening = [{ name = 'Raise', confirm = 'up', expected_s = 5 }]\n\
/// #   closing = [{ name = 'Lower', confirm = 'not up', expected_s = 4 }]";
/// let profile = foldwatch_profile::parse(text).unwrap().profile;
/// let words = foldwatch_profile::explain(&profile);
/// assert!(words.contains("1. Raise"));
/// assert!(words.contains("done when: \"up\""));
/// ```
pub fn explain(profile: &Profile) -> String {
    let mut out = format!("{} ({})\n", profile.name, profile.id);
    for line in profile.notes.trim().lines() {
        out += &format!("{line}\n");
    }
    section(&mut out, "Signals");
    let rows: Vec<Vec<String>> = profile.signals.iter().map(|signal| signal_row(profile, signal)).collect();
    out += &columns(&rows);
    section(&mut out, "Without these the unit does not move");
    for permission in &profile.permissions {
        let only = permission.direction.map_or(String::new(), |d| format!(", for {d} only"));
        out += &format!("  {}{only}: {}\n", permission.label, permission.needs.in_words(profile));
    }
    if profile.permissions.is_empty() {
        out += "  nothing said\n";
    }
    if !profile.chains.is_empty() {
        section(&mut out, "Switches in series");
    }
    for chain in &profile.chains {
        let member = |m: &crate::model::ChainMember| match m.signal {
            Some(ix) => format!("{} (alone as `{}`)", m.label, profile.signal(ix).id),
            None => m.label.clone(),
        };
        let members: Vec<String> = chain.members.iter().map(member).collect();
        out += &format!("  {}: {}\n", quoted(profile, chain.signal), members.join(", then "));
    }
    for direction in [Direction::Opening, Direction::Closing] {
        sequence(&mut out, profile, direction);
    }
    section(&mut out, "What can't be judged, because the profile does not say it");
    let lost = unjudged(profile);
    for (what, lost) in &lost {
        out += &format!("  {what}: {lost}\n");
    }
    if lost.is_empty() {
        out += "  nothing: a log with every signal above can be judged in full\n";
    }
    out
}

fn section(out: &mut String, title: &str) {
    *out += &format!("\n{title}\n");
}

fn sequence(out: &mut String, profile: &Profile, direction: Direction) {
    let phases = profile.sequence(direction);
    let total: f64 = phases.iter().map(|phase| phase.expected.value()).sum();
    let title = match direction {
        Direction::Opening => "Opening",
        Direction::Closing => "Closing",
    };
    let (oil, supply) = (profile.reference.oil_temperature.value(), profile.reference.supply.value());
    let at = format!("with oil at {} °C and a supply of {} V", short(oil), short(supply));
    section(out, &format!("{title}: {} s in all {at}", short(total)));
    for (n, phase) in phases.iter().enumerate() {
        *out += &step(profile, n + 1, phase);
    }
    let end = match profile.end_position(direction) {
        Expr::Always => "no switch tells".to_owned(),
        end => end.in_words(profile),
    };
    *out += &format!("  This end is told by: {end}\n");
}

fn step(profile: &Profile, number: usize, phase: &Phase) -> String {
    let mut out = format!("  {number}. {}", phase.name);
    if !phase.moves.is_empty() {
        out += &format!(": {}", phase.moves);
    }
    let valves: Vec<String> = phase.valves.iter().map(|ix| quoted(profile, *ix)).collect();
    let drive = match (phase.pump, valves.is_empty()) {
        (true, true) => "the pump alone".to_owned(),
        (true, false) => format!("the pump, with {}", valves.join(" and ")),
        (false, false) => format!("no pump; {} held on", valves.join(" and ")),
        (false, true) => "none".to_owned(),
    };
    out += &format!("\n     drive: {drive}\n");
    out += &match &phase.confirm {
        Expr::Always => "     done when: its time is over; no switch confirms it\n".to_owned(),
        confirm => format!("     done when: {}\n", confirm.in_words(profile)),
    };
    out += &format!(
        "     expected {} s, slow beyond {} s",
        short(phase.expected.value()),
        short(phase.limit.value())
    );
    if let Some(give_up) = phase.give_up {
        out += &format!(", the unit gives up after {} s", short(give_up.value()));
    }
    if let Some(pressure) = phase.pressure {
        out += &format!(", moves at {} bar", short(pressure.value()));
    }
    out.push('\n');
    let cylinders: Vec<String> = phase
        .cylinders
        .iter()
        .filter_map(|(place, extends)| {
            let cylinder = profile.hydraulics.cylinders.get(*place)?;
            let way = if *extends { "out" } else { "in" };
            Some(format!("{} x {} {way}", cylinder.count, cylinder.id))
        })
        .collect();
    if !cylinders.is_empty() {
        let volume = displaced(&profile.hydraulics.cylinders, phase).value();
        out += &format!("     cylinders: {}; {volume:.1} mL of oil\n", cylinders.join(", "));
    }
    out
}

fn signal_row(profile: &Profile, signal: &Signal) -> Vec<String> {
    let mut details = Vec::new();
    if signal.kind.is_binary() {
        let level = if signal.on_when == Level::Low { "low" } else { "high" };
        details.push(format!("on when {level}"));
        details.push(format!("bounce up to {} ms", short(signal.debounce.value() * 1000.0)));
    } else {
        let c = &signal.calibration;
        if c.gain != 1.0 || c.offset != 0.0 {
            let offset = match c.offset {
                0.0 => String::new(),
                o if o < 0.0 => format!(" - {}", short(-o)),
                o => format!(" + {}", short(o)),
            };
            details.push(format!("recorded number x {}{offset}", short(c.gain)));
        }
        match (c.min, c.max) {
            (Some(min), Some(max)) => details.push(format!("from {} to {}", short(min), short(max))),
            (Some(min), None) => details.push(format!("from {}", short(min))),
            (None, Some(max)) => details.push(format!("up to {}", short(max))),
            (None, None) => {}
        }
        details.extend(c.u.map(|u| format!("standard uncertainty {}", short(u))));
        details.extend(c.certificate.as_ref().map(|certificate| format!("certificate {certificate}")));
        details.extend(c.date.as_ref().map(|date| format!("calibrated {date}")));
    }
    details.extend(signal.demands.map(|direction| format!("asks for {direction}")));
    if !signal.excludes.is_empty() {
        let others: Vec<&str> = signal.excludes.iter().map(|ix| profile.signal(*ix).id.as_str()).collect();
        details.push(format!("never with {}", others.join(", ")));
    }
    let unit = if signal.kind.is_binary() { "on/off" } else { signal.unit.symbol };
    vec![
        signal.id.clone(),
        signal.kind.as_str().to_owned(),
        unit.to_owned(),
        signal.label.clone(),
        details.join("; "),
    ]
}

fn quoted(profile: &Profile, ix: SignalIx) -> String {
    format!("\"{}\"", profile.signal(ix).label)
}

/// Up to five decimals, none that say nothing.
fn short(number: f64) -> String {
    let text = format!("{number:.5}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// Rows set in columns, two spaces apart and two from the margin.
fn columns(rows: &[Vec<String>]) -> String {
    let count = rows.iter().map(Vec::len).max().unwrap_or_default();
    let width = |n: usize| rows.iter().filter_map(|r| r.get(n)).map(|cell| cell.chars().count()).max();
    let widths: Vec<usize> = (0..count).map(|n| width(n).unwrap_or_default()).collect();
    let mut out = String::new();
    for row in rows {
        let mut line = String::new();
        for (cell, width) in row.iter().zip(&widths) {
            line += &format!("  {cell:<width$}");
        }
        out += line.trim_end();
        out.push('\n');
    }
    out
}

/// The reference of every key, as Markdown that also reads well as plain text. Made from [`KEYS`].
///
/// ```
/// let reference = foldwatch_profile::key_reference();
/// assert!(reference.contains("### `[timing]`"));
/// assert!(reference.contains("- `quiet_s`: a number from 0.1 to 60 s; default 1. "));
/// ```
pub fn key_reference() -> String {
    let mut out = "### At the top of the file, before the first `[table]`\n\n".to_owned();
    let is_table = |key: &&Key| matches!(key.takes, Takes::Table | Takes::Tables { .. });
    for key in KEYS.iter().filter(|key| key.table().is_empty() && !is_table(key)) {
        out += &entry(key);
    }
    for table in KEYS.iter().filter(is_table) {
        out += &match table.takes {
            Takes::Table => format!("\n### `[{}]`\n\n", table.path),
            _ if table.path == "chain.members" => {
                "\n### Each entry of `members` in a `[[chain]]`\n\n".to_owned()
            }
            _ => format!("\n### `[[{}]]`\n\n", table.path),
        };
        out += &format!("{} Not given: {}.\n", table.meaning, absent_in_words(table.absent));
        let keys: Vec<&Key> = KEYS.iter().filter(|key| key.table() == table.path && !is_table(key)).collect();
        if !keys.is_empty() {
            out.push('\n');
        }
        for key in keys {
            out += &entry(key);
        }
    }
    out
}

fn entry(key: &Key) -> String {
    let absent = match key.absent {
        Absent::Refused => "must be given".to_owned(),
        Absent::Number(_) | Absent::Word(_) | Absent::Flag(_) => {
            format!("default {}", absent_in_words(key.absent))
        }
        Absent::Means(_) | Absent::Unjudged(_) => format!("if not given: {}", absent_in_words(key.absent)),
    };
    format!("- `{}`: {}; {absent}. {}\n", key.name(), takes_in_words(key.takes), key.meaning)
}

fn absent_in_words(absent: Absent) -> String {
    match absent {
        Absent::Refused => "the profile is refused".to_owned(),
        Absent::Number(n) => n.to_string(),
        Absent::Word(word) => format!("`{word}`"),
        Absent::Flag(flag) => flag.to_string(),
        Absent::Means(text) | Absent::Unjudged(text) => text.to_owned(),
    }
}
