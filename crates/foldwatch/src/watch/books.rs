//! The fleet's books, kept up on a thread of their own: whatever a trend costs, no frame waits for it.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use foldwatch_fleet::{About, Car, Current, load, load_all};
use foldwatch_profile::Profile;
use foldwatch_store::{Catalogue, CycleRecord, StoreError};

use super::alarms::settings::Findings;
use super::alarms::{Told, seen};
use super::settings::CarSettings;
use super::traces::OpenReader;

/// So much news waits for the books; then the keeper waits, and acknowledges later.
const NEWS: usize = 4096;
/// While histories are read the fleet is shown anew so often.
const SHOW: Duration = Duration::from_secs(1);

/// What is new about a car, once it is on disk.
pub enum News {
    /// A movement, with its last word.
    Cycle(Box<CycleRecord>),
    /// Somebody wrote something about the car.
    Entry(String),
}

/// Keeps the books.
pub struct Books {
    fleet: Arc<Current>,
    cars: BTreeMap<String, (About, Arc<Profile>)>,
    reader: Box<dyn Catalogue + Send>,
    open: Arc<OpenReader>,
    news: Receiver<News>,
    tell: Option<Outside>,
}

/// How people outside are told.
pub struct Outside {
    /// Who tells them.
    pub to: SyncSender<Told>,
    /// Of which findings.
    pub findings: Findings,
}

impl Books {
    /// Of these cars; what the pages look at, the keeper of the books, and how it is told of news.
    pub fn new(
        cars: &[CarSettings],
        reader: Box<dyn Catalogue + Send>,
        open: Arc<OpenReader>,
        tell: Option<Outside>,
    ) -> (Arc<Current>, Books, SyncSender<News>) {
        let fleet = Arc::new(Current::default());
        let (inform, news) = sync_channel(NEWS);
        let cars = cars
            .iter()
            .map(|car| {
                let about =
                    About { name: car.name.clone(), kind: car.profile.id.clone(), group: car.group.clone() };
                (car.id.clone(), (about, Arc::clone(&car.profile)))
            })
            .collect();
        (Arc::clone(&fleet), Books { fleet, cars, reader, open, news, tell }, inform)
    }

    /// Reads every car's history, then follows the news until nobody tells any.
    pub fn run(self) {
        self.read_all();
        // Only now: how a car stands depends on how many there are.
        self.cars.keys().for_each(|car| self.tell_wear(car));
        while let Ok(first) = self.news.recv() {
            // A backlog brings many at once: each car is looked at once for all of them.
            let mut cycles: BTreeMap<String, Vec<CycleRecord>> = BTreeMap::new();
            let mut anew = BTreeSet::new();
            for news in std::iter::once(first).chain(self.news.try_iter()) {
                match news {
                    News::Cycle(cycle) => cycles.entry(cycle.car.clone()).or_default().push(*cycle),
                    News::Entry(car) => {
                        anew.insert(car);
                    }
                }
            }
            cycles.iter().for_each(|(car, cycles)| self.tell_findings(car, cycles));
            let mut changed: Vec<(String, Car)> = Vec::new();
            for car in anew.iter().chain(cycles.keys().filter(|car| !anew.contains(*car))) {
                let grown = if anew.contains(car) { None } else { self.grown(car, &cycles[car]) };
                changed.extend(grown.or_else(|| self.anew(car)).map(|new| (car.clone(), new)));
            }
            let names: Vec<String> = changed.iter().map(|(car, _)| car.clone()).collect();
            self.fleet.put(self.fleet.get().with(changed, 0));
            anew.iter().for_each(|car| self.tell_work(car));
            names.iter().for_each(|car| self.tell_wear(car));
        }
    }

    /// Every car's book, from the store, on every core; what is read is shown before all is.
    fn read_all(&self) {
        let profiles: Vec<_> =
            self.cars.iter().map(|(car, (_, profile))| (car.clone(), Arc::clone(profile))).collect();
        let fleet = &self.fleet;
        let cars = &self.cars;
        fleet.put(fleet.get().with([], profiles.len()));
        let read = Mutex::new((Vec::new(), profiles.len(), Instant::now()));
        load_all(&profiles, &*self.open, |car, loaded| {
            let mut read = read.lock().unwrap_or_else(PoisonError::into_inner);
            let (new, waiting, shown) = &mut *read;
            *waiting -= 1;
            match (loaded, cars.get(car)) {
                (Ok((book, assessed)), Some((about, _))) => {
                    new.push((car.to_owned(), Car::new(about.clone(), book, assessed)));
                }
                (Ok(_), None) => {}
                (Err(error), _) => tell(car, &error),
            }
            if *waiting == 0 || shown.elapsed() >= SHOW {
                fleet.put(fleet.get().with(new.drain(..), *waiting));
                *shown = Instant::now();
            }
        });
    }

    fn tell_findings(&self, car: &str, cycles: &[CycleRecord]) {
        let (Some(outside), Some((about, _))) = (&self.tell, self.cars.get(car)) else { return };
        for seen in cycles.iter().flat_map(|cycle| seen::of_cycle(&about.name, cycle, outside.findings)) {
            outside.tell(Told::Seen(Box::new(seen)));
        }
    }

    fn tell_work(&self, car: &str) {
        let Some(outside) = &self.tell else { return };
        let last = self.fleet.get().car(car).and_then(|(_, book)| Some(book.services().last()?.at));
        if let Some(at) = last {
            outside.tell(Told::Worked { car: car.to_owned(), at });
        }
    }

    fn tell_wear(&self, car: &str) {
        let (Some(outside), Some((about, _))) = (&self.tell, self.cars.get(car)) else { return };
        let fleet = self.fleet.get();
        let Some(newest) = fleet.car(car).and_then(|(_, book)| book.newest()) else { return };
        let called = fleet.called(car);
        if let Some(seen) = seen::of_wear(car, &about.name, newest, &called) {
            outside.tell(Told::Seen(Box::new(seen)));
        }
    }

    /// A car with its next cycles. `None`: they are not the next.
    fn grown(&self, car: &str, cycles: &[CycleRecord]) -> Option<Car> {
        let fleet = self.fleet.get();
        let (about, book) = fleet.car(car)?;
        let mut book = book.clone();
        cycles.iter().try_for_each(|cycle| book.cycle(cycle)).ok()?;
        let assessed = book.assess();
        Some(Car::new(about.clone(), book, assessed))
    }

    /// A car with its book from the store.
    fn anew(&self, car: &str) -> Option<Car> {
        let (about, profile) = self.cars.get(car)?;
        match load(&*self.reader, car, Arc::clone(profile)) {
            Ok(book) => {
                let assessed = book.assess();
                Some(Car::new(about.clone(), book, assessed))
            }
            Err(error) => {
                tell(car, &error);
                None
            }
        }
    }
}

impl Outside {
    fn tell(&self, told: Told) {
        // Whoever tells them ends with the daemon.
        let _ = self.to.send(told);
    }
}

fn tell(car: &str, error: &StoreError) {
    tracing::error!(car, "the car's trends can't be read: {error}");
}
