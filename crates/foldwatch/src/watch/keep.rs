//! Frames and verdicts to disk, and then the acknowledgement, on a thread of its own.

use std::collections::HashMap;
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender};
use std::sync::{Arc, PoisonError};
use std::time::{Duration, Instant};

use anyhow::{Context, Result};
use foldwatch_collect::{Answer, Answers, Kept, utc_now};
use foldwatch_profile::Profile;
use foldwatch_report::rfc3339;
use foldwatch_store::{Checkpoint, Day, Durable, Judged, Position, SqliteStore, Storage, StoreError};
use foldwatch_web::{Hub, LiveMessage, PortState};
use foldwatch_wire::Reply;

use super::alive::Pulse;
use super::archive;
use super::books::News;
use super::judge::{Lost, Standing, Work};
use super::meters;
use super::ports::Ports;
use super::release;
use super::replay::{logger_name, logger_number};
use super::saved::Saved;
use super::settings::{CarSettings, Disk, Keep};

/// So many frames are journalled in one transaction.
const GROUP: usize = 8192;
/// How often is looked at the room, at what can leave the archive, and for a finished day of a car that has come to one.
const LOOK: Duration = Duration::from_secs(60);
/// How often a finished day is looked for though the car has come to no other: frames of one that came late may have filled
/// what it waited for. To look reads all that the journal has of the car.
const LOOK_ANYWAY: Duration = Duration::from_secs(3600);
/// The disk, where how it stands is told beside the ports.
const DISK: &str = "disk";
/// Beside them, too: what can't leave the archive.
const ARCHIVE: &str = "archive";
/// How often is tried again what could not be written.
const AGAIN: Duration = Duration::from_secs(1);

/// What the keeper shares with the other parts.
pub struct Around {
    /// What is given up.
    pub lost: Lost,
    /// Which logger is where.
    pub ports: Arc<Ports>,
    /// Who watches live.
    pub hub: Arc<Hub>,
    /// Who keeps the books.
    pub news: SyncSender<News>,
    /// That it gets on.
    pub pulse: Pulse,
}

/// The one writer.
pub struct Keeper {
    store: SqliteStore,
    saved: HashMap<String, Saved>,
    profiles: HashMap<String, Arc<Profile>>,
    answers: Answers,
    /// The way to each logger that was heard.
    lines: HashMap<u32, Answer>,
    lost: Lost,
    ports: Arc<Ports>,
    hub: Arc<Hub>,
    news: SyncSender<News>,
    looked: Instant,
    disk: Disk,
    bounds: Keep,
    /// The archive is behind and there is more to do.
    more: bool,
    /// The day that each car has come to.
    days: HashMap<String, Day>,
    /// Cars without a finished day: what day they had come to then, and when that was.
    nothing: HashMap<String, (Option<Day>, Instant)>,
    pulse: Pulse,
}

impl Keeper {
    /// For a store in which cars and profiles are entered.
    ///
    /// # Errors
    /// When the store can't be read, or days that were being archived can't be.
    pub fn new(
        mut store: SqliteStore,
        cars: &[CarSettings],
        (disk, bounds): (Disk, Keep),
        around: Around,
    ) -> Result<Self> {
        let Around { lost, ports, hub, news, pulse } = around;
        let mut saved = HashMap::new();
        let mut profiles = HashMap::new();
        for car in cars {
            let (position, mut of_car) = Saved::of(store.catalogue(), &car.id)?.unwrap_or_default();
            if let Some(pass) = of_car.pass.take() {
                // Cut off while days were being archived: done again with the same times, it changes nothing that is done.
                let sealed = store.catalogue().archived(&car.id)?.iter().map(|day| day.through.0).max();
                if sealed.is_none_or(|through| through < pass.next.through) {
                    archive::seal(&mut store, &car.id, &car.profile, &of_car.mark, &pass, utc_now(), &pulse)?;
                }
                of_car.mark = pass.next;
                save(&mut store, &car.id, &of_car, position)?;
            }
            saved.insert(car.id.clone(), of_car);
            profiles.insert(car.id.clone(), Arc::clone(&car.profile));
        }
        // Before the first frame of this start comes, an earlier one's counts.
        let heard = store.catalogue().loggers()?.iter().filter_map(|logger| logger.last_seen).max();
        metrics::gauge!("foldwatch_last_sync_seconds").set(heard.unwrap_or_else(utc_now).as_secs());
        if let Ok(space) = store.space() {
            metrics::gauge!("foldwatch_disk_free_bytes").set(space.free_bytes as f64);
        }
        let looked = Instant::now();
        Ok(Keeper {
            store,
            saved,
            profiles,
            answers: Answers::default(),
            lines: HashMap::new(),
            lost,
            ports,
            hub,
            news,
            looked,
            disk,
            bounds,
            more: true,
            days: HashMap::new(),
            nothing: HashMap::new(),
            pulse,
        })
    }

    /// Works until nobody sends any more.
    pub fn run(mut self, works: &Receiver<Work>) {
        loop {
            self.pulse.beat();
            let first = match works.recv_timeout(Duration::from_millis(500)) {
                Ok(first) => Some(first),
                Err(RecvTimeoutError::Timeout) => None,
                Err(RecvTimeoutError::Disconnected) => return,
            };
            let idle = first.is_none();
            let mut group: Vec<Work> = first.into_iter().collect();
            // A state belongs to the frames up to it: it closes the group.
            while group.iter().map(|work| work.frames.len()).sum::<usize>() < GROUP
                && group.last().is_some_and(|work| work.state.is_none())
                && let Ok(next) = works.try_recv()
            {
                group.push(next);
            }
            if !group.is_empty() {
                self.keep(group);
            }
            // Where nothing whole comes any more, too.
            for logger in self.answers.waiting() {
                self.say(logger);
            }
            if (idle && self.more) || self.looked.elapsed() >= LOOK {
                self.looked = Instant::now();
                self.more = self.archive();
                if !self.more {
                    self.let_go();
                }
            }
        }
    }

    fn keep(&mut self, group: Vec<Work>) {
        let mut frames = Vec::new();
        let mut judged: HashMap<String, Judged> = HashMap::new();
        let mut states = Vec::new();
        let mut messages = Vec::new();
        let mut news = Vec::new();
        for work in group {
            if let Some(logger) = &work.attach {
                self.insist("attach the logger", |store| store.attach(logger, &work.car, utc_now()));
            }
            for (entry, kept) in &work.entries {
                self.insist("keep what was entered", |store| store.add_entry(entry));
                // Who entered it may have gone.
                let _ = kept.send(());
                news.push(News::Entry(entry.car.clone()));
            }
            for entry in &work.notes {
                self.insist("keep a note", |store| store.add_entry(entry));
            }
            frames.extend(work.frames);
            self.lines.extend(work.answer);
            if !work.exchanges.is_empty() {
                self.insist("keep the time", |store| store.add_exchanges(&work.exchanges));
            }
            if let Some(fit) = &work.fit {
                self.insist("keep the clock", |store| store.put_clock_fit(fit));
            }
            let last_words = || work.cycles.iter().filter(|cycle| work.settled.contains(&cycle.start));
            meters::findings(&work.car, last_words());
            news.extend(last_words().map(|cycle| News::Cycle(Box::new(cycle.clone()))));
            judged.entry(work.car.clone()).or_default().cycles.extend(work.cycles);
            messages.extend(work.messages);
            if let Some(state) = work.state {
                states.push((work.car, state));
            }
        }
        if !frames.is_empty() {
            let durable = self.insist("keep what was recorded", |store| store.append(&frames));
            for durable in durable {
                self.acknowledge(&durable);
            }
        }
        for (car, Standing { lane, day }) in states {
            if let Some(day) = day {
                self.more |= self.days.insert(car.clone(), day) != Some(day);
            }
            let saved = self.saved.entry(car.clone()).or_default();
            saved.lane = lane;
            match (saved.to_bytes(), self.store.catalogue().chain_head(&car)) {
                (Ok(state), Ok(Some(head))) => {
                    let checkpoint =
                        Checkpoint { car: car.clone(), position: head.position, saved: utc_now(), state };
                    judged.entry(car).or_default().checkpoint = Some(checkpoint);
                }
                (Ok(_), Ok(None)) => {}
                (Err(error), _) => tracing::error!(car, "state can't be saved: {error}"),
                (_, Err(error)) => tracing::error!(car, "state can't be saved: {error}"),
            }
        }
        for judged in judged.into_values() {
            if !judged.cycles.is_empty() || judged.checkpoint.is_some() {
                metrics::counter!("foldwatch_verdicts_total").increment(judged.cycles.len() as u64);
                self.insist("keep the verdicts", |store| store.put_judged(&judged));
            }
        }
        self.pulse.rest();
        for one in news {
            // The books end with the daemon.
            let _ = self.news.send(one);
        }
        self.pulse.beat();
        for message in messages {
            self.hub.publish(message);
        }
    }

    fn acknowledge(&mut self, durable: &Durable) {
        metrics::counter!("foldwatch_frames_total").increment(durable.new as u64);
        metrics::counter!("foldwatch_frames_repeated_total").increment(durable.known as u64);
        metrics::gauge!("foldwatch_last_sync_seconds").set(utc_now().as_secs());
        if let Some(logger) = self.owed(durable) {
            self.say(logger);
        }
    }

    /// Notes what is on disk of a logger that can be answered.
    fn owed(&mut self, durable: &Durable) -> Option<u32> {
        let logger = logger_number(&durable.logger)?;
        let answer = self.lines.get(&logger)?;
        let small = |n: u64| u32::try_from(n).ok();
        let missing = durable.before.iter().chain(&durable.missing);
        let kept = Kept {
            up_to: small(durable.up_to)?,
            highest: small(durable.highest)?,
            missing: missing.filter_map(|r| Some(small(*r.start())?..=small(*r.end())?)).collect(),
            begins: durable.begins,
            earlier: durable.earlier.iter().filter_map(|n| small(*n)).collect(),
        };
        self.answers.kept(logger, small(durable.boot)?, kept, answer.damage());
        Some(logger)
    }

    /// Tells a logger what it may forget and what it is to send again.
    fn say(&mut self, logger: u32) {
        let Some(answer) = self.lines.get(&logger).cloned() else { return };
        let turn = self.answers.turn(logger, answer.damage(), Instant::now());
        if let Some((boot, up_to)) = turn.acknowledge {
            answer.send(Reply::Acknowledge { logger, boot, up_to });
        }
        for (boot, range) in turn.ask {
            // The end of a start is asked for as far as numbers go.
            if *range.end() < u32::MAX {
                metrics::counter!("foldwatch_frames_asked_again_total")
                    .increment(u64::from(range.end() - range.start()) + 1);
            }
            answer.send(Reply::Resend { logger, boot, from: *range.start(), to: *range.end() });
        }
        for (boot, range) in &turn.lost {
            metrics::counter!("foldwatch_frames_lost_total")
                .increment(u64::from(range.end() - range.start()) + 1);
            let name = logger_name(logger);
            tracing::warn!(logger = name, boot, ?range, "frames are lost: the logger no longer has them");
            let sequences = u64::from(*range.start())..=u64::from(*range.end());
            let durable = self
                .insist("keep what is lost", |store| store.give_up(&name, (*boot).into(), sequences.clone()));
            self.owed(&durable);
            self.lost.lock().unwrap_or_else(PoisonError::into_inner).push(logger);
        }
        if !turn.lost.is_empty() {
            self.say(logger);
        }
    }

    /// Writes, and goes on trying: until it is on disk nothing is acknowledged, and the loggers keep what they have.
    fn insist<T>(&mut self, what: &str, write: impl Fn(&mut SqliteStore) -> Result<T, StoreError>) -> T {
        let mut troubled = false;
        loop {
            match write(&mut self.store) {
                Ok(done) => {
                    if troubled {
                        tracing::info!("can write again");
                        self.ports.trouble_everywhere(None);
                    }
                    return done;
                }
                Err(error) => {
                    if !troubled {
                        troubled = true;
                        tracing::error!("can't {what}: {error}");
                        self.ports.trouble_everywhere(Some(&format!(
                            "can't {what}: {error}; nothing is lost, loggers keep what they record until it is on disk"
                        )));
                    }
                    metrics::counter!("foldwatch_write_errors_total").increment(1);
                    // A disk that refuses is told above; to be started again would not mend it.
                    self.pulse.beat();
                    std::thread::sleep(AGAIN);
                }
            }
        }
    }

    /// Archives a day of each car that has one to archive; whether there may be more.
    fn archive(&mut self) -> bool {
        let cars: Vec<(String, Arc<Profile>)> =
            self.profiles.iter().map(|(car, profile)| (car.clone(), Arc::clone(profile))).collect();
        let mut more = false;
        for (car, profile) in cars {
            let day = self.days.get(&car).copied();
            let looked = self.nothing.get(&car);
            if looked.is_some_and(|(of, at)| *of == day && at.elapsed() < LOOK_ANYWAY) {
                continue;
            }
            match self.archive_car(&car, &profile) {
                Ok(true) => more = true,
                Ok(false) => {
                    self.nothing.insert(car, (day, Instant::now()));
                }
                Err(error) => tracing::error!(car, "{error:#}"),
            }
        }
        if let Ok(space) = self.store.space() {
            metrics::gauge!("foldwatch_disk_free_bytes").set(space.free_bytes as f64);
            self.tell_room(space.free_bytes >> 20);
        }
        more
    }

    /// Samples leave the archive where the settings bound it. What can't leave stays, and is told.
    fn let_go(&mut self) {
        let done = self.leaving().and_then(|leaving| {
            for leaving in leaving {
                let at = utc_now();
                self.store.release(&leaving.car, &leaving.named(), &leaving.entry(at))?;
                tracing::info!(
                    car = leaving.car,
                    "samples of {} days left the archive: {}",
                    leaving.days.len(),
                    leaving.why
                );
            }
            Ok(())
        });
        match done {
            Ok(()) => self.hub.forget_port(ARCHIVE),
            Err(error) => self.tell(ARCHIVE, error.to_string()),
        }
    }

    fn leaving(&self) -> Result<Vec<release::Leaving>, StoreError> {
        let mut archived = Vec::new();
        for car in self.store.catalogue().cars()? {
            // Days that are still on their way there are no matter of ours.
            if self.saved.get(&car.id).is_none_or(|saved| saved.pass.is_none()) {
                archived.extend(self.store.catalogue().archived(&car.id)?);
            }
        }
        let bytes: u64 = archived.iter().map(|day| day.bytes).sum();
        metrics::gauge!("foldwatch_archive_bytes").set(bytes as f64);
        Ok(release::leaving(&archived, &self.bounds, utc_now()))
    }

    /// Tells on every page and in the health while there is little room.
    fn tell_room(&self, free_mib: u64) {
        let Disk { warn_mib, stop_mib } = self.disk;
        if free_mib >= warn_mib {
            self.hub.forget_port(DISK);
            return;
        }
        let words = format!(
            "only {free_mib} MiB are left: make room; below {stop_mib} MiB nothing is taken over, and loggers keep what \
             they record"
        );
        self.tell(DISK, words);
    }

    /// Something that a person must see to and that is no port's.
    fn tell(&self, what: &str, words: String) {
        if self.hub.ports().iter().all(|port| port.port != what) {
            tracing::warn!("{what}: {words}");
        }
        self.hub.publish(LiveMessage::Port(PortState {
            port: what.to_owned(),
            car: None,
            logger: None,
            well: false,
            words,
            since: rfc3339(utc_now()),
        }));
    }

    fn archive_car(&mut self, car: &str, profile: &Arc<Profile>) -> Result<bool> {
        let Some((position, mut saved)) = Saved::of(self.store.catalogue(), car)? else { return Ok(false) };
        let pass = archive::plan(self.store.catalogue(), car, profile, &saved.mark, position)?;
        let Some(pass) = pass else { return Ok(false) };
        saved.pass = Some(pass.clone());
        save(&mut self.store, car, &saved, position)?;
        archive::seal(&mut self.store, car, profile, &saved.mark, &pass, utc_now(), &self.pulse)?;
        saved.mark = pass.next;
        saved.pass = None;
        save(&mut self.store, car, &saved, position)?;
        self.saved.insert(car.to_owned(), saved);
        tracing::info!(car, "a day is archived");
        Ok(true)
    }
}

fn save(store: &mut SqliteStore, car: &str, saved: &Saved, position: Position) -> Result<()> {
    let state = saved.to_bytes().context("state can't be saved")?;
    let checkpoint = Checkpoint { car: car.to_owned(), position, saved: utc_now(), state };
    store.put_judged(&Judged { checkpoint: Some(checkpoint), ..Judged::default() })?;
    Ok(())
}
