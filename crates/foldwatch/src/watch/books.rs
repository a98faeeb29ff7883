//! The fleet's books, kept up on a thread of their own: whatever a trend costs, no frame waits for it.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex, PoisonError};

use foldwatch_fleet::{About, Fleet, load};
use foldwatch_profile::Profile;
use foldwatch_store::{Catalogue, CycleRecord, StoreError};

use super::alarms::settings::Findings;
use super::alarms::{Told, seen};
use super::settings::CarSettings;

/// What is new about a car, once it is on disk.
pub enum News {
    /// A movement, with its last word.
    Cycle(Box<CycleRecord>),
    /// Somebody wrote something about the car.
    Entry(String),
}

/// Keeps the books.
pub struct Books {
    fleet: Arc<Mutex<Fleet>>,
    cars: BTreeMap<String, (About, Arc<Profile>)>,
    reader: Box<dyn Catalogue + Send>,
    news: Receiver<News>,
    tell: Option<Outside>,
}

/// How people outside are told.
pub struct Outside {
    /// Who tells them.
    pub to: Sender<Told>,
    /// Of which findings.
    pub findings: Findings,
}

impl Books {
    /// Of these cars; what the pages look at, the keeper of the books, and how it is told of news.
    pub fn new(
        cars: &[CarSettings],
        reader: Box<dyn Catalogue + Send>,
        tell: Option<Outside>,
    ) -> (Arc<Mutex<Fleet>>, Books, Sender<News>) {
        let fleet = Arc::new(Mutex::new(Fleet::default()));
        let (inform, news) = channel();
        let cars = cars
            .iter()
            .map(|car| {
                let about =
                    About { name: car.name.clone(), kind: car.profile.id.clone(), group: car.group.clone() };
                (car.id.clone(), (about, Arc::clone(&car.profile)))
            })
            .collect();
        (Arc::clone(&fleet), Books { fleet, cars, reader, news, tell }, inform)
    }

    /// Reads every car's history, then follows the news until nobody tells any.
    pub fn run(self) {
        self.shared().waiting = self.cars.len();
        for car in self.cars.keys() {
            self.anew(car);
            let mut fleet = self.shared();
            fleet.waiting = fleet.waiting.saturating_sub(1);
        }
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
            for car in &anew {
                self.anew(car);
                self.tell_work(car);
            }
            for (car, cycles) in &cycles {
                if !anew.contains(car) && !self.grow(car, cycles) {
                    self.anew(car);
                }
            }
            anew.iter().chain(cycles.keys()).for_each(|car| self.tell_wear(car));
        }
    }

    fn shared(&self) -> std::sync::MutexGuard<'_, Fleet> {
        self.fleet.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn tell_findings(&self, car: &str, cycles: &[CycleRecord]) {
        let (Some(outside), Some((about, _))) = (&self.tell, self.cars.get(car)) else { return };
        for seen in cycles.iter().flat_map(|cycle| seen::of_cycle(&about.name, cycle, outside.findings)) {
            outside.tell(Told::Seen(Box::new(seen)));
        }
    }

    fn tell_work(&self, car: &str) {
        let Some(outside) = &self.tell else { return };
        let last = self.shared().car(car).and_then(|(_, book)| Some(book.services().last()?.at));
        if let Some(at) = last {
            outside.tell(Told::Worked { car: car.to_owned(), at });
        }
    }

    fn tell_wear(&self, car: &str) {
        let (Some(outside), Some((about, _))) = (&self.tell, self.cars.get(car)) else { return };
        let mut fleet = self.shared();
        let Some(newest) = fleet.car(car).and_then(|(_, book)| book.newest()) else { return };
        let called = fleet.called(car);
        drop(fleet);
        if let Some(seen) = seen::of_wear(car, &about.name, newest, &called) {
            outside.tell(Told::Seen(Box::new(seen)));
        }
    }

    /// The next cycles of a car. `false`: they are not the next.
    fn grow(&self, car: &str, cycles: &[CycleRecord]) -> bool {
        let known = self.shared().car(car).map(|(about, book)| (about.clone(), book.clone()));
        let Some((about, mut book)) = known else { return false };
        if cycles.iter().any(|cycle| book.cycle(cycle).is_err()) {
            return false;
        }
        let assessed = book.assess();
        self.shared().put(car, about, book, assessed);
        true
    }

    /// A car's book from the store.
    fn anew(&self, car: &str) {
        let Some((about, profile)) = self.cars.get(car) else { return };
        match load(&*self.reader, car, Arc::clone(profile)) {
            Ok(book) => {
                let assessed = book.assess();
                self.shared().put(car, about.clone(), book, assessed);
            }
            Err(error) => tell(car, &error),
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
