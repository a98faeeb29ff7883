//! The fleet's books, kept up on a thread of their own: whatever a trend costs, no frame waits for it.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex, PoisonError};

use foldwatch_fleet::{About, Fleet, load};
use foldwatch_profile::Profile;
use foldwatch_store::{Catalogue, CycleRecord, StoreError};

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
}

impl Books {
    /// Of these cars; what the pages look at, the keeper of the books, and how it is told of news.
    pub fn new(
        cars: &[CarSettings],
        reader: Box<dyn Catalogue + Send>,
    ) -> (Arc<Mutex<Fleet>>, Books, Sender<News>) {
        let fleet = Arc::new(Mutex::new(Fleet::default()));
        let (tell, news) = channel();
        let cars = cars
            .iter()
            .map(|car| {
                let about =
                    About { name: car.name.clone(), kind: car.profile.id.clone(), group: car.group.clone() };
                (car.id.clone(), (about, Arc::clone(&car.profile)))
            })
            .collect();
        (Arc::clone(&fleet), Books { fleet, cars, reader, news }, tell)
    }

    /// Reads every car's history, then follows the news until nobody tells any.
    pub fn run(self) {
        self.shared().waiting = self.cars.len();
        for car in self.cars.keys() {
            self.anew(car);
            let mut fleet = self.shared();
            fleet.waiting = fleet.waiting.saturating_sub(1);
        }
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
            cycles.retain(|car, _| !anew.contains(car));
            anew.iter().for_each(|car| self.anew(car));
            for (car, cycles) in cycles {
                if !self.grow(&car, &cycles) {
                    self.anew(&car);
                }
            }
        }
    }

    fn shared(&self) -> std::sync::MutexGuard<'_, Fleet> {
        self.fleet.lock().unwrap_or_else(PoisonError::into_inner)
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

fn tell(car: &str, error: &StoreError) {
    tracing::error!(car, "the car's trends can't be read: {error}");
}
