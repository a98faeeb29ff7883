//! Finished days from the journal to the archive.

use std::collections::BTreeSet;
use std::sync::Arc;

use anyhow::{Context, Result};
use foldwatch_profile::Profile;
use foldwatch_samples::{Item, Timeline};
use foldwatch_store::{Catalogue, Day, Position, Seal, SqliteStore, Storage};
use foldwatch_units::Micros;

use super::alive::Pulse;
use super::replay::{Journal, Mark, Rows, columns, timeline};

/// A stretch of the journal that can leave it: its first day is over. It is kept until it is done, so that a pass which
/// was cut off is made again with the same times.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Pass {
    /// The days that its samples fall on, in order.
    days: BTreeSet<String>,
    /// Where the archive will stand.
    pub next: Mark,
    /// The map to UTC that its samples are archived by.
    timeline: Timeline,
}

/// Looks for a day that is over: the frames after the mark, up to the first one behind that day's end.
///
/// # Errors
/// When the journal can't be read.
pub fn plan(
    catalogue: &dyn Catalogue,
    car: &str,
    profile: &Arc<Profile>,
    mark: &Mark,
    until: Position,
) -> Result<Option<Pass>> {
    let timeline = timeline(catalogue, car, profile, mark, until)?;
    let mut assembler = mark.assembler(profile);
    let mut days = BTreeSet::new();
    for row in Journal::new(catalogue, car, Position(mark.through), until) {
        let (position, id, frame) = row?;
        let mut dated = true;
        assembler.push(id, frame, &mut |item: Item<'_>| match item {
            Item::Row { at, .. } | Item::Same { at } | Item::Edge { at, .. } => match timeline.utc(at) {
                Some(utc) => days.extend(Day::of(utc.at)),
                None => dated = false,
            },
            Item::Mark { .. } | Item::Gap { .. } => {}
        });
        if !dated {
            // A log that knows no date yet waits for it.
            return Ok(None);
        }
        if days.len() > 1 && assembler.waiting() == 0 {
            let next = Mark { through: position.0, assembler: Some(assembler.checkpoint()) };
            let days = days.iter().map(Day::to_string).collect();
            return Ok(Some(Pass { days, next, timeline }));
        }
    }
    Ok(None)
}

/// Puts the days of a pass into the archive.
///
/// # Errors
/// When a day can't be sealed: journal and archive are as they were, and the same pass can be made again.
pub fn seal(
    store: &mut SqliteStore,
    car: &str,
    profile: &Arc<Profile>,
    mark: &Mark,
    pass: &Pass,
    at: Micros,
    pulse: &Pulse,
) -> Result<()> {
    let reader = store.reader()?;
    let through = Position(pass.next.through);
    let days = pass.days.iter().map(|day| day.parse()).collect::<Result<Vec<Day>, _>>()?;
    let last = days.last().copied();
    let sealed = |day: Day, through: Position| Seal {
        car: car.to_owned(),
        day,
        columns: columns(profile),
        through,
        at,
    };
    for day in days {
        let rows = Rows::new(&*reader, car, profile, mark, through, pass.timeline.clone(), day.span());
        let mut rows = rows.inspect(|_| pulse.beat()).peekable();
        // The last one lets the journal's rows go, whatever it holds itself.
        let leaving = if Some(day) == last { through } else { Position(mark.through) };
        if Some(day) == last || rows.peek().is_some() {
            store
                .seal(&sealed(day, leaving), &mut rows)
                .with_context(|| format!("{car}, {day}: can't be archived"))?;
        }
    }
    Ok(())
}
