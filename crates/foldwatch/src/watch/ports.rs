//! Which logger is where, and how it stands there.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use foldwatch_collect::{PortNews, utc_now};
use foldwatch_report::rfc3339;
use foldwatch_web::{Hub, LiveMessage, PortState};

use super::replay::logger_name;

/// What is known of the ports, for the pages.
pub struct Ports {
    hub: Arc<Hub>,
    known: Mutex<HashMap<Arc<str>, Known>>,
}

#[derive(Default)]
struct Known {
    logger: Option<u32>,
    car: Option<String>,
    /// What the port's own task says.
    news: Option<(bool, String)>,
    /// What else is wrong there, which outweighs it.
    trouble: Option<String>,
    told: Option<(Option<u32>, bool, String)>,
}

impl Ports {
    /// Nothing is known yet.
    pub fn new(hub: Arc<Hub>) -> Self {
        Ports { hub, known: Mutex::default() }
    }

    fn lock(&self) -> MutexGuard<'_, HashMap<Arc<str>, Known>> {
        self.known.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// What a port's task says.
    pub fn news(&self, news: PortNews) {
        tracing::info!(port = &*news.port, "{}", news.words);
        let mut known = self.lock();
        if news.gone && news.last.is_none() {
            known.remove(&news.port);
            self.hub.forget_port(&news.port);
            return;
        }
        let port = known.entry(Arc::clone(&news.port)).or_default();
        port.news = Some((news.well, news.words));
        self.tell(&news.port, port);
    }

    /// A logger was heard at a port; where it was before it is no more.
    pub fn heard(&self, name: &Arc<str>, logger: u32, car: &str) {
        let mut known = self.lock();
        if known.get(name).is_some_and(|port| port.logger == Some(logger) && port.trouble.is_none()) {
            return;
        }
        let elsewhere: Vec<Arc<str>> = known
            .iter()
            .filter(|(other, port)| *other != name && port.logger == Some(logger))
            .map(|(other, _)| Arc::clone(other))
            .collect();
        for other in elsewhere {
            known.remove(&other);
            self.hub.forget_port(&other);
        }
        let port = known.entry(Arc::clone(name)).or_default();
        port.logger = Some(logger);
        port.car = Some(car.to_owned());
        port.trouble = None;
        self.tell(name, port);
    }

    /// The logger that was heard last at a port.
    pub fn logger_at(&self, name: &str) -> Option<u32> {
        self.lock().get(name).and_then(|port| port.logger)
    }

    /// A logger was heard whose car nobody knows.
    pub fn stranger(&self, name: &Arc<str>, logger: u32, words: &str) {
        {
            let mut known = self.lock();
            let port = known.entry(Arc::clone(name)).or_default();
            (port.logger, port.car) = (Some(logger), None);
        }
        self.trouble(name, words);
    }

    /// Something that a person must see to at this port.
    pub fn trouble(&self, name: &Arc<str>, words: &str) {
        let mut known = self.lock();
        let port = known.entry(Arc::clone(name)).or_default();
        if port.trouble.as_deref() != Some(words) {
            tracing::warn!(port = &**name, "{words}");
            port.trouble = Some(words.to_owned());
            self.tell(name, port);
        }
    }

    /// Something that a person must see to, and that concerns every port; `None`: it is over.
    pub fn trouble_everywhere(&self, words: Option<&str>) {
        let mut known = self.lock();
        for (name, port) in known.iter_mut() {
            port.trouble = words.map(ToOwned::to_owned);
            self.tell(name, port);
        }
    }

    fn tell(&self, name: &Arc<str>, port: &mut Known) {
        let (well, words) = match (&port.trouble, &port.news) {
            (Some(trouble), _) => (false, trouble.clone()),
            (None, Some((well, words))) => (*well, words.clone()),
            (None, None) => (true, "heard".to_owned()),
        };
        let now = (port.logger, well, words.clone());
        if port.told.as_ref() == Some(&now) {
            return;
        }
        port.told = Some(now);
        self.hub.publish(LiveMessage::Port(PortState {
            port: name.to_string(),
            car: port.car.clone(),
            logger: port.logger.map(logger_name),
            well,
            words,
            since: rfc3339(utc_now()),
        }));
    }
}
