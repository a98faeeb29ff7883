//! The store's twin in memory, for tests: plain lists and a scan for each question, so that it is easily seen to be
//! right. Everything above may be tested with it, and the database is tested against it.

use std::collections::BTreeMap;
use std::ops::RangeInclusive;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use foldwatch_units::{Direction, Micros};

#[cfg(feature = "archive")]
use crate::archive::{ArchivedDay, Day, Merge, SampleStream, Samples, Seal, check_columns, united};
use crate::check::{self, counted, kept_cycle, kept_finding, kept_fit};
use crate::journal::*;
use crate::records::*;
use crate::{Catalogue, Storage, StoreError, chain};

/// What identifies a finding that belongs to no cycle: car, time, kind, signal, phase.
type Alone = (String, Micros, String, Option<String>, Option<String>);

#[derive(Debug, Default)]
struct State {
    position: u64,
    journal: Vec<Journalled>,
    heads: BTreeMap<String, ChainHead>,
    held: BTreeMap<(String, u64), Held>,
    seen: BTreeMap<String, (Micros, u64)>,
    exchanges: BTreeMap<(String, u64, Micros, Micros), TimeExchange>,
    fits: BTreeMap<(String, u64), ClockFit>,
    cars: BTreeMap<String, Vec<Car>>,
    profiles: BTreeMap<String, Vec<ProfileText>>,
    attachments: BTreeMap<String, (String, Micros)>,
    checkpoints: BTreeMap<String, Checkpoint>,
    cycles: BTreeMap<(String, Micros), CycleRecord>,
    alone: BTreeMap<Alone, FindingRecord>,
    entries: Vec<Entry>,
    #[cfg(feature = "archive")]
    archive: BTreeMap<(String, Day), (ArchivedDay, Vec<Samples>)>,
    /// Up to where each car's journal has left for the archive.
    #[cfg(feature = "archive")]
    through: BTreeMap<String, Position>,
}

/// A store that is gone with the process. Clones share what is in it.
#[derive(Debug, Clone, Default)]
pub struct MemoryStore(Arc<Mutex<State>>);

impl MemoryStore {
    /// An empty one.
    pub fn new() -> Self {
        Self::default()
    }

    fn state(&self) -> MutexGuard<'_, State> {
        // A test that panicked elsewhere must not hide its own message behind this one.
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl State {
    fn expect_car(&self, car: &str) -> Result<(), StoreError> {
        match self.cars.contains_key(car) {
            true => Ok(()),
            false => Err(StoreError::UnknownCar { car: car.to_owned() }),
        }
    }

    fn car_of(&self, logger: &str) -> Result<String, StoreError> {
        let attached = self.attachments.get(logger).map(|(car, _)| car.clone());
        attached.ok_or_else(|| StoreError::UnknownLogger { logger: logger.to_owned() })
    }

    /// The last starts before one that anything was ever held of.
    fn earlier(&self, logger: &str, boot: u64) -> Vec<u64> {
        let before = self.held.range((logger.to_owned(), 0)..(logger.to_owned(), boot)).rev();
        let held = before.filter(|(_, held)| held.held.first().is_some());
        held.map(|((_, boot), _)| *boot).take(Durable::MOST_EARLIER).collect()
    }
}

impl Storage for MemoryStore {
    fn catalogue(&self) -> &dyn Catalogue {
        self
    }

    fn reader(&self) -> Result<Box<dyn Catalogue + Send>, StoreError> {
        Ok(Box::new(self.clone()))
    }

    fn append(&mut self, batch: &[Frame]) -> Result<Vec<Durable>, StoreError> {
        let state = &mut *self.state();
        for frame in batch {
            check::frame(frame)?;
            state.car_of(&frame.logger)?;
        }
        let mut counts: BTreeMap<(String, u64), (usize, usize)> = BTreeMap::new();
        for frame in batch {
            let key = (frame.logger.clone(), frame.boot);
            state.seen.insert(frame.logger.clone(), (frame.received, frame.boot));
            let (new, known) = counts.entry(key.clone()).or_default();
            let held = &mut state.held.entry(key).or_default().held;
            if held.contains(frame.sequence) {
                *known += 1;
                continue;
            }
            *new += 1;
            held.insert(frame.sequence..=frame.sequence);
            let car = state.car_of(&frame.logger)?;
            state.position += 1;
            let (frames, before) =
                state.heads.get(&car).map_or((0, chain::GENESIS), |head| (head.frames, head.link));
            let position = Position(state.position);
            let head = ChainHead { position, frames: frames + 1, link: chain::link(&before, frame) };
            state.heads.insert(car.clone(), head);
            state.journal.push(Journalled { position, car, frame: frame.clone() });
        }
        Ok(counts
            .into_iter()
            .map(|((logger, boot), (new, known))| {
                let held = &state.held[&(logger.clone(), boot)];
                Durable::of(
                    &logger,
                    (state.earlier(&logger, boot), boot),
                    &held.held,
                    &held.lost,
                    (new, known),
                )
            })
            .collect())
    }

    fn give_up(
        &mut self,
        logger: &str,
        boot: u64,
        sequences: RangeInclusive<u64>,
    ) -> Result<Durable, StoreError> {
        let state = &mut *self.state();
        counted("boot", boot)?;
        counted("sequence", *sequences.end())?;
        state.car_of(logger)?;
        let held = state.held.entry((logger.to_owned(), boot)).or_default();
        held.lost.insert(sequences);
        let held = held.clone();
        Ok(Durable::of(logger, (state.earlier(logger, boot), boot), &held.held, &held.lost, (0, 0)))
    }

    fn add_exchanges(&mut self, exchanges: &[TimeExchange]) -> Result<(), StoreError> {
        let state = &mut *self.state();
        for e in exchanges {
            counted("boot", e.boot)?;
        }
        for e in exchanges {
            state.exchanges.entry((e.logger.clone(), e.boot, e.sent, e.logged)).or_insert_with(|| e.clone());
        }
        Ok(())
    }

    fn put_clock_fit(&mut self, fit: &ClockFit) -> Result<(), StoreError> {
        check::clock_fit(fit)?;
        self.state().fits.insert((fit.logger.clone(), fit.boot), kept_fit(fit.clone()));
        Ok(())
    }

    fn put_car(&mut self, car: &Car) -> Result<(), StoreError> {
        check::car(car)?;
        let state = &mut *self.state();
        let history = state.cars.entry(car.id.clone()).or_default();
        if !history.last().is_some_and(|last| last.name == car.name && last.profile == car.profile) {
            history.push(car.clone());
        }
        Ok(())
    }

    fn put_profile(&mut self, profile: &str, text: &str, at: Micros) -> Result<u32, StoreError> {
        let state = &mut *self.state();
        let history = state.profiles.entry(profile.to_owned()).or_default();
        if let Some(last) = history.last().filter(|last| last.text == text) {
            return Ok(last.revision);
        }
        let revision = history.len() as u32 + 1;
        history.push(ProfileText {
            profile: profile.to_owned(),
            revision,
            text: text.to_owned(),
            recorded: at,
        });
        Ok(revision)
    }

    fn attach(&mut self, logger: &str, car: &str, at: Micros) -> Result<(), StoreError> {
        let state = &mut *self.state();
        state.expect_car(car)?;
        if state.attachments.get(logger).is_none_or(|(there, _)| there != car) {
            state.attachments.insert(logger.to_owned(), (car.to_owned(), at));
        }
        Ok(())
    }

    fn put_judged(&mut self, judged: &Judged) -> Result<(), StoreError> {
        let state = &mut *self.state();
        for cycle in &judged.cycles {
            check::cycle(cycle)?;
            state.expect_car(&cycle.car)?;
        }
        for (car, _) in &judged.findings {
            state.expect_car(car)?;
        }
        if let Some(checkpoint) = &judged.checkpoint {
            state.expect_car(&checkpoint.car)?;
            counted("position", checkpoint.position.0)?;
            state.checkpoints.insert(checkpoint.car.clone(), checkpoint.clone());
        }
        for cycle in &judged.cycles {
            state.cycles.insert((cycle.car.clone(), cycle.start), kept_cycle(cycle.clone()));
        }
        for (car, finding) in &judged.findings {
            let f = kept_finding(finding.clone());
            state.alone.insert((car.clone(), f.at, f.kind.clone(), f.signal.clone(), f.phase.clone()), f);
        }
        Ok(())
    }

    fn add_entry(&mut self, entry: &Entry) -> Result<u64, StoreError> {
        let state = &mut *self.state();
        state.expect_car(&entry.car)?;
        if let Some(id) = entry.corrects {
            let index = counted("entry", id)?.checked_sub(1).and_then(|index| usize::try_from(index).ok());
            if index.and_then(|at| state.entries.get(at)).is_none_or(|there| there.car != entry.car) {
                return Err(StoreError::UnknownEntry { car: entry.car.clone(), id });
            }
        }
        state.entries.push(entry.clone());
        Ok(state.entries.len() as u64)
    }

    #[cfg(feature = "archive")]
    fn seal(
        &mut self,
        seal: &Seal,
        rows: &mut dyn Iterator<Item = Result<Samples, StoreError>>,
    ) -> Result<ArchivedDay, StoreError> {
        let state = &mut *self.state();
        check_columns(&seal.columns)?;
        state.expect_car(&seal.car)?;
        let key = (seal.car.clone(), seal.day);
        let old = state.archive.get(&key).map_or(Vec::new(), |(_, batches)| batches.clone());
        let columns = old.first().map_or(seal.columns.clone(), |batch| united(&batch.columns, &seal.columns));
        let mut last = None;
        let mut new = Vec::new();
        for batch in rows {
            let batch = batch?;
            batch.check(&seal.columns, seal.day, last)?;
            last = batch.times.last().copied().or(last);
            new.push(batch);
        }
        let stream = |batches: Vec<Samples>| Box::new(batches.into_iter().map(Ok));
        let mut batches =
            Merge::new(columns.clone(), stream(old), stream(new)).collect::<Result<Vec<_>, _>>()?;
        let rows = batches.iter().map(|batch| batch.len() as u64).sum();
        if batches.is_empty() {
            batches.push(Samples::new(columns)); // keeps the columns, as a file does
        }
        let head = state.heads.get(&seal.car).map_or(Position(0), |head| head.position);
        let judged = state.checkpoints.get(&seal.car).map_or(head, |checkpoint| checkpoint.position);
        let before = state.through.get(&seal.car).copied().unwrap_or_default();
        let through = seal.through.min(head).min(judged).max(before);
        state.through.insert(seal.car.clone(), through);
        state.journal.retain(|row| row.car != seal.car || row.position > through);
        let day = ArchivedDay {
            car: seal.car.clone(),
            day: seal.day,
            file: String::new(), // there is no file
            rows,
            bytes: 0,
            sha256: [0; 32],
            sealed: seal.at,
            through,
        };
        state.archive.insert(key, (day.clone(), batches));
        Ok(day)
    }
}

/// The newest `limit` of what is sorted oldest first.
fn newest<T>(mut rows: Vec<T>, limit: u32) -> Vec<T> {
    rows.drain(..rows.len().saturating_sub(limit as usize));
    rows
}

impl Catalogue for MemoryStore {
    fn cars(&self) -> Result<Vec<Car>, StoreError> {
        Ok(self.state().cars.values().filter_map(|history| history.last().cloned()).collect())
    }

    fn car(&self, id: &str) -> Result<Option<Car>, StoreError> {
        Ok(self.car_history(id)?.pop())
    }

    fn car_history(&self, id: &str) -> Result<Vec<Car>, StoreError> {
        Ok(self.state().cars.get(id).cloned().unwrap_or_default())
    }

    fn profile(&self, id: &str) -> Result<Option<ProfileText>, StoreError> {
        Ok(self.profile_history(id)?.pop())
    }

    fn profile_history(&self, id: &str) -> Result<Vec<ProfileText>, StoreError> {
        Ok(self.state().profiles.get(id).cloned().unwrap_or_default())
    }

    fn loggers(&self) -> Result<Vec<Logger>, StoreError> {
        let state = self.state();
        let logger = |(id, (car, attached)): (&String, &(String, Micros))| Logger {
            id: id.clone(),
            car: car.clone(),
            attached: *attached,
            last_seen: state.seen.get(id).map(|seen| seen.0),
            last_boot: state.seen.get(id).map(|seen| seen.1),
        };
        Ok(state.attachments.iter().map(logger).collect())
    }

    fn journal(&self, car: Option<&str>, after: Position, limit: u32) -> Result<Vec<Journalled>, StoreError> {
        let state = self.state();
        let asked = |row: &&Journalled| row.position > after && car.is_none_or(|car| row.car == car);
        Ok(state.journal.iter().filter(asked).take(limit as usize).cloned().collect())
    }

    fn held(&self, logger: &str, boot: u64) -> Result<Held, StoreError> {
        Ok(self.state().held.get(&(logger.to_owned(), boot)).cloned().unwrap_or_default())
    }

    fn chain_head(&self, car: &str) -> Result<Option<ChainHead>, StoreError> {
        Ok(self.state().heads.get(car).cloned())
    }

    fn verify_chain(&self, car: &str) -> Result<ChainReport, StoreError> {
        let walked = self.state().journal.iter().filter(|row| row.car == car).count() as u64;
        Ok(ChainReport { walked, broken: None }) // nobody else can write here
    }

    fn exchanges(&self, logger: &str, boot: u64) -> Result<Vec<TimeExchange>, StoreError> {
        let state = self.state();
        Ok(state.exchanges.values().filter(|e| e.logger == logger && e.boot == boot).cloned().collect())
    }

    fn clock_fit(&self, logger: &str, boot: u64) -> Result<Option<ClockFit>, StoreError> {
        Ok(self.state().fits.get(&(logger.to_owned(), boot)).cloned())
    }

    fn checkpoint(&self, car: &str) -> Result<Option<Checkpoint>, StoreError> {
        Ok(self.state().checkpoints.get(car).cloned())
    }

    fn cycles(&self, query: &CycleQuery) -> Result<Vec<CycleSummary>, StoreError> {
        let asked = |cycle: &CycleSummary| {
            query.car.as_ref().is_none_or(|car| *car == cycle.car)
                && (query.span == Span::ALL || query.span.contains(cycle.start))
                && query.direction.is_none_or(|direction| direction == cycle.direction)
                && query.outcome.as_ref().is_none_or(|outcome| *outcome == cycle.outcome)
                && query.worst.is_none_or(|worst| cycle.worst >= Some(worst))
        };
        let mut found: Vec<_> =
            self.state().cycles.values().map(CycleRecord::summary).filter(asked).collect();
        found.sort_by(|a, b| {
            let time = a.start.cmp(&b.start);
            (if query.newest_first { time.reverse() } else { time }).then_with(|| a.car.cmp(&b.car))
        });
        found.truncate(query.limit as usize);
        Ok(found)
    }

    fn cycle(&self, car: &str, start: Micros) -> Result<Option<CycleRecord>, StoreError> {
        Ok(self.state().cycles.get(&(car.to_owned(), start)).cloned())
    }

    fn findings(&self, query: &FindingQuery) -> Result<Vec<FindingRow>, StoreError> {
        let state = self.state();
        let of_cycles = state.cycles.values().flat_map(|cycle| {
            cycle.findings.iter().map(|finding| FindingRow {
                car: cycle.car.clone(),
                cycle: Some(cycle.start),
                finding: finding.clone(),
            })
        });
        let alone = state.alone.iter().map(|((car, ..), finding)| FindingRow {
            car: car.clone(),
            cycle: None,
            finding: finding.clone(),
        });
        let mut found: Vec<_> = of_cycles
            .chain(alone)
            .filter(|row| {
                query.car.as_ref().is_none_or(|car| *car == row.car)
                    && (query.span == Span::ALL || query.span.contains(row.finding.at))
                    && query.kind.as_ref().is_none_or(|kind| *kind == row.finding.kind)
                    && query.weight.is_none_or(|weight| row.finding.weight >= weight)
            })
            .collect();
        // Within a cycle the sort is stable, so the place decides last.
        found.sort_by(|a, b| {
            let key = |row: &FindingRow| {
                let f = &row.finding;
                (row.car.clone(), f.kind.clone(), f.signal.clone(), f.phase.clone(), row.cycle)
            };
            b.finding.at.cmp(&a.finding.at).then_with(|| key(a).cmp(&key(b)))
        });
        found.truncate(query.limit as usize);
        Ok(found)
    }

    fn phase_runs(
        &self,
        car: &str,
        direction: Direction,
        index: u32,
        span: Span,
        limit: u32,
    ) -> Result<Vec<PhaseRow>, StoreError> {
        let state = self.state();
        let of_car = state.cycles.values().filter(|cycle| cycle.car == car && span.contains(cycle.start));
        let rows = of_car.flat_map(|cycle| {
            let asked = move |phase: &&PhaseRecord| phase.direction == direction && phase.index == index;
            cycle.phases.iter().filter(asked).map(|phase| PhaseRow {
                cycle: cycle.start,
                outcome: cycle.outcome.clone(),
                phase: phase.clone(),
            })
        });
        Ok(newest(rows.collect(), limit))
    }

    fn measure_runs(
        &self,
        car: &str,
        name: &str,
        span: Span,
        limit: u32,
    ) -> Result<Vec<MeasureRow>, StoreError> {
        let state = self.state();
        let of_car = state.cycles.values().filter(|cycle| cycle.car == car && span.contains(cycle.start));
        let rows = of_car.flat_map(|cycle| {
            let asked = cycle.measures.iter().filter(|measure| measure.name == name);
            asked.map(|measure| MeasureRow { cycle: cycle.start, measure: measure.clone() })
        });
        Ok(newest(rows.collect(), limit))
    }

    fn figures(
        &self,
        car: &str,
        measures: &[&str],
        span: Span,
        limit: u32,
    ) -> Result<Vec<CycleRecord>, StoreError> {
        let state = self.state();
        let of_car = state.cycles.values().filter(|cycle| cycle.car == car && span.contains(cycle.start));
        let figures = of_car.map(|cycle| CycleRecord {
            judged: String::new(),
            findings: Vec::new(),
            // In the order of the names, as they are asked for.
            measures: measures
                .iter()
                .flat_map(|name| cycle.measures.iter().filter(move |measure| measure.name == *name).cloned())
                .collect(),
            ..cycle.clone()
        });
        Ok(newest(figures.collect(), limit))
    }

    fn entries(&self, car: &str, span: Span, limit: u32) -> Result<Vec<(u64, Entry)>, StoreError> {
        let state = self.state();
        let numbered = state.entries.iter().enumerate().map(|(at, entry)| (at as u64 + 1, entry.clone()));
        let mut rows: Vec<_> =
            numbered.filter(|(_, entry)| entry.car == car && span.contains(entry.at)).collect();
        rows.sort_by_key(|(id, entry)| (entry.at, *id));
        Ok(newest(rows, limit))
    }

    #[cfg(feature = "archive")]
    fn archived(&self, car: &str) -> Result<Vec<ArchivedDay>, StoreError> {
        let state = self.state();
        let days = state.archive.values().map(|(day, _)| day);
        Ok(days.filter(|day| day.car == car).cloned().collect())
    }

    #[cfg(feature = "archive")]
    fn samples(&self, car: &str, span: Span) -> Result<SampleStream, StoreError> {
        let state = self.state();
        let of_car = state.archive.values().filter(|(day, _)| day.car == car);
        let batches: Vec<_> = of_car
            .flat_map(|(_, batches)| batches.iter().map(|batch| batch.within(span)))
            .filter(|batch| !batch.is_empty())
            .collect();
        Ok(Box::new(batches.into_iter().map(Ok)))
    }
}
