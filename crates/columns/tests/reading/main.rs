//! Whole logs in, items and accounts out.

// The helpers here are test code too, only not marked as such.
#![allow(clippy::unwrap_used)]

mod faults;
mod forms;
mod maps;
mod pieces;
mod rfc4180;

use foldwatch_columns::{ColumnMap, ColumnsError, Reader, Report};
use foldwatch_profile::Profile;
use foldwatch_samples::{GapCause, Item};

/// A flap with a pump, a valve, a switch that completes a ground, a demand for each way, pressure (a sensor of 25 bar
/// a volt) and current.
pub(crate) fn profile() -> Profile {
    foldwatch_profile::parse(
        r#"
        id = "flap"
        name = "One flap"
        [[signal]]
        id = "pump"
        kind = "pump"
        [[signal]]
        id = "lift"
        kind = "valve"
        [[signal]]
        id = "is_open"
        kind = "switch"
        label = "Flap open"
        on_when = "low"
        [[signal]]
        id = "wish_open"
        kind = "demand"
        demands = "opening"
        [[signal]]
        id = "pressure"
        kind = "pressure"
        unit = "bar"
        gain = 25
        offset = -12.5
        [[signal]]
        id = "current"
        kind = "current"
        unit = "A"
        [[opening]]
        name = "Raise"
        valves = ["lift"]
        confirm = "is_open"
        expected_s = 5
        [[closing]]
        name = "Lower"
        confirm = "not is_open"
        expected_s = 4
        "#,
    )
    .unwrap()
    .profile
}

/// An item that owns its row.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Seen {
    Row(i64, Vec<Option<f32>>),
    Same(i64),
    Gap(i64, GapCause),
}

pub(crate) fn see(item: Item<'_>) -> Seen {
    match item {
        Item::Row { at, values } => {
            Seen::Row(at.0, values.iter().map(|v| (!v.is_nan()).then_some(*v)).collect())
        }
        Item::Same { at } => Seen::Same(at.0),
        Item::Gap { until, cause } => Seen::Gap(until.0, cause),
        other => panic!("a table has no {other:?}"),
    }
}

/// Reads a log in pieces of the given sizes, over and over.
pub(crate) fn read_pieces(
    log: &[u8],
    map: &ColumnMap,
    sizes: &[usize],
) -> (Vec<Seen>, Result<Report, ColumnsError>) {
    let mut seen = Vec::new();
    let mut sink = |item: Item<'_>| seen.push(see(item));
    let mut reader = Reader::new(map.clone(), &profile());
    let mut rest = log;
    for size in sizes.iter().cycle() {
        let (piece, after) = rest.split_at(rest.len().min((*size).max(1)));
        rest = after;
        if let Err(error) = reader.push(piece, &mut sink) {
            return (seen, Err(error));
        }
        if rest.is_empty() {
            break;
        }
    }
    let report = reader.finish(&mut sink);
    (seen, report)
}

/// Reads a log at once.
pub(crate) fn read(log: &[u8], map: &ColumnMap) -> (Vec<Seen>, Result<Report, ColumnsError>) {
    read_pieces(log, map, &[usize::MAX])
}

/// Time and one signal of every row, a repeated row with the values of the row before.
pub(crate) fn column(seen: &[Seen], signal: usize) -> Vec<(i64, Option<f32>)> {
    let mut value = None;
    seen.iter()
        .filter_map(|item| match item {
            Seen::Row(at, values) => {
                value = values[signal];
                Some((*at, value))
            }
            Seen::Same(at) => Some((*at, value)),
            Seen::Gap(..) => None,
        })
        .collect()
}
