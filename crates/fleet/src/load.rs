//! A car's book from the catalogue.

use std::collections::BTreeSet;
use std::num::NonZero;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use foldwatch_profile::Profile;
use foldwatch_store::{Catalogue, Entry, EntryKind, Span, StoreError};
use foldwatch_trend::Service;
use foldwatch_units::Micros;

use crate::book::{Assessed, Book};
use crate::numbers::MEASURES;

/// The newest cycles of a car that a book is built from: some twenty years of a car in daily use.
pub const MOST_CYCLES: u32 = 20_000;
/// Entries that are looked through.
const ENTRIES: u32 = 10_000;

/// The book of a car as the catalogue has it.
///
/// # Errors
/// Where the catalogue can't be read.
pub fn load(catalogue: &dyn Catalogue, car: &str, profile: Arc<Profile>) -> Result<Book, StoreError> {
    let cycles = catalogue.figures(car, &MEASURES, Span::ALL, MOST_CYCLES)?;
    let entries = catalogue.entries(car, Span::ALL, ENTRIES)?;
    Ok(Book::build(profile, &cycles, services(&entries)))
}

/// The books of many cars and what they say, on every core; `open` gives each of them a reader of its own, `each` takes what
/// is ready, in no order.
pub fn load_all(
    cars: &[(String, Arc<Profile>)],
    open: impl Fn() -> Result<Box<dyn Catalogue + Send>, StoreError> + Sync,
    each: impl Fn(&str, Result<(Book, Vec<Assessed>), StoreError>) + Sync,
) {
    let cores = std::thread::available_parallelism().map_or(1, NonZero::get);
    let next = AtomicUsize::new(0);
    let work = || {
        let reader = open();
        while let Some((car, profile)) = cars.get(next.fetch_add(1, Ordering::Relaxed)) {
            let loaded = match &reader {
                Ok(reader) => load(&**reader, car, Arc::clone(profile)),
                // Said anew for each car, as nothing else tells why it has no book.
                Err(_) => open().and_then(|reader| load(&*reader, car, Arc::clone(profile))),
            };
            each(
                car,
                loaded.map(|book| {
                    let assessed = book.assess();
                    (book, assessed)
                }),
            );
        }
    };
    std::thread::scope(|scope| {
        for _ in 1..cores.min(cars.len()) {
            scope.spawn(work);
        }
        work();
    });
}

/// The book of a car as if something had been done at that moment, and at no other: for a comparison.
///
/// # Errors
/// Where the catalogue can't be read.
pub fn load_split(
    catalogue: &dyn Catalogue,
    car: &str,
    profile: Arc<Profile>,
    at: Micros,
) -> Result<Book, StoreError> {
    let cycles = catalogue.figures(car, &MEASURES, Span::ALL, MOST_CYCLES)?;
    Ok(Book::build(profile, &cycles, vec![Service { at, what: String::new() }]))
}

/// The work that was done, by the entries as they stand: what was corrected no longer counts.
pub fn services(entries: &[(u64, Entry)]) -> Vec<Service> {
    let corrected: BTreeSet<u64> = entries.iter().filter_map(|(_, entry)| entry.corrects).collect();
    entries
        .iter()
        .filter(|(number, entry)| entry.kind == EntryKind::Service && !corrected.contains(number))
        .map(|(_, entry)| Service { at: entry.at, what: entry.subject.clone() })
        .collect()
}
