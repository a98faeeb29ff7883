//! What is picked on the page of ports: where else to listen, and which car a logger sits in. Beside the settings, which
//! go before; kept in `places.json` of the data's folder.

use std::collections::{BTreeMap, HashMap};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use anyhow::{Context, Result};
use foldwatch_collect::{Answer, Described, Port, found};
use foldwatch_web::MachinePort;
use foldwatch_wire::Reply;
use serde::{Deserialize, Serialize};
use tokio::sync::mpsc::UnboundedSender;

use super::settings::USUAL_BAUD;
use crate::whole;

/// Which car each logger sits in, as it was picked, and the way to those whose car nobody knows; shared with the judge.
#[derive(Debug, Default)]
pub struct Loggers {
    /// Picked.
    pub cars: BTreeMap<u32, String>,
    /// Whose car nobody knows: once it is known they are asked to begin anew, as nothing of theirs was taken.
    pub strangers: HashMap<u32, Answer>,
}

/// The judge's and the pages' one.
pub type Fitted = Arc<Mutex<Loggers>>;

/// As it stands on disk.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
struct Kept {
    /// Ports to listen at, with their speed.
    ports: BTreeMap<String, u32>,
    /// Loggers, as eight hexadecimal digits, and their cars.
    loggers: BTreeMap<String, String>,
}

/// What was picked.
pub struct Places {
    file: PathBuf,
    kept: Mutex<Kept>,
    fitted: Fitted,
    /// Cars that are watched.
    cars: Vec<String>,
    picks: UnboundedSender<Port>,
}

impl Places {
    /// With what was picked before; those ports are listened at from now on.
    ///
    /// # Errors
    /// Where the file is there and can't be read.
    pub fn open(data: &Path, cars: Vec<String>, picks: UnboundedSender<Port>) -> Result<Places> {
        let file = data.join("places.json");
        let kept: Kept = match fs::read(&file) {
            Ok(bytes) => serde_json::from_slice(&bytes).with_context(|| {
                format!("{} can't be understood: take it away to pick anew", file.display())
            })?,
            Err(error) if error.kind() == io::ErrorKind::NotFound => Kept::default(),
            Err(error) => return Err(error).with_context(|| format!("{} can't be read", file.display())),
        };
        for (name, baud) in &kept.ports {
            // Nobody listens only while the daemon ends.
            let _ = picks.send(Port { name: name.clone(), baud: *baud, encoding: None });
        }
        let loggers = kept.loggers.iter();
        let fitted = loggers.filter_map(|(id, car)| Some((u32::from_str_radix(id, 16).ok()?, car.clone())));
        let fitted = Loggers { cars: fitted.collect(), strangers: HashMap::new() };
        let fitted = Arc::new(Mutex::new(fitted));
        Ok(Places { file, kept: Mutex::new(kept), fitted, cars, picks })
    }

    /// Which car each logger sits in that was picked here.
    pub fn fitted(&self) -> Fitted {
        Arc::clone(&self.fitted)
    }

    /// Listens at a port from now on, if it is one of those that there are.
    fn pick(&self, there: &[Described], name: &str, baud: u32) -> Result<(), String> {
        if !there.iter().any(|port| port.name == name) {
            return Err(format!("This machine has no port {name}. Is it plugged in?"));
        }
        let mut kept = self.lock();
        if kept.ports.contains_key(name) {
            return Err(format!("{name} is listened at already."));
        }
        let mut next = kept.clone();
        next.ports.insert(name.to_owned(), baud);
        self.write(&next)?;
        *kept = next;
        self.picks
            .send(Port { name: name.to_owned(), baud, encoding: None })
            .map_err(|_| "foldwatch is being stopped.".to_owned())
    }

    fn write(&self, kept: &Kept) -> Result<(), String> {
        let write = || whole::write(&self.file, |out| Ok(whole::json(out, kept)?));
        write().map_err(|error| {
            tracing::error!("what was picked can't be kept: {error:#}");
            "It can't be written to the disk; the log tells why.".to_owned()
        })
    }

    fn lock(&self) -> MutexGuard<'_, Kept> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl foldwatch_web::Places for Places {
    fn found(&self) -> Result<Vec<MachinePort>, String> {
        let ports = found().map_err(|error| error.to_string())?;
        Ok(ports.into_iter().map(|port| MachinePort { name: port.name, what: port.what }).collect())
    }

    fn listen(&self, port: &str, baud: Option<u32>) -> Result<(), String> {
        let there = found().map_err(|error| error.to_string())?;
        self.pick(&there, port, baud.unwrap_or(USUAL_BAUD))
    }

    fn fit(&self, logger: &str, car: &str) -> Result<(), String> {
        let number =
            u32::from_str_radix(logger, 16).map_err(|_| format!("“{logger}” is no logger's number."))?;
        if !self.cars.iter().any(|known| known == car) {
            return Err("This car is not watched: enter it in the settings first.".to_owned());
        }
        let mut kept = self.lock();
        let mut next = kept.clone();
        next.loggers.insert(format!("{number:08X}"), car.to_owned());
        self.write(&next)?;
        *kept = next;
        let mut fitted = self.fitted.lock().unwrap_or_else(PoisonError::into_inner);
        fitted.cars.insert(number, car.to_owned());
        if let Some(way) = fitted.strangers.remove(&number) {
            way.send(Reply::Hello);
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use foldwatch_web::Places as _;

    use super::*;

    #[test]
    fn what_is_picked_outlasts_a_restart() {
        let data = tempfile::tempdir().unwrap();
        let open = || {
            let (picks, picked) = tokio::sync::mpsc::unbounded_channel();
            (Places::open(data.path(), vec!["oak".into()], picks).unwrap(), picked)
        };
        let there = [Described { name: "/dev/ttyUSB3".into(), what: "USB".into() }];
        let (places, mut picked) = open();
        assert!(picked.try_recv().is_err());
        assert!(places.pick(&there, "/dev/sda", 9600).unwrap_err().contains("no port /dev/sda"));
        places.pick(&there, "/dev/ttyUSB3", 9600).unwrap();
        assert!(places.pick(&there, "/dev/ttyUSB3", 9600).unwrap_err().contains("already"));
        let port = Port { name: "/dev/ttyUSB3".into(), baud: 9600, encoding: None };
        assert_eq!(picked.try_recv().unwrap(), port);
        assert!(places.fit("0000BEEF", "elm").unwrap_err().contains("not watched"));
        assert!(places.fit("tea", "oak").unwrap_err().contains("no logger's number"));
        places.fit("beef", "oak").unwrap();
        drop(places);
        let (places, mut picked) = open();
        assert_eq!(picked.try_recv().unwrap(), port);
        assert_eq!(places.fitted().lock().unwrap().cars.get(&0xBEEF).map(String::as_str), Some("oak"));
        fs::write(data.path().join("places.json"), "{").unwrap();
        let (picks, _) = tokio::sync::mpsc::unbounded_channel();
        assert!(Places::open(data.path(), Vec::new(), picks).is_err());
    }
}
