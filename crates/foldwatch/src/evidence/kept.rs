//! Evidence out of a data folder: what archive and journal keep of one car.

use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use anyhow::{Context, Result, bail};
use foldwatch_evidence::{
    AnyError, Chain, Digest, Entry, JournalRows, LeaveOut, Material, Original, Paper, Recording, Request,
    Revision, StoreChain,
};
use foldwatch_profile::Profile;
use foldwatch_samples::{Item, Sink};
use foldwatch_store::{
    Catalogue, CycleQuery, CycleSummary, Day, FindingQuery, Folder, Position, Samples, Span, SqliteReader,
    StoreError,
};
use foldwatch_units::{Micros, Seconds};

use super::again::{Reading, hand_over};
use super::pace::Pace;
use super::record::{commissioned, up_to};
use crate::watch::lines::stand_in;
use crate::watch::replay::{self, Journal, Mark, Rows, logger_name};
use crate::watch::saved::Saved;

/// Which stretch of a car's time.
pub struct Stretch {
    /// Not before.
    pub from: Option<Micros>,
    /// Before.
    pub to: Option<Micros>,
    /// Instead of times: cycles from one number to another, from 1.
    pub cycles: Option<(u32, u32)>,
}

/// What can be chosen whatever is read.
#[derive(Debug, Default)]
pub struct Choice {
    pub leave_out: Vec<LeaveOut>,
    pub at: Option<Micros>,
    /// Digest of the tag manifest of the bag that is corrected.
    pub revises: Option<Digest>,
    pub paper: Paper,
    pub commissioning: Option<(String, Vec<u8>)>,
}

/// Taken before the first and after the last cycle, so that their beginning and tail are whole.
const MARGIN: Seconds = Seconds(120.0);
/// No more cycles, findings or entries than these are looked at.
const MOST: u32 = 1_000_000;

/// One car of a data folder.
pub struct Kept {
    reader: SqliteReader,
    archive: PathBuf,
    car: String,
    name: String,
    profile: Arc<Profile>,
    /// Its latest revision.
    profile_text: String,
    mark: Mark,
    reading: Reading,
    span: Span,
    /// From the first cycle in the span to its end: what progress is told by.
    moved: Span,
    pace: Arc<Pace>,
    readings: u32,
    /// The last row of the journal that is needed.
    until: Position,
    /// What the report must say of this source.
    remarks: Vec<String>,
}

impl Kept {
    /// Opens it for reading; a daemon may be at work there.
    ///
    /// # Errors
    /// Where there is no such car, nothing in that time, or the chain over what was recorded is broken.
    pub fn open(folder: &Path, car: &str, stretch: &Stretch) -> Result<Self> {
        let reader = SqliteReader::open(folder)?;
        let known =
            || reader.cars().map(|cars| cars.iter().map(|c| c.id.clone()).collect::<Vec<_>>().join(", "));
        let Some(of_car) = reader.car(car)? else {
            bail!("{} knows no car `{car}`; it has: {}", folder.display(), known()?);
        };
        let chain = reader.verify_chain(car)?;
        if let Some((position, why)) = chain.broken {
            bail!("journal row {} of `{car}` {why}; evidence can't rest on it", position.0);
        }
        let text = reader
            .profile(&of_car.profile)?
            .with_context(|| format!("the profile `{}` is not there", of_car.profile))?;
        let profile = foldwatch_profile::parse(&text.text)
            .map_err(|problems| crate::profiles::all(Path::new(&of_car.profile), &problems))?;
        let profile = Arc::new(profile.profile);
        let query = CycleQuery {
            car: Some(car.to_owned()),
            newest_first: false,
            limit: MOST,
            ..CycleQuery::default()
        };
        let cycles = reader.cycles(&query)?;
        let span = span(&cycles, stretch)?;
        let first = cycles.iter().map(|cycle| cycle.start).filter(|start| span.contains(*start)).min();
        let moved = Span { from: first.unwrap_or(span.from), until: span.until };
        let released = reader.released(car)?.into_iter().filter(|(day, _)| {
            let of_day = day.day.span();
            of_day.from < span.until && span.from < of_day.until
        });
        if let Some((day, entry)) = released.max_by_key(|(day, _)| day.day) {
            let next = foldwatch_report::rfc3339(day.day.span().until);
            bail!(
                "the samples of {} have left the archive of `{car}` (entry {entry} of its record says why), so nothing of that \
                 time can be proven any more; from {next} on they are there",
                day.day
            );
        }
        let saved = Saved::of(&reader, car)?.map(|(_, saved)| saved).unwrap_or_default();
        if saved.pass.is_some() {
            bail!("days of `{car}` are being put into the archive just now; try again in a minute");
        }
        let head = reader.chain_head(car)?.map_or(Position(0), |head| head.position);
        let last_needed = last_needed(&reader, car, &profile, &saved.mark, head, span)?;
        let reading = Reading {
            from: span.from,
            until: span.until,
            journal: last_needed.is_some(),
            // What is needed to read the journal on names loggers: not where it is not read.
            mark: if last_needed.is_some() { saved.mark.clone() } else { Mark::default() },
        };
        Ok(Kept {
            archive: Folder::new(folder).archive(),
            car: car.to_owned(),
            name: of_car.name,
            profile,
            profile_text: text.text,
            mark: saved.mark,
            reading,
            span,
            moved,
            pace: Arc::default(),
            readings: 0,
            until: last_needed.unwrap_or(Position(0)),
            remarks: vec![
                "Samples come from the archive and the journal of a data folder, mapped to UTC there; frames whose check \
                 sums did not fit were left out before. Files of the archive hold whole days. An edge of a switch stands \
                 there as a row, so that durations are told with the larger uncertainty of rows."
                    .to_owned(),
                chosen(&cycles, span),
            ],
            reader,
        })
    }

    /// Lets others see how far it is, and stop it.
    pub fn watched(self, pace: &Arc<Pace>) -> Self {
        Kept { pace: Arc::clone(pace), ..self }
    }

    /// Nothing was put into the archive since it was opened.
    fn still(&self) -> Result<()> {
        if Saved::mark_of(&self.reader, &self.car)? != self.mark {
            bail!("days of `{}` were put into the archive while it was read; make it again", self.car);
        }
        Ok(())
    }

    /// Every wording of the profile and of the car's name, oldest first.
    fn revisions(&self) -> Result<Vec<Revision>> {
        let mut all = Vec::new();
        for text in self.reader.profile_history(&self.profile.id)? {
            all.push(Revision {
                of: "profile",
                id: text.profile,
                number: text.revision,
                recorded: text.recorded,
                text: text.text,
            });
        }
        for (n, car) in self.reader.car_history(&self.car)?.into_iter().enumerate() {
            all.push(Revision {
                of: "car",
                id: car.id,
                number: u32::try_from(n + 1).unwrap_or(u32::MAX),
                recorded: car.recorded,
                text: format!("{}, roof profile {}", car.name, car.profile),
            });
        }
        Ok(all)
    }

    /// All that a bag of it needs.
    ///
    /// # Errors
    /// When the store can't be asked.
    pub fn request(&self, choice: Choice) -> Result<Request> {
        let text = foldwatch_report::rfc3339;
        let record = self.entries()?;
        let commissioned = || commissioned(&self.car, &record, self.span.until);
        let commissioning = choice.commissioning.or_else(commissioned);
        Ok(Request {
            profile: Arc::clone(&self.profile),
            profile_text: self.profile_text.clone(),
            columns_text: None,
            subject: self.car.clone(),
            name: Some(self.name.clone()),
            settings: vec![format!("from {} to {}", text(self.span.from), text(self.span.until))],
            entries: up_to(&record, self.span.until),
            revisions: self.revisions()?,
            commissioning,
            told: self.told()?,
            remarks: self.remarks.clone(),
            leave_out: choice.leave_out,
            at: choice.at,
            revises: choice.revises,
            paper: choice.paper,
        })
    }

    /// The whole service record.
    fn entries(&self) -> Result<Vec<Entry>> {
        let entries = self.reader.entries(&self.car, Span::ALL, MOST)?;
        let entry = |(number, e): (u64, foldwatch_store::Entry)| Entry {
            number: Some(number),
            at: e.at,
            written: Some(e.written),
            kind: e.kind.as_str().to_owned(),
            author: e.author,
            subject: e.subject,
            result: e.result,
            text: e.text,
            corrects: e.corrects,
        };
        Ok(entries.into_iter().map(entry).collect())
    }

    /// What was told of the cycles of the stretch when they were recorded.
    fn told(&self) -> Result<Vec<(Micros, String, Option<String>)>> {
        let query = FindingQuery {
            car: Some(self.car.clone()),
            span: self.span,
            limit: MOST,
            ..FindingQuery::default()
        };
        let rows = self.reader.findings(&query)?.into_iter();
        let mut told: Vec<_> = rows
            .filter_map(|row| row.cycle.map(|cycle| (cycle, row.finding.kind, row.finding.phase)))
            .collect();
        told.sort();
        told.dedup();
        Ok(told)
    }
}

fn span(cycles: &[CycleSummary], stretch: &Stretch) -> Result<Span> {
    let last_end = cycles.iter().map(|cycle| cycle.end).max();
    let span = match stretch.cycles {
        Some((first, last)) => {
            let place = |n: u32| usize::try_from(n).unwrap_or(usize::MAX).saturating_sub(1);
            let (Some(first), Some(last)) = (cycles.get(place(first)), cycles.get(place(last))) else {
                bail!("the car has {} cycles", cycles.len());
            };
            Span { from: first.start - MARGIN, until: last.end + MARGIN }
        }
        None => Span {
            from: stretch.from.unwrap_or(Micros(0)),
            // Not "all there is": what comes in while it is read would be in one reading and not in the other.
            until: stretch.to.or(last_end.map(|end| end + MARGIN)).context("the car has no cycle yet")?,
        },
    };
    if !cycles.iter().any(|cycle| span.contains(cycle.start)) {
        bail!("the car has no cycle in that time");
    }
    Ok(span)
}

/// Which of the car's movements are in the bag: whoever reads it must not have to ask what was before.
fn chosen(cycles: &[CycleSummary], span: Span) -> String {
    let before = cycles.iter().filter(|cycle| cycle.start < span.from).count();
    let within = cycles.iter().filter(|cycle| span.contains(cycle.start)).count();
    let which = match within {
        1 => format!("movement {} of the car, counted from its first", before + 1),
        _ => format!(
            "movements {} to {} of the car, counted from its first (here 1 to {within})",
            before + 1,
            before + within
        ),
    };
    let earlier = match before {
        0 => "no movement before it is on record",
        1 => "the one before is on record and not in this bag",
        _ => "those before are on record and not in this bag",
    };
    format!(
        "Whoever made this bag chose its stretch: {which}; {earlier}. Whether there were later \
         ones it does not tell."
    )
}

/// The last row of the journal that a sample of the span needs; `None`: all of the span is in the archive.
fn last_needed(
    catalogue: &dyn Catalogue,
    car: &str,
    profile: &Arc<Profile>,
    mark: &Mark,
    head: Position,
    span: Span,
) -> Result<Option<Position>> {
    let timeline = replay::timeline(catalogue, car, profile, mark, head)?;
    let mut assembler = mark.assembler(profile);
    let (mut within, mut behind) = (false, false);
    for row in Journal::new(catalogue, car, Position(mark.through), head) {
        let (position, id, frame) = row?;
        assembler.push(id, frame, &mut |item: Item<'_>| {
            if let Item::Row { at, .. } | Item::Same { at } | Item::Edge { at, .. } = item {
                let at = timeline.utc(at).map_or(at, |utc| utc.at);
                within |= span.contains(at);
                behind |= at >= span.until;
            }
        });
        if behind {
            return Ok(within.then_some(position));
        }
    }
    assembler.flush(&mut |item: Item<'_>| {
        if let Item::Row { at, .. } | Item::Same { at } | Item::Edge { at, .. } = item {
            within |= span.contains(timeline.utc(at).map_or(at, |utc| utc.at));
        }
    });
    Ok(within.then_some(head))
}

impl Material for Kept {
    fn count(&self) -> usize {
        1
    }

    fn read(&mut self, _: usize, sink: &mut dyn Sink) -> Result<Recording, AnyError> {
        self.still()?;
        let reading = self.readings;
        self.readings += 1;
        let profile = &self.profile;
        let mut take = |batch: Samples| {
            hand_over(profile, &batch, sink);
            self.pace.read(&batch, reading, self.moved)
        };
        for batch in self.reader.samples(&self.car, self.span)? {
            take(batch?)?;
        }
        if self.reading.journal {
            let (reader, car, mark) = (&self.reader, &*self.car, &self.mark);
            let timeline = replay::timeline(reader, car, profile, mark, self.until)?;
            for batch in Rows::new(reader, car, profile, mark, self.until, timeline, self.span) {
                take(batch?)?;
            }
        }
        self.still()?;
        let (mut notes, mut checked) = (Vec::new(), true);
        for logger in self.reader.loggers()?.iter().filter(|logger| logger.car == self.car) {
            if logger.id == logger_name(stand_in(&self.car)) {
                checked = false;
                notes.push(format!(
                    "logger {} stands for lines of columns from a serial port, which carry no check: damage can't be \
                     seen in them",
                    logger.id
                ));
            }
            let fit =
                logger.last_boot.map(|boot| self.reader.clock_fit(&logger.id, boot)).transpose()?.flatten();
            notes.push(match fit {
                Some(fit) => format!(
                    "logger {}, start {}: UTC by {} exchanges of time, drift {:.1} ppm, residual {:.4} s",
                    logger.id, fit.boot, fit.exchanges, fit.drift_ppm, fit.residual.0
                ),
                None => format!("logger {}: no exchange of time with the host is on record", logger.id),
            });
        }
        Ok(Recording {
            name: format!("data of {}", self.car),
            encoding: "archive and journal".into(),
            checked,
            notes,
            clock: Some("mapped to UTC when it was collected; how well is told for each logger".to_owned()),
            timeline: None,
        })
    }

    fn chain(&mut self) -> Chain<'_> {
        let chain = self.store_chain();
        let failed = |error: anyhow::Error| {
            // Told when the rows are asked for, which is when something can be told.
            let rows: JournalRows = Box::new(move |_| Err(error.into()));
            StoreChain { seals: Vec::new(), files: Vec::new(), reading: String::new(), rows }
        };
        Chain::Store(chain.unwrap_or_else(failed))
    }
}

impl Kept {
    fn store_chain(&self) -> Result<StoreChain<'_>> {
        let mut seals = self.reader.linked_seals(&self.car)?;
        let within = |day: Day| day.span().from < self.span.until && self.span.from < day.span().until;
        if !self.reading.journal {
            // The last one that is needed ends the chain: later days are nobody's business.
            let last = seals.iter().rposition(|(seal, _)| seal.day.parse().is_ok_and(within));
            seals.truncate(last.map_or(0, |last| last + 1));
        }
        let days = self.reader.archived(&self.car)?.into_iter().filter(|day| within(day.day));
        let files = days.map(|day| {
            let path = self.archive.join(&day.file);
            let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
            Original { name, open: Box::new(move || Ok(Box::new(File::open(path)?) as Box<dyn Read>)) }
        });
        let files = files.collect();
        let rows: JournalRows = Box::new(move |each| {
            if self.reading.journal {
                self.reader.linked_rows(&self.car, self.until, &mut |row, link| {
                    self.pace.goes_on().map_err(|error| StoreError::invalid(error.to_string()))?;
                    each(row.position.0, &row.frame, link)
                        .map_err(|error| StoreError::invalid(error.to_string()))
                })?;
            }
            Ok(self.still()?)
        });
        Ok(StoreChain { seals, files, reading: serde_json::to_string(&self.reading)?, rows })
    }
}
