//! Clocks that jumped: every time on a page and in evidence rests on them, so each jump stands in the car's record, once,
//! however often the journal is read again.

use std::collections::{HashSet, VecDeque};
use std::time::{Duration, Instant};

use foldwatch_collect::utc_now;
use foldwatch_pipeline::Lane;
use foldwatch_samples::Note;
use foldwatch_store::{Catalogue, Entry, EntryKind, Span};
use foldwatch_units::Seconds;

use super::replay::logger_name;

/// A smaller jump stands in the log only. Judgment: a minute does not take a movement to another one's place.
const LEAST: Seconds = Seconds(60.0);
/// So many of a car are entered in a day; more are counted only, as a record can't be shortened again. Judgment.
const MOST_A_DAY: usize = 10;
const DAY: Duration = Duration::from_secs(86_400);
/// Entries that are looked through for those of before.
const ENTRIES: u32 = 10_000;

const SUBJECT: &str = "a clock jumped";
const NOT_SET: &str = "a clock is not set";

/// What the record of one car has on clocks.
#[derive(Debug, Default)]
pub struct Clocks {
    /// Their sentences; `None`: not looked for yet.
    known: Option<HashSet<String>>,
    /// When the last ones were entered.
    entered: VecDeque<Instant>,
}

impl Clocks {
    /// What is to be entered about a note; `None`: it says nothing of a clock, or it stands there already.
    pub fn note(&mut self, car: &str, note: &Note, lane: &Lane, reader: &dyn Catalogue) -> Option<Entry> {
        let (subject, mut text) = told(note)?;
        if self.known.is_none() {
            let mine = |entry: Entry| (entry.author == "foldwatch").then_some(entry.text);
            match reader.entries(car, Span::ALL, ENTRIES) {
                Ok(entries) => self.known = Some(entries.into_iter().filter_map(|(_, e)| mine(e)).collect()),
                // Twice is better than never.
                Err(error) => tracing::error!(car, "entries can't be read: {error}"),
            }
        }
        let known = self.known.get_or_insert_default();
        // The last one of a day ends with more words.
        if known.iter().any(|old| old.starts_with(&text)) {
            return None;
        }
        known.insert(text.clone());
        metrics::counter!("foldwatch_clock_jumps_total", "car" => car.to_owned()).increment(1);
        while self.entered.front().is_some_and(|at| at.elapsed() > DAY) {
            self.entered.pop_front();
        }
        if self.entered.len() >= MOST_A_DAY {
            return None;
        }
        self.entered.push_back(Instant::now());
        if self.entered.len() == MOST_A_DAY {
            text += " There were many today: further ones are counted only (foldwatch_clock_jumps_total).";
        }
        let (now, written) = (lane.engine().now(), utc_now());
        Some(Entry {
            car: car.to_owned(),
            kind: EntryKind::Note,
            // By the car's own times, so that it stands where they jump.
            at: if lane.is_dated(now) { lane.utc(now) } else { written },
            written,
            author: "foldwatch".to_owned(),
            cycle: None,
            subject: subject.to_owned(),
            result: String::new(),
            text,
            corrects: None,
        })
    }
}

/// What it is and what it means; the frame makes each one its own.
fn told(note: &Note) -> Option<(&'static str, String)> {
    let of = |id: &foldwatch_wire::FrameId| {
        format!("Logger {}, frame {}.{}: ", logger_name(id.logger), id.boot, id.sequence)
    };
    Some(match note {
        Note::Back { id, by } if *by >= LEAST => (
            SUBJECT,
            of(id)
                + &format!(
                    "its counter went back by {}. How long it paused there is not known: times go on from the last record \
                     until the host's time comes; movements just behind may be dated wrongly.",
                    long(*by)
                ),
        ),
        Note::Ahead { id, by } if *by >= LEAST => (
            SUBJECT,
            of(id)
                + &format!(
                    "its counter went on by {}, though no frame is missing. If the logger did not stand still so long, \
                     movements behind it are dated too late until the host's time comes.",
                    long(*by)
                ),
        ),
        Note::ClockSet { id, by, .. } if Seconds(by.0.abs()) >= LEAST => (
            SUBJECT,
            of(id)
                + &format!(
                    "a clock was set {} by {}: this machine's or the logger's. Dates before and after may not fit one \
                     another.",
                    if by.0 < 0.0 { "back" } else { "on" },
                    long(Seconds(by.0.abs()))
                ),
        ),
        Note::BehindTheLog(id) => (
            SUBJECT,
            of(id)
                + "by its clock it started before its last record. Its times go on from there until the host's time comes.",
        ),
        // At each of its starts: once is enough.
        Note::NotSet(id) => (
            NOT_SET,
            format!(
                "Logger {}: its own clock is not set (no date of this time). Its movements are dated by this machine's \
                 clock, once it has told its time; what was never told stays without a date.",
                logger_name(id.logger)
            ),
        ),
        _ => return None,
    })
}

fn long(length: Seconds) -> String {
    match length.0 {
        s if s < 3600.0 => format!("{:.0} min", s / 60.0),
        s => format!("{:.1} h", s / 3600.0),
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use foldwatch_store::{MemoryStore, Storage};
    use foldwatch_units::Micros;
    use foldwatch_wire::FrameId;

    fn back(sequence: u32, seconds: f64) -> Note {
        Note::Back { id: FrameId { logger: 0x2A, boot: 3, sequence }, by: Seconds(seconds) }
    }

    #[test]
    fn each_jump_is_entered_once_and_many_of_a_day_are_counted_only() {
        let profile = foldwatch_profile::parse(include_str!("../../../../config/profiles/hardtop-five.toml"));
        let lane = Lane::new(Arc::new(profile.unwrap().profile));
        let mut store = MemoryStore::new();
        let car = foldwatch_store::Car {
            id: "oak".into(),
            name: "Oak".into(),
            profile: "hardtop-five".into(),
            recorded: Micros(1),
        };
        store.put_car(&car).unwrap();
        let mut clocks = Clocks::default();
        assert_eq!(clocks.note("oak", &back(7, 59.0), &lane, store.catalogue()), None, "small");
        let first = clocks.note("oak", &back(7, 126_000.0), &lane, store.catalogue()).unwrap();
        assert!(
            first.text.contains("0000002A, frame 3.7: its counter went back by 35.0 h"),
            "{}",
            first.text
        );
        assert_eq!(clocks.note("oak", &back(7, 126_000.0), &lane, store.catalogue()), None, "again");
        store.add_entry(&first).unwrap();
        let mut last = first;
        for n in 8..16 {
            last = clocks.note("oak", &back(n, 126_000.0), &lane, store.catalogue()).unwrap();
        }
        assert!(!last.text.contains("many today"));
        last = clocks.note("oak", &back(16, 126_000.0), &lane, store.catalogue()).unwrap();
        assert!(last.text.contains("many today"), "{}", last.text);
        store.add_entry(&last).unwrap();
        assert_eq!(clocks.note("oak", &back(17, 126_000.0), &lane, store.catalogue()), None, "too many");

        // Started anew: what stands in the record is known, a logger's clock that is not set is told once.
        let mut clocks = Clocks::default();
        for known in [7, 16] {
            assert_eq!(clocks.note("oak", &back(known, 126_000.0), &lane, store.catalogue()), None);
        }
        let not_set = |boot| Note::NotSet(FrameId { logger: 0x2A, boot, sequence: 0 });
        assert!(clocks.note("oak", &not_set(1), &lane, store.catalogue()).is_some());
        assert_eq!(clocks.note("oak", &not_set(2), &lane, store.catalogue()), None);
    }
}
