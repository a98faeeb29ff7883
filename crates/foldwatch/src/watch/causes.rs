//! What the cars' cycles showed, for the causes: the judge notes it, the pages ask.

use std::collections::HashMap;
use std::sync::mpsc::{SyncSender, sync_channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use foldwatch_cause::{Entered, Evidence, Table};
use foldwatch_profile::Profile;
use foldwatch_report::Diagnosis;
use foldwatch_store::{Entry, EntryKind};

use super::judge::{Repaired, Work};

/// So long is waited for the disk before it is said that an entry is not kept yet.
const PATIENCE: Duration = Duration::from_secs(10);

/// Evidence of every car that is watched.
pub struct Causes {
    table: Table,
    cars: Mutex<HashMap<String, (Arc<Profile>, Evidence)>>,
    keeper: Mutex<Option<SyncSender<Work>>>,
    repaired: Repaired,
}

impl Causes {
    /// Nothing was seen yet; what people enter goes to the keeper.
    pub fn new(keeper: SyncSender<Work>, repaired: Repaired) -> Self {
        Causes { table: Table::shipped(), cars: Mutex::default(), keeper: Mutex::new(Some(keeper)), repaired }
    }

    /// What a car's cycles showed up to now.
    pub fn showed(&self, car: &str, profile: &Arc<Profile>, evidence: &Evidence) {
        let mut cars = self.cars.lock().unwrap_or_else(PoisonError::into_inner);
        cars.insert(car.to_owned(), (Arc::clone(profile), evidence.clone()));
    }

    /// Nothing is entered any more.
    pub fn close(&self) {
        *self.keeper.lock().unwrap_or_else(PoisonError::into_inner) = None;
    }
}

impl foldwatch_web::Causes for Causes {
    fn diagnosis(&self, car: &str, results: &[(String, String)]) -> Option<Diagnosis> {
        let known = self.cars.lock().unwrap_or_else(PoisonError::into_inner).get(car).cloned();
        let (profile, evidence) = known?;
        let entered =
            |(check, result): &(String, String)| Entered { check: check.clone(), result: result.clone() };
        let entered: Vec<Entered> = results.iter().map(entered).collect();
        let found = foldwatch_cause::diagnose(&self.table, &profile, &evidence, &entered);
        Some(foldwatch_report::diagnosis(&profile, &found))
    }

    fn enter(&self, entry: Entry) -> Result<(), String> {
        let keeper = self.keeper.lock().unwrap_or_else(PoisonError::into_inner).clone();
        let worked = (entry.kind == EntryKind::Service).then(|| entry.car.clone());
        let (done, kept) = sync_channel(1);
        let work = Work { car: entry.car.clone(), entries: vec![(entry, done)], ..Work::default() };
        let sent = keeper.map(|keeper| keeper.send(work).is_ok());
        if sent != Some(true) {
            return Err("the daemon is being stopped".to_owned());
        }
        kept.recv_timeout(PATIENCE).map_err(|_| "it could not be written to the disk yet".to_owned())?;
        if let Some(car) = worked {
            // What was found before the work says nothing of the roof after it.
            let mut cars = self.cars.lock().unwrap_or_else(PoisonError::into_inner);
            if let Some((_, evidence)) = cars.get_mut(&car) {
                *evidence = Evidence::default();
            }
            self.repaired.lock().unwrap_or_else(PoisonError::into_inner).push(car);
        }
        Ok(())
    }
}
