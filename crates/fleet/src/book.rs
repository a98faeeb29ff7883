//! Everything that is followed of one car.

use std::collections::BTreeMap;
use std::sync::Arc;

use foldwatch_profile::Profile;
use foldwatch_report::trend::{Compared, Of, Trend};
use foldwatch_store::CycleRecord;
use foldwatch_trend::{Assessment, Point, Refused, Series, Service, around_last_service, assess};
use foldwatch_units::{Direction, Micros};

use crate::numbers::{Number, What, numbers};

/// The series of one car. A new cycle costs the same whatever the history; a book built anew from the store equals the
/// one that grew cycle by cycle.
#[derive(Debug, Clone)]
pub struct Book {
    profile: Arc<Profile>,
    counts: Counts,
    newest: Option<Micros>,
    services: Vec<Service>,
    series: BTreeMap<What, Series>,
}

/// Cycles so far, by direction: the count that the series go by.
#[derive(Debug, Clone, Default)]
struct Counts([u64; 2]);

impl Counts {
    /// Counts a cycle and gives what of it is followed.
    fn points(&mut self, profile: &Profile, cycle: &CycleRecord) -> Vec<(What, Point)> {
        for way in [Direction::Opening, Direction::Closing] {
            if cycle.direction == way {
                self.0[way as usize] += 1;
            }
        }
        let point = |number: Number| {
            // After a reversal a step of the other direction: it counts by the cycle that it was seen in.
            let own = number.what.direction == cycle.direction;
            let count = self.0[number.what.direction as usize] + u64::from(!own);
            let point = Point { cycle: count, at: cycle.start, value: number.value, raw: number.raw };
            (number.what, point)
        };
        numbers(profile, cycle).into_iter().map(point).collect()
    }
}

/// Every number of these cycles (oldest first) that is followed, counted as a [`Book`] counts them.
pub fn points(profile: &Profile, cycles: &[CycleRecord]) -> BTreeMap<What, Vec<Point>> {
    let mut counts = Counts::default();
    let mut points: BTreeMap<What, Vec<Point>> = BTreeMap::new();
    for cycle in cycles {
        for (what, point) in counts.points(profile, cycle) {
            points.entry(what).or_default().push(point);
        }
    }
    points
}

/// What a series of the book says now.
#[derive(Debug, Clone)]
pub struct Assessed {
    /// What it is of.
    pub what: What,
    /// What it says.
    pub assessment: Assessment,
    /// The limit that it is held against.
    pub limit: Option<f64>,
}

impl Book {
    /// An empty book.
    pub fn new(profile: Arc<Profile>) -> Self {
        Book {
            profile,
            counts: Counts::default(),
            newest: None,
            services: Vec::new(),
            series: BTreeMap::new(),
        }
    }

    /// The book of these cycles, oldest first, and of these service entries in any order.
    pub fn build(profile: Arc<Profile>, cycles: &[CycleRecord], mut services: Vec<Service>) -> Self {
        services.sort_by_key(|service| service.at);
        let mut services = services.into_iter().peekable();
        let mut book = Book::new(profile);
        for cycle in cycles {
            while let Some(service) = services.next_if(|service| service.at <= cycle.start) {
                book.enter(service);
            }
            // In order, as asked for; one that isn't has no place in the book.
            let _ = book.cycle(cycle);
        }
        services.for_each(|service| book.enter(service));
        book
    }

    /// Takes in the next cycle.
    ///
    /// # Errors
    /// Where it began before the newest one, or is that one anew: build the book anew.
    pub fn cycle(&mut self, cycle: &CycleRecord) -> Result<(), Refused> {
        if let Some(newest) = self.newest.filter(|newest| cycle.start <= *newest) {
            return Err(Refused::Late { at: cycle.start, newest });
        }
        self.newest = Some(cycle.start);
        let services = &self.services;
        for (what, point) in self.counts.points(&self.profile, cycle) {
            let series = self.series.entry(what).or_insert_with(|| {
                let mut series = Series::new(what.measure.worse());
                for service in services {
                    let _ = series.service(service.clone());
                }
                series
            });
            let _ = series.push(point);
        }
        Ok(())
    }

    /// Takes in a service entry: what follows is judged by itself.
    ///
    /// # Errors
    /// Where it is not dated after the newest cycle: build the book anew, the entry splits it further back.
    pub fn service(&mut self, service: Service) -> Result<(), Refused> {
        match self.newest.filter(|newest| service.at <= *newest) {
            Some(newest) => Err(Refused::Late { at: service.at, newest }),
            None => {
                self.enter(service);
                Ok(())
            }
        }
    }

    fn enter(&mut self, service: Service) {
        for series in self.series.values_mut() {
            // After the newest cycle, so after the newest of every series.
            let _ = series.service(service.clone());
        }
        self.services.push(service);
    }

    /// The newest cycle.
    pub fn newest(&self) -> Option<Micros> {
        self.newest
    }

    /// The roof.
    pub fn profile(&self) -> &Arc<Profile> {
        &self.profile
    }

    /// The service record, in order of time.
    pub fn services(&self) -> &[Service] {
        &self.services
    }

    /// The series.
    pub fn series(&self) -> &BTreeMap<What, Series> {
        &self.series
    }

    /// What every series says, as of the newest cycle.
    pub fn assess(&self) -> Vec<Assessed> {
        let now = self.newest.unwrap_or(Micros(0));
        self.series
            .iter()
            .filter_map(|(what, series)| {
                let limit = what.limit(&self.profile, series.watch().baseline().map(|b| b.level));
                let assessment = assess(series, now, limit)?;
                Some(Assessed { what: *what, assessment, limit })
            })
            .collect()
    }

    /// What a number is of, in words for tables.
    pub fn of(&self, car: &str, what: &What) -> Of {
        Of {
            car: car.to_owned(),
            direction: what.direction.to_string(),
            phase: what.phase(&self.profile),
            measure: what.measure.name().to_owned(),
            unit: what.measure.unit().to_owned(),
        }
    }

    /// An assessed series as it is shown.
    pub fn shown(&self, car: &str, found: &Assessed, now: Micros) -> Trend {
        Trend::of(self.of(car, &found.what), &found.assessment, found.limit, now)
    }

    /// The cycles around the last service entry, series by series; empty without an entry.
    pub fn compare(&self, car: &str) -> Vec<Compared> {
        let Some(service) = self.services.last() else { return Vec::new() };
        self.series
            .iter()
            .map(|(what, series)| {
                let found = around_last_service(series);
                let after = usize::try_from(series.since_service()).unwrap_or(usize::MAX);
                Compared::of(self.of(car, what), service.at, found.as_ref(), (series.before().len(), after))
            })
            .collect()
    }
}
