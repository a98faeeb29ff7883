//! The `[[signal]]` tables.

use std::collections::BTreeSet;

use foldwatch_units::{Quantity, Seconds, Unit};

use crate::load::direction;
use crate::model::{Calibration, Level, Signal, SignalIx, SignalKind};
use crate::names::Names;
use crate::problem::Problems;
use crate::shape::Table;

/// Keys that only mean something for numbers.
const OF_NUMBERS: &[&str] = &["unit", "gain", "offset", "min", "max", "u", "certificate", "calibrated"];
/// Keys that only mean something for on/off signals.
const OF_ON_OFF: &[&str] = &["on_when", "debounce_ms"];

pub(crate) fn all(tables: &[Table<'_>], names: &Names<'_>, problems: &mut Problems) -> Vec<Signal> {
    let mut signals: Vec<Signal> =
        tables.iter().enumerate().map(|(place, table)| one(place, table, names, problems)).collect();
    // Said at one of two, it holds for both.
    let pairs: BTreeSet<(usize, usize)> = signals
        .iter()
        .enumerate()
        .flat_map(|(a, signal)| signal.excludes.iter().map(move |b| (b.at(), a)))
        .collect();
    for (at, other) in pairs {
        let other = SignalIx(u16::try_from(other).unwrap_or(u16::MAX));
        if let Some(signal) = signals.get_mut(at)
            && !signal.excludes.contains(&other)
        {
            signal.excludes.push(other);
        }
    }
    signals
}

fn one(place: usize, table: &Table<'_>, names: &Names<'_>, problems: &mut Problems) -> Signal {
    let id = table.text("id").unwrap_or_default();
    let kind = table.text("kind").and_then(SignalKind::from_word);
    if let Some(kind) = kind {
        refuse_foreign_keys(table, kind, problems);
    }
    let unit = unit(table, kind, problems);
    let mut excludes = names.listed(table, "excludes", &[SignalKind::Switch], problems);
    excludes.retain(|other| other.at() != place);
    if let Some((at, _)) = table.words("excludes").into_iter().find(|(_, other)| *other == id) {
        problems.wrong(at, table.shown("excludes"), "a switch can't exclude itself", "name the other one");
    }
    Signal {
        id: id.to_owned(),
        label: table.text("label").unwrap_or(id).to_owned(),
        // What was wrong has been reported, and the profile is dropped.
        kind: kind.unwrap_or(SignalKind::Switch),
        unit: Unit::working(unit.quantity),
        on_when: if table.text("on_when") == Some("low") { Level::Low } else { Level::High },
        debounce: Seconds(match kind {
            Some(kind) if !kind.is_binary() => 0.0,
            _ => table.number("debounce_ms").unwrap_or_default() / 1000.0,
        }),
        calibration: calibration(table, unit, problems),
        excludes,
        demands: table.text("demands").and_then(direction),
    }
}

fn refuse_foreign_keys(table: &Table<'_>, kind: SignalKind, problems: &mut Problems) {
    let mut refuse = |names: &[&str], who: &str| {
        for name in names.iter().filter(|name| table.has(name)) {
            let found = format!("a {} has none", kind.as_str());
            problems.wrong(
                table.place(name),
                table.shown(name),
                found,
                format!("take it out; it is for {who}"),
            );
        }
    };
    if kind.is_binary() {
        refuse(OF_NUMBERS, "signals that are numbers");
    } else {
        refuse(OF_ON_OFF, "on/off signals");
    }
    if kind != SignalKind::Switch {
        refuse(&["excludes"], "switches");
    }
    if kind != SignalKind::Demand {
        refuse(&["demands"], "demands");
    }
}

/// The unit the file's numbers are in; on/off where there is none, or none that fits.
fn unit(table: &Table<'_>, kind: Option<SignalKind>, problems: &mut Problems) -> Unit {
    let quantities: &[Quantity] = match kind {
        Some(SignalKind::Pressure) => &[Quantity::Pressure],
        Some(SignalKind::Current) => &[Quantity::Current],
        Some(SignalKind::Voltage) => &[Quantity::Voltage],
        Some(SignalKind::Temperature) => &[Quantity::Temperature],
        Some(SignalKind::Position) => &[Quantity::Length, Quantity::Angle],
        _ => return Unit::STATE,
    };
    let word = kind.map_or("", SignalKind::as_str);
    let fitting = || {
        let all: Vec<&str> = quantities.iter().flat_map(|q| Unit::spellings(*q)).collect();
        format!("for a {word}: {}", all.join(", "))
    };
    let key = table.shown("unit");
    let Some(text) = table.text("unit") else {
        if !table.has("unit") {
            problems.absent(table.at, key, format!("a {word} must have a unit"), fitting());
        }
        return Unit::STATE;
    };
    match text.parse::<Unit>() {
        Ok(unit) if quantities.contains(&unit.quantity) => unit,
        Ok(unit) => {
            problems.wrong(table.place("unit"), key, format!("`{unit}` is no unit of a {word}"), fitting());
            Unit::STATE
        }
        Err(_) => {
            let found = format!("unit `{}` is not known", crate::shape::shortened(text));
            problems.wrong(table.place("unit"), key, found, fitting());
            Unit::STATE
        }
    }
}

/// The file's calibration is to the file's unit; what is kept leads to the working unit at once.
fn calibration(table: &Table<'_>, unit: Unit, problems: &mut Problems) -> Calibration {
    let zero = unit.to_working(0.0);
    let factor = unit.to_working(1.0) - zero;
    let (gain, offset) = (table.number("gain").unwrap_or(1.0), table.number("offset").unwrap_or_default());
    if gain == 0.0 {
        let found = "with a gain of 0 every number becomes the same";
        problems.wrong(table.place("gain"), table.shown("gain"), found, "give unit per recorded number");
    }
    let (min, max) = (table.number("min"), table.number("max"));
    if let (Some(min), Some(max)) = (min, max)
        && min >= max
    {
        let found = format!("{max} is not more than `min`, {min}");
        problems.wrong(table.place("max"), table.shown("max"), found, "give the larger one as `max`");
    }
    Calibration {
        gain: gain * factor,
        offset: offset * factor + zero,
        min: min.map(|v| unit.to_working(v)),
        max: max.map(|v| unit.to_working(v)),
        u: table.number("u").map(|u| u * factor),
        certificate: table.text("certificate").map(str::to_owned),
        date: table.date("calibrated"),
    }
}
