//! Ports and loggers: what this machine has, and what is picked of it. Listening and keeping are the daemon's.

use foldwatch_store::Logger;

use crate::app::Desk;
use crate::failure::Failure;
use crate::live::PortState;

/// A serial port of this machine.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MachinePort {
    /// The name to open it by.
    pub name: String,
    /// What hangs on it, as far as it says so.
    pub what: String,
}

/// Who listens at ports. All calls may block; none says anything to a logger that changes it.
pub trait Places: Send + Sync {
    /// The ports that this machine has just now.
    ///
    /// # Errors
    /// Where the system does not tell.
    fn found(&self) -> Result<Vec<MachinePort>, String>;

    /// Listens at one of them from now on, also after a restart; without a speed at the usual one.
    ///
    /// # Errors
    /// In words for the person.
    fn listen(&self, port: &str, baud: Option<u32>) -> Result<(), String>;

    /// A logger sits in this car, from now on. What the settings say goes before.
    ///
    /// # Errors
    /// In words for the person.
    fn fit(&self, logger: &str, car: &str) -> Result<(), String>;
}

/// Where nobody listens: pages that stand on no daemon.
pub struct NoPlaces;

impl Places for NoPlaces {
    fn found(&self) -> Result<Vec<MachinePort>, String> {
        Ok(Vec::new())
    }

    fn listen(&self, _: &str, _: Option<u32>) -> Result<(), String> {
        Err("Nobody listens here.".to_owned())
    }

    fn fit(&self, _: &str, _: &str) -> Result<(), String> {
        Err("Nobody listens here.".to_owned())
    }
}

/// A port as it is shown.
#[derive(Debug, Clone)]
pub(crate) struct Place {
    pub name: String,
    /// What hangs on it; empty: this machine has it no more, or it is none of its serial ports.
    pub what: String,
    /// How it stands there; `None`: nobody listens.
    pub heard: Option<PortState>,
}

/// The ports that are listened at and those that could be, each once.
pub(crate) fn places(found: Vec<MachinePort>, heard: &[PortState]) -> Vec<Place> {
    let state = |name: &str| heard.iter().find(|port| port.port == name).cloned();
    let mut all: Vec<Place> = found
        .into_iter()
        .map(|port| Place { heard: state(&port.name), name: port.name, what: port.what })
        .collect();
    for port in heard {
        if !all.iter().any(|place| place.name == port.port) {
            let heard = Some(port.clone());
            all.push(Place { name: port.port.clone(), what: String::new(), heard });
        }
    }
    // Where somebody must do something, then what is heard, then the rest.
    all.sort_by_key(|place| match &place.heard {
        Some(port) if !port.well => 0,
        Some(_) => 1,
        None => 2,
    });
    all
}

/// Takes a logger for a car's, unless a car has it already.
pub(crate) fn fit(desk: &Desk, logger: &str, car: &str) -> Result<(), Failure> {
    let owner = |known: &Logger| known.id == logger && known.car != car;
    if let Some(known) = desk.catalogue.loggers()?.into_iter().find(owner) {
        let id = known.car;
        return Err(Failure::refused(&format!(
            "This logger sits in “{id}” and has recorded there. To move it, name it under `loggers` in the settings."
        )));
    }
    desk.places().fit(logger, car).map_err(|why| Failure::refused(&why))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_port_is_shown_once_and_what_needs_a_person_first() {
        let port = |name: &str, well| PortState {
            port: name.into(),
            car: None,
            logger: None,
            well,
            words: "silent".into(),
            since: String::new(),
        };
        let found = ["a", "b"].map(|name| MachinePort { name: name.into(), what: "USB".into() }).to_vec();
        let shown = places(found, &[port("b", true), port("gone", false)]);
        let names: Vec<&str> = shown.iter().map(|place| place.name.as_str()).collect();
        assert_eq!(names, ["gone", "b", "a"]);
        assert!(shown[2].heard.is_none() && shown[0].what.is_empty());
    }
}
