//! Frames as they come to verdicts, on a thread of its own: nothing here waits for the disk.

use std::collections::HashMap;
use std::sync::mpsc::SyncSender;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use foldwatch_collect::{Answer, Arrived, Batch, Heard};
use foldwatch_pipeline::{Event, Lane, Verdict};
use foldwatch_profile::Profile;
use foldwatch_report::rfc3339;
use foldwatch_samples::Item;
use foldwatch_store::{
    Catalogue, ClockFit, CycleQuery, CycleRecord, Day, Entry, EntryKind, Position, Span, StoreError,
    TimeExchange,
};
use foldwatch_units::{Micros, Seconds};
use foldwatch_web::{Hub, LiveCycle, LiveMessage, LiveState};
use foldwatch_wire::Frame;

use super::alive::Pulse;
use super::bench::Bench;
use super::causes::Causes;
use super::clocks::Clocks;
use super::guides::Guides;
use super::lines::{Lines, LinesSettings, stand_in};
use super::meters;
use super::places::Fitted;
use super::ports::Ports;
use super::replay::{Journal, logger_name};
use super::saved::{Saved, lane_bytes};
use super::settings::CarSettings;

/// What is to be made durable, and done once it is.
#[derive(Default)]
pub struct Work {
    /// Whose.
    pub car: String,
    /// A logger that is heard for the first time.
    pub attach: Option<String>,
    /// To be journalled.
    pub frames: Vec<foldwatch_store::Frame>,
    /// The way back to the logger, and its number.
    pub answer: Option<(u32, Answer)>,
    /// To be kept.
    pub cycles: Vec<CycleRecord>,
    /// Starts of those that have their last word.
    pub settled: Vec<Micros>,
    /// What people wrote, and whom to tell that it is kept.
    pub entries: Vec<(Entry, SyncSender<()>)>,
    /// What is noted in the car's record without anybody's writing it.
    pub notes: Vec<Entry>,
    /// To be kept.
    pub exchanges: Vec<TimeExchange>,
    /// To be kept.
    pub fit: Option<ClockFit>,
    /// The lane's state after these frames, when it is time to save it.
    pub state: Option<Standing>,
    /// To be told when all that is on disk.
    pub messages: Vec<LiveMessage>,
}

/// A lane's state.
pub struct Standing {
    /// As bytes of this version.
    pub lane: Vec<u8>,
    /// The day that it has come to, once its date is known.
    pub day: Option<Day>,
}

/// Loggers that no longer have what is missing: their cars' lanes wait no longer.
pub type Lost = Arc<Mutex<Vec<u32>>>;

/// Cars on whose roof work was done, as somebody has entered it.
pub type Repaired = Arc<Mutex<Vec<String>>>;

/// Entries of a car that are looked through.
const ENTRIES: u32 = 1000;

/// One car.
struct Desk {
    id: String,
    profile: Arc<Profile>,
    loggers: Vec<u32>,
    lane: Lane,
    /// Verdicts of movements whose date is not known yet.
    undated: Vec<Verdict>,
    /// The movement that was told last: its start in the log's time and as it was told.
    told: Option<(Micros, Micros)>,
    attached: Vec<u32>,
    /// Frames since the state was saved, when that was, and the day that it had come to.
    unsaved: usize,
    saved: Instant,
    day: Option<Day>,
    bench: Bench,
    clocks: Clocks,
}

/// The state is saved after so many frames, or so long, and where a day begins: then the one before can be archived.
const SAVE_FRAMES: usize = 4000;
const SAVE_AFTER: Duration = Duration::from_secs(30);
/// So many verdicts wait for their date; the logger has none then, and its own time is taken.
const UNDATED: usize = 500;
/// Two maps of one movement's start differ by less than this.
const SAME_START: Seconds = Seconds(1.0);

/// What the judge shares with the other parts.
pub struct Around {
    /// Which logger is where.
    pub ports: Arc<Ports>,
    /// Who watches live.
    pub hub: Arc<Hub>,
    /// What is given up.
    pub lost: Lost,
    /// Cars on whose roof work was done.
    pub repaired: Repaired,
    /// What the cycles showed, for the causes.
    pub causes: Arc<Causes>,
    /// Guided tests under way.
    pub guides: Arc<Guides>,
    /// Which car a logger sits in, as it was picked on a page.
    pub fitted: Fitted,
    /// That it gets on.
    pub pulse: Pulse,
}

/// Judges what all loggers send.
pub struct Judge {
    desks: Vec<Desk>,
    /// Which ports are said to bring lines of columns.
    columns: Vec<LinesSettings>,
    /// What is being read at such a port, and the desk that it is for.
    lines: HashMap<Arc<str>, (usize, Lines)>,
    reader: Box<dyn Catalogue + Send>,
    keeper: SyncSender<Work>,
    around: Around,
}

impl Judge {
    /// Goes on where the store says that it left off.
    ///
    /// # Errors
    /// When the store can't be read.
    pub fn resume(
        cars: &[CarSettings],
        columns: Vec<LinesSettings>,
        reader: Box<dyn Catalogue + Send>,
        keeper: SyncSender<Work>,
        around: Around,
    ) -> Result<Self, StoreError> {
        let mut desks = Vec::new();
        for car in cars {
            let resumed = Saved::of(&*reader, &car.id)?.and_then(|(position, saved)| {
                Some((position, Lane::resume(Arc::clone(&car.profile), saved.lane()?)?))
            });
            let (after, lane) = resumed.unwrap_or_else(|| (Position(0), Lane::new(Arc::clone(&car.profile))));
            let mut desk = Desk {
                id: car.id.clone(),
                profile: Arc::clone(&car.profile),
                loggers: car.loggers.clone(),
                lane,
                undated: Vec::new(),
                told: None,
                attached: Vec::new(),
                unsaved: 0,
                saved: Instant::now(),
                day: None,
                bench: Bench::new(&car.id, &car.profile),
                clocks: Clocks::default(),
            };
            let saved = reader.checkpoint(&car.id)?.map(|checkpoint| checkpoint.saved);
            let mut frames = 0u64;
            let mut work = Work { car: car.id.clone(), ..Work::default() };
            for row in Journal::new(&*reader, &car.id, after, Position(i64::MAX as u64)) {
                let (_, id, frame) = row?;
                desk.take(id, frame, &around, &*reader, &mut work);
                frames += 1;
            }
            tracing::info!(car = car.id, frames, "goes on");
            // Work on the roof that was entered after the state was saved: the state does not know of it.
            let worked = |entry: &Entry| {
                entry.kind == EntryKind::Service && saved.is_some_and(|saved| entry.written > saved)
            };
            if reader.entries(&car.id, Span::ALL, ENTRIES)?.iter().any(|(_, entry)| worked(entry)) {
                desk.lane.after_repair();
            }
            // What came of them may not have been kept; keeping it again changes nothing.
            let found = !work.cycles.is_empty() || !work.notes.is_empty();
            if found && keeper.send(work).is_err() {
                break;
            }
            around.causes.showed(&desk.id, &desk.profile, desk.lane.engine().evidence());
            desks.push(desk);
        }
        Ok(Judge { desks, columns, lines: HashMap::new(), reader, keeper, around })
    }

    /// Takes what came at a port. `false`: the keeper is gone.
    pub fn take(&mut self, batch: Batch) -> bool {
        self.give_up();
        self.repaired();
        let mut works: HashMap<usize, Work> = HashMap::new();
        let mut last: Option<usize> = None;
        let (port, received) = (batch.port, batch.received);
        for heard in batch.heard {
            match heard {
                Heard::Frame(arrived) => {
                    let logger = arrived.id.logger;
                    let Some(n) = self.whose(logger) else {
                        let words = format!(
                            "logger {logger:08X} belongs to no car: say on the page of ports which one it sits in, or \
                             name it under `loggers` of its car; nothing is lost, it keeps what it records"
                        );
                        self.around.ports.stranger(&port, logger, &words);
                        let mut fitted = self.around.fitted.lock().unwrap_or_else(PoisonError::into_inner);
                        fitted.strangers.insert(logger, batch.answer.clone());
                        continue;
                    };
                    last = Some(n);
                    self.arrived(n, arrived, &port, received, &mut works);
                    if let Some(work) = works.get_mut(&n) {
                        work.answer = Some((logger, batch.answer.clone()));
                    }
                }
                Heard::Damage { words, bytes } => {
                    metrics::counter!("foldwatch_damaged_stretches_total").increment(1);
                    metrics::counter!("foldwatch_damaged_bytes_total").increment(bytes);
                    tracing::warn!(port = &*port, "{words}");
                    let whose = last.or_else(|| {
                        let logger = self.around.ports.logger_at(&port)?;
                        self.desks.iter().position(|desk| desk.attached.contains(&logger))
                    });
                    if let Some(desk) = whose.and_then(|n| self.desks.get_mut(n)) {
                        desk.lane.damaged();
                    }
                }
                Heard::Columns(bytes) => match self.lines(&port, &batch.named, &bytes, received) {
                    Ok((n, frames)) => {
                        for arrived in frames {
                            self.arrived(n, arrived, &port, received, &mut works);
                        }
                    }
                    Err(words) => self.around.ports.trouble(&port, &words),
                },
            }
        }
        for (n, mut work) in works {
            if let Some(desk) = self.desks.get_mut(n) {
                if !work.cycles.is_empty() {
                    self.around.causes.showed(&desk.id, &desk.profile, desk.lane.engine().evidence());
                }
                desk.bench.publish(&desk.lane, &self.around.hub);
                self.around.guides.publish(&desk.id, &desk.lane);
                work.state = desk.state_to_save(work.frames.len());
            }
            if !self.hand_on(work) {
                return false;
            }
        }
        true
    }

    /// To the keeper, which may wait for the disk; `false`: it is gone.
    fn hand_on(&self, work: Work) -> bool {
        self.around.pulse.rest();
        let taken = self.keeper.send(work).is_ok();
        self.around.pulse.beat();
        taken
    }

    /// A frame of a logger in the car of desk `n`.
    fn arrived(
        &mut self,
        n: usize,
        arrived: Arrived,
        port: &Arc<str>,
        received: Micros,
        works: &mut HashMap<usize, Work>,
    ) {
        let Some(desk) = self.desks.get_mut(n) else { return };
        let logger = arrived.id.logger;
        let work = works.entry(n).or_insert_with(|| Work { car: desk.id.clone(), ..Work::default() });
        if !desk.attached.contains(&logger) {
            desk.attached.push(logger);
            work.attach = Some(logger_name(logger));
        }
        self.around.ports.heard(port, logger, &desk.id);
        work.frames.push(foldwatch_store::Frame {
            logger: logger_name(logger),
            boot: arrived.id.boot.into(),
            sequence: arrived.id.sequence.into(),
            received,
            logged: None,
            bytes: arrived.raw,
        });
        let note = match &arrived.frame {
            Frame::Time(note) => Some(*note),
            _ => None,
        };
        let before = *desk.lane.counts();
        desk.take(arrived.id, arrived.frame, &self.around, &*self.reader, work);
        meters::came_in(&desk.id, &desk.lane, &before, received);
        if let Some(note) = note {
            desk.clock(arrived.id, note.utc, received, work);
        }
    }

    /// Lines of columns as frames, and the desk that they are for.
    fn lines(
        &mut self,
        port: &Arc<str>,
        named: &str,
        bytes: &[u8],
        received: Micros,
    ) -> Result<(usize, Vec<Arrived>), String> {
        let (n, mut lines) = match self.lines.remove(port) {
            Some(known) => known,
            None => self.first_lines(named, received)?,
        };
        let frames = lines.take(bytes, received);
        for sentence in lines.losses() {
            tracing::warn!(port = &**port, "{sentence}");
        }
        // Under another name it is the same logger.
        self.lines.retain(|_, (other, _)| *other != n);
        self.lines.insert(Arc::clone(port), (n, lines));
        Ok((n, frames.map_err(|error| format!("lines of columns come here, but {error}"))?))
    }

    /// Whose lines come at a port where none came before, and how they are read.
    fn first_lines(&self, named: &str, received: Micros) -> Result<(usize, Lines), String> {
        let said = self.columns.iter().find(|lines| lines.port == named);
        let n = match said {
            Some(lines) => self.desks.iter().position(|desk| desk.id == lines.car),
            None => Some(0).filter(|_| self.desks.len() == 1),
        };
        let Some((n, desk)) = n.and_then(|n| Some((n, self.desks.get(n)?))) else {
            return Err("lines of columns come here, and they don't tell which car's they are: name it by car = \"ID\" at \
                        this port in the settings; until then they are not recorded"
                .to_owned());
        };
        let logger = stand_in(&desk.id);
        // A start's number is never used twice: after the last known one, and after the clock's.
        let after = desk.lane.boot(logger).map_or(0, |boot| boot.saturating_add(1));
        let boot = after.max(u32::try_from(received.0 / 1_000_000).unwrap_or(0));
        let map = said.map(|lines| lines.map.clone()).unwrap_or_default();
        Ok((n, Lines::new(map, &desk.profile, logger, boot)))
    }

    /// Which car a logger sits in: the one that names it, the one that was picked for it, or the only one that names none.
    fn whose(&self, logger: u32) -> Option<usize> {
        let named = self.desks.iter().position(|desk| desk.loggers.contains(&logger));
        let picked = || {
            let fitted = self.around.fitted.lock().unwrap_or_else(PoisonError::into_inner);
            fitted.cars.get(&logger).and_then(|car| self.desks.iter().position(|desk| desk.id == *car))
        };
        named.or_else(picked).or_else(|| {
            let mut open = self.desks.iter().enumerate().filter(|(_, desk)| desk.loggers.is_empty());
            open.next().filter(|_| open.next().is_none()).map(|(n, _)| n)
        })
    }

    /// Where work was done on a roof, what was learned of its times and found on it before is open again.
    fn repaired(&mut self) {
        let repaired =
            std::mem::take(&mut *self.around.repaired.lock().unwrap_or_else(PoisonError::into_inner));
        for desk in self.desks.iter_mut().filter(|desk| repaired.contains(&desk.id)) {
            desk.lane.after_repair();
            self.around.causes.showed(&desk.id, &desk.profile, desk.lane.engine().evidence());
        }
    }

    /// What is lost is waited for no longer.
    fn give_up(&mut self) {
        let lost = std::mem::take(&mut *self.around.lost.lock().unwrap_or_else(PoisonError::into_inner));
        let mut works = Vec::new();
        for logger in lost {
            for desk in self.desks.iter_mut().filter(|desk| desk.attached.contains(&logger)) {
                let mut work = Work { car: desk.id.clone(), ..Work::default() };
                desk.flush(&self.around, &*self.reader, &mut work);
                works.push(work);
            }
        }
        for work in works {
            // A keeper that is gone is noticed with the next batch.
            self.hand_on(work);
        }
    }
}

impl Desk {
    fn take(
        &mut self,
        id: foldwatch_wire::FrameId,
        frame: Frame,
        around: &Around,
        reader: &dyn Catalogue,
        work: &mut Work,
    ) {
        let mut events = Vec::new();
        let bench = &mut self.bench;
        let mut taps = |item: &Item<'_>| {
            bench.item(item);
            around.guides.feed(&self.id, |guide| guide.item(item));
        };
        self.lane.push(id, frame, &mut taps, &mut |event| events.push(event));
        self.after(events, around, reader, work);
    }

    fn flush(&mut self, around: &Around, reader: &dyn Catalogue, work: &mut Work) {
        let mut events = Vec::new();
        let bench = &mut self.bench;
        self.lane.flush(&mut |item: &Item<'_>| bench.item(item), &mut |event| events.push(event));
        self.after(events, around, reader, work);
    }

    fn after(&mut self, events: Vec<Event>, around: &Around, reader: &dyn Catalogue, work: &mut Work) {
        for note in self.lane.take_notes() {
            tracing::info!(car = self.id, "{note}");
            work.notes.extend(self.clocks.note(&self.id, &note, &self.lane, reader));
        }
        for event in events {
            match event {
                Event::Began { at } => {
                    let start = rfc3339(self.lane.utc(at));
                    let began =
                        LiveCycle { car: self.id.clone(), start, outcome: None, findings: Vec::new() };
                    around.hub.publish(LiveMessage::Began(began));
                }
                Event::Closed(verdict) => {
                    around.guides.movement(&self.id, &verdict);
                    self.verdict(*verdict, false, reader, work);
                }
                Event::Settled(verdict) => self.verdict(*verdict, true, reader, work),
            }
        }
        if self.undated.first().is_some_and(|v| self.lane.is_dated(v.cycle.start))
            || self.undated.len() > UNDATED
        {
            for verdict in std::mem::take(&mut self.undated) {
                self.dated(&verdict, true, reader, work);
            }
        }
    }

    fn verdict(&mut self, verdict: Verdict, settled: bool, reader: &dyn Catalogue, work: &mut Work) {
        if !self.undated.is_empty() || !self.lane.is_dated(verdict.cycle.start) {
            // In the order of their time, and each with its last word.
            if settled {
                let mut verdict = verdict;
                verdict.cycle.recording = foldwatch_segment::Recording::default();
                self.undated.push(verdict);
            }
            return;
        }
        self.dated(&verdict, settled, reader, work);
    }

    fn dated(&mut self, verdict: &Verdict, settled: bool, reader: &dyn Catalogue, work: &mut Work) {
        let start = verdict.cycle.start;
        let mapped = self.lane.utc(start);
        let known = match self.told {
            Some((log, utc)) if log == start => Some(utc),
            _ => self.kept_start(mapped, reader),
        };
        // A cycle is known by its start: that stays as it was first told, though the map has become better since.
        let moved = known.unwrap_or(mapped) - mapped;
        let utc = |at: Micros| self.lane.utc(at) + moved;
        self.told = Some((start, mapped + moved));
        let cycle = foldwatch_report::cycle(&self.profile, verdict, &utc);
        let live = LiveCycle {
            car: self.id.clone(),
            start: cycle.start.clone(),
            outcome: Some(cycle.outcome.clone()),
            findings: cycle.findings.iter().map(|f| f.message.clone()).collect(),
        };
        match foldwatch_web::record(&self.id, &cycle) {
            Ok(record) => {
                if settled {
                    work.settled.push(record.start);
                }
                work.cycles.push(record);
            }
            Err(error) => {
                tracing::error!(car = self.id, start = cycle.start, "a cycle can't be kept: {error}")
            }
        }
        work.messages.push(if settled { LiveMessage::Settled(live) } else { LiveMessage::Closed(live) });
    }

    fn kept_start(&self, mapped: Micros, reader: &dyn Catalogue) -> Option<Micros> {
        let span = Span { from: mapped + Seconds(-SAME_START.0), until: mapped + SAME_START };
        let query = CycleQuery { car: Some(self.id.clone()), span, limit: 4, ..CycleQuery::default() };
        let near = reader.cycles(&query).inspect_err(|error| tracing::error!("{error}")).ok()?;
        near.into_iter().map(|cycle| cycle.start).min_by_key(|start| start.0.abs_diff(mapped.0))
    }

    /// An exchange of time, and what the clock's line is now.
    fn clock(&self, id: foldwatch_wire::FrameId, utc: i64, received: Micros, work: &mut Work) {
        let logger = logger_name(id.logger);
        let boot = u64::from(id.boot);
        let logged = self.lane.engine().now();
        work.exchanges.push(TimeExchange {
            logger: logger.clone(),
            boot,
            sent: Micros(utc),
            logged,
            received,
        });
        if let Some(line) = self.lane.timeline().latest() {
            metrics::gauge!("foldwatch_clock_residual_seconds", "car" => self.id.clone())
                .set(line.residual.0);
            work.fit = Some(ClockFit {
                logger,
                boot,
                offset: line.utc(Micros(0)),
                drift_ppm: -line.drift_ppm,
                residual: line.residual,
                exchanges: line.count,
            });
        }
    }

    fn state_to_save(&mut self, frames: usize) -> Option<Standing> {
        self.unsaved += frames;
        let utc = self.lane.timeline().utc(self.lane.engine().now());
        let day = utc.and_then(|utc| Day::of(utc.at));
        let due = self.unsaved >= SAVE_FRAMES
            || (self.unsaved > 0 && (day != self.day || self.saved.elapsed() >= SAVE_AFTER));
        if !due || !self.undated.is_empty() {
            return None;
        }
        let state = self.lane.state()?;
        self.unsaved = 0;
        self.saved = Instant::now();
        self.day = day;
        Some(Standing { lane: lane_bytes(&state)?, day })
    }
}

/// What a car's roof is doing now.
pub fn state(car: &str, profile: &Profile, lane: &Lane) -> LiveState {
    let engine = lane.engine();
    LiveState::of(car, profile, engine.live().as_ref(), engine.now(), &|at| lane.utc(at))
}
