//! Which days of samples leave the archive, where the settings bound it.

use std::collections::BTreeMap;

use foldwatch_store::{ArchivedDay, Day, Entry, EntryKind};
use foldwatch_units::Micros;

use super::settings::Keep;

const DAY: f64 = 86_400.0;
/// Days go when the oldest is over its time by so much: one entry a month in a car's record, not one a day.
const TOGETHER_DAYS: f64 = 30.0;
/// Where the archive is too large, it is brought down to this share of what it may be.
const DOWN_TO: f64 = 0.9;

/// Days of one car that go, and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Leaving {
    pub car: String,
    pub days: Vec<ArchivedDay>,
    pub why: String,
}

impl Leaving {
    /// Which days.
    pub fn named(&self) -> Vec<Day> {
        self.days.iter().map(|day| day.day).collect()
    }

    /// What stands in the car's record about it.
    pub fn entry(&self, at: Micros) -> Entry {
        let named = self.named();
        let (first, last) = (named.iter().min(), named.iter().max());
        let span = first.zip(last).map(|(first, last)| format!("{first} to {last}")).unwrap_or_default();
        let rows: u64 = self.days.iter().map(|day| day.rows).sum();
        let mib = self.days.iter().map(|day| day.bytes).sum::<u64>() as f64 / f64::from(1 << 20);
        Entry {
            car: self.car.clone(),
            kind: EntryKind::Note,
            at,
            written: at,
            author: "foldwatch".to_owned(),
            cycle: None,
            subject: "samples left the archive".to_owned(),
            result: String::new(),
            text: format!(
                "Samples of {} days, {span} ({rows} rows, {mib:.1} MiB), left the archive: {}. What was found in them \
                 stays, and so do the seals with the SHA-256 of each file.",
                named.len(),
                self.why
            ),
            corrects: None,
        }
    }
}

/// What goes of the days that are archived, of all cars. The days that a car's archive took last stay, however old or
/// large they are.
pub fn leaving(archived: &[ArchivedDay], keep: &Keep, now: Micros) -> Vec<Leaving> {
    let mut newest: BTreeMap<&str, u64> = BTreeMap::new();
    for day in archived {
        let through = newest.entry(&day.car).or_default();
        *through = (*through).max(day.through.0);
    }
    let mut free: Vec<&ArchivedDay> =
        archived.iter().filter(|day| newest.get(day.car.as_str()) != Some(&day.through.0)).collect();
    free.sort_by_key(|day| day.day);
    let over = |day: &ArchivedDay| (now - day.day.span().until).0 / DAY - f64::from(keep.days);

    let mut left: u64 = archived.iter().map(|day| day.bytes).sum();
    let mut go: BTreeMap<(&str, String), Vec<ArchivedDay>> = BTreeMap::new();
    let aged = keep.days > 0 && free.first().is_some_and(|day| over(day) > TOGETHER_DAYS);
    let most = keep.archive_mib << 20;
    let too_large = |left: u64| keep.archive_mib > 0 && left as f64 > most as f64 * DOWN_TO;
    let mut shrinks = keep.archive_mib > 0 && left > most;
    for day in free {
        let why = if aged && over(day) > 0.0 {
            format!("older than {} days, as `keep.days` says", keep.days)
        } else if shrinks && too_large(left) {
            format!("the archive was larger than {} MiB, as `keep.archive_mib` says", keep.archive_mib)
        } else {
            continue;
        };
        left -= day.bytes;
        shrinks &= too_large(left);
        go.entry((&day.car, why)).or_default().push(day.clone());
    }
    go.into_iter().map(|((car, why), days)| Leaving { car: car.to_owned(), days, why }).collect()
}

#[cfg(test)]
mod tests {
    use foldwatch_store::Position;

    use super::*;

    /// Day `n` after 1970-01-01 of a car.
    fn day(car: &str, n: i64, mib: u64) -> ArchivedDay {
        ArchivedDay {
            car: car.to_owned(),
            day: Day::of(Micros(n * 86_400_000_000)).unwrap(),
            file: String::new(),
            rows: 10,
            bytes: mib << 20,
            sha256: [0; 32],
            sealed: Micros(0),
            through: Position(n as u64 + 1),
        }
    }

    fn gone(archived: &[ArchivedDay], days: u32, archive_mib: u64, now: i64) -> Vec<(String, usize)> {
        let leaving = leaving(archived, &Keep { days, archive_mib }, Micros(now * 86_400_000_000));
        leaving.iter().map(|leaving| (leaving.car.clone(), leaving.days.len())).collect()
    }

    #[test]
    fn without_a_bound_nothing_ever_goes() {
        let archived: Vec<_> = (0..500).map(|n| day("oak", n, 100)).collect();
        assert_eq!(gone(&archived, 0, 0, 100_000), []);
    }

    #[test]
    fn by_age_a_month_goes_at_once_and_the_last_days_stay_whatever_their_age() {
        let archived: Vec<_> = (0..100).map(|n| day("oak", n, 1)).collect();
        // The oldest ended 99 days ago, 39 over: those older than 60 days go.
        assert_eq!(gone(&archived, 60, 0, 100), [("oak".to_owned(), 39)]);
        // Over, but not by a month yet.
        assert_eq!(gone(&archived, 60, 0, 90), []);
        assert_eq!(gone(&archived, 60, 0, 100_000), [("oak".to_owned(), 99)]);
        assert_eq!(gone(&[day("elm", 1, 1)], 60, 0, 100_000), []);
    }

    #[test]
    fn by_size_the_oldest_of_all_cars_go_first_until_there_is_some_room() {
        let mut archived: Vec<_> = (10..20).map(|n| day("oak", n, 10)).collect();
        archived.extend((0..5).map(|n| day("elm", n, 10)));
        // 150 MiB, of 120: down to 108.
        assert_eq!(gone(&archived, 0, 120, 30), [("elm".to_owned(), 4), ("oak".to_owned(), 1)]);
        assert_eq!(gone(&archived, 0, 150, 30), []);
        let all = leaving(&archived, &Keep { days: 0, archive_mib: 1 }, Micros(0));
        assert_eq!(
            all.iter().map(|leaving| leaving.days.len()).sum::<usize>(),
            13,
            "two cars keep their last"
        );
    }

    #[test]
    fn the_entry_says_which_days_how_much_and_why() {
        let archived: Vec<_> = (0..100).map(|n| day("oak", n, 1)).collect();
        let leaving = leaving(&archived, &Keep { days: 60, archive_mib: 0 }, Micros(100 * 86_400_000_000));
        let entry = leaving[0].entry(Micros(5));
        assert_eq!((entry.author.as_str(), entry.kind), ("foldwatch", EntryKind::Note));
        assert!(
            entry.text.starts_with("Samples of 39 days, 1970-01-01 to 1970-02-08 (390 rows, 39.0 MiB), left"),
            "{}",
            entry.text
        );
        assert!(entry.text.contains("older than 60 days, as `keep.days` says"), "{}", entry.text);
    }
}
