//! Evidence out of a data folder: what archive and journal keep of one car.

use std::path::Path;
use std::sync::Arc;

use anyhow::{Context, Result, bail};
use foldwatch_evidence::{AnyError, Chain, Digest, Entry, Material, Recording};
use foldwatch_profile::Profile;
use foldwatch_samples::{Item, Sink};
use foldwatch_store::{Catalogue, CycleQuery, CycleSummary, FindingQuery, Span, SqliteReader};
use foldwatch_units::{Micros, Seconds};

use crate::watch::lines::stand_in;
use crate::watch::replay::{self, Mark, logger_name};
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

/// Taken before the first and after the last cycle, so that their beginning and tail are whole.
const MARGIN: Seconds = Seconds(120.0);
/// No more cycles, findings or entries than these are looked at.
const MOST: u32 = 1_000_000;

/// One car of a data folder.
pub struct Kept {
    reader: SqliteReader,
    car: String,
    /// The car's name for people.
    pub name: String,
    profile: Arc<Profile>,
    /// The profile's text, its latest revision.
    pub profile_text: String,
    mark: Mark,
    span: Span,
    /// What the report must say of this source.
    pub remarks: Vec<String>,
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
        let texts = reader.profile_history(&of_car.profile)?;
        let text = texts.last().with_context(|| format!("the profile `{}` is not there", of_car.profile))?;
        let profile = foldwatch_profile::parse(&text.text)
            .map_err(|problems| crate::profiles::all(Path::new(&of_car.profile), &problems))?;
        let mut remarks = vec![
            "Samples come from the archive and the journal of the data folder, mapped to UTC there; frames whose check \
             sums did not fit were left out before."
                .to_owned(),
        ];
        if text.revision > 1 {
            remarks.push(format!(
                "The profile is revision {} of `{}`; the earlier ones are kept with the data.",
                text.revision, text.profile
            ));
        }
        let query = CycleQuery {
            car: Some(car.to_owned()),
            newest_first: false,
            limit: MOST,
            ..CycleQuery::default()
        };
        let span = span(&reader.cycles(&query)?, stretch)?;
        for day in reader.archived(car)?.iter().filter(|day| {
            let own = day.day.span();
            own.from < span.until && span.from < own.until
        }) {
            remarks.push(format!("Archive file {}: SHA-256 {}.", day.file, Digest(day.sha256)));
        }
        let mark = Saved::mark_of(&reader, car)?;
        Ok(Kept {
            car: car.to_owned(),
            name: of_car.name,
            profile: Arc::new(profile.profile),
            profile_text: text.text.clone(),
            mark,
            span,
            remarks,
            reader,
        })
    }

    /// The roof.
    pub fn profile(&self) -> Arc<Profile> {
        Arc::clone(&self.profile)
    }

    /// What was chosen, in words.
    pub fn settings(&self) -> Vec<String> {
        let text = foldwatch_report::rfc3339;
        vec![format!("from {} to {}", text(self.span.from), text(self.span.until))]
    }

    /// The service record up to the end of the stretch.
    pub fn entries(&self) -> Result<Vec<Entry>> {
        let span = Span { from: Micros::MIN, until: self.span.until };
        let entries = self.reader.entries(&self.car, span, MOST)?;
        let entry = |(_, e): (u64, foldwatch_store::Entry)| Entry {
            at: e.at,
            kind: e.kind.as_str().to_owned(),
            author: e.author,
            subject: e.subject,
            result: e.result,
            text: match e.corrects {
                Some(number) => format!("corrects entry {number}; {}", e.text),
                None => e.text,
            },
        };
        Ok(entries.into_iter().map(entry).collect())
    }

    /// What was told of the cycles of the stretch when they were recorded.
    pub fn told(&self) -> Result<Vec<(Micros, String, Option<String>)>> {
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
            from: stretch.from.unwrap_or(Micros::MIN),
            // Not "all there is": what comes in while it is read would be in one reading and not in the other.
            until: stretch.to.or(last_end.map(|end| end + MARGIN)).context("the car has no cycle yet")?,
        },
    };
    if !cycles.iter().any(|cycle| span.contains(cycle.start)) {
        bail!("the car has no cycle in that time");
    }
    Ok(span)
}

impl Material for Kept {
    fn count(&self) -> usize {
        1
    }

    fn read(&mut self, _: usize, sink: &mut dyn Sink) -> Result<Recording, AnyError> {
        let mut row = vec![f32::NAN; self.profile.signals.len()];
        let profile = &self.profile;
        replay::samples(&self.reader, &self.car, profile, &self.mark, self.span, &mut |batch| {
            // A signal that is no longer in the profile is left out; one that was not yet recorded is not known.
            let places: Vec<_> = batch.columns.iter().map(|column| profile.find(&column.name)).collect();
            for (n, at) in batch.times.iter().enumerate() {
                row.fill(f32::NAN);
                for (place, values) in places.iter().zip(&batch.values) {
                    if let Some(place) = place {
                        row[place.at()] = values[n];
                    }
                }
                sink.item(Item::Row { at: *at, values: &row });
            }
            Ok(())
        })?;
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
            timeline: None,
        })
    }

    fn chain(&mut self) -> Chain<'_> {
        let (reader, car) = (&self.reader, self.car.clone());
        Chain::Journal {
            header: foldwatch_evidence::JOURNAL.to_owned(),
            rows: Box::new(move |each| {
                let mut head = None;
                let before = reader.linked_rows(&car, &mut |row, link| {
                    head = Some(link);
                    each(&foldwatch_evidence::journal_line(row.position.0, &row.frame, link))
                        .map_err(|error| foldwatch_store::StoreError::invalid(error.to_string()))
                })?;
                Ok((Digest(before), Digest(head.unwrap_or(before))))
            }),
        }
    }
}
