//! Who is signed in.

use std::collections::HashMap;
use std::time::{Duration, Instant};

/// A session ends when nothing was asked for so long.
const IDLE: Duration = Duration::from_secs(12 * 3600);
/// And after so long whatever was asked: a week with a car.
const LONGEST: Duration = Duration::from_secs(8 * 24 * 3600);
/// So many sessions are kept, of one person and of all; beyond, the ones that asked longest ago end.
const OF_ONE: usize = 16;
const OF_ALL: usize = 1024;
/// Browsers in which somebody signed in before.
const DEVICES: usize = 4096;

#[derive(Debug, Clone)]
struct Session {
    name: String,
    /// The password's hash that it was begun with: with another password the session is over.
    password: String,
    begun: Instant,
    asked: Instant,
}

/// Sessions and known browsers, by the digest of what the browser holds: what is kept here opens nothing. They end with
/// the process.
#[derive(Debug, Default)]
pub(crate) struct Sessions {
    open: HashMap<String, Session>,
    devices: HashMap<(String, String), Instant>,
}

impl Sessions {
    /// Whose session it is, if it is still one.
    pub fn name(&mut self, digest: &str, now: Instant) -> Option<(String, String)> {
        let session = self.open.get_mut(digest)?;
        if now.duration_since(session.asked) >= IDLE || now.duration_since(session.begun) >= LONGEST {
            self.open.remove(digest);
            return None;
        }
        session.asked = now;
        Some((session.name.clone(), session.password.clone()))
    }

    pub fn begin(&mut self, digest: String, name: &str, password: &str, now: Instant) {
        let (name, password) = (name.to_owned(), password.to_owned());
        self.drop_beyond(OF_ONE - 1, |session| session.name == name);
        self.drop_beyond(OF_ALL - 1, |_| true);
        self.open.insert(digest, Session { name, password, begun: now, asked: now });
    }

    pub fn end(&mut self, digest: &str) -> Option<String> {
        self.open.remove(digest).map(|session| session.name)
    }

    fn drop_beyond(&mut self, most: usize, of: impl Fn(&Session) -> bool) {
        while self.open.values().filter(|s| of(s)).count() > most {
            let oldest = self.open.iter().filter(|(_, s)| of(s)).min_by_key(|(_, s)| s.asked);
            let Some(oldest) = oldest.map(|(digest, _)| digest.clone()) else { return };
            self.open.remove(&oldest);
        }
    }

    /// Whether a name signed in with this browser before.
    pub fn is_known(&self, name: &str, device: &str) -> bool {
        self.devices.contains_key(&(name.to_owned(), device.to_owned()))
    }

    pub fn know(&mut self, name: &str, device: &str, now: Instant) {
        if self.devices.len() >= DEVICES {
            let oldest = self.devices.iter().min_by_key(|(_, at)| **at).map(|(key, _)| key.clone());
            oldest.map(|key| self.devices.remove(&key));
        }
        self.devices.insert((name.to_owned(), device.to_owned()), now);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_session_ends_when_idle_when_old_and_when_there_are_too_many() {
        let start = Instant::now();
        let mut sessions = Sessions::default();
        sessions.begin("a".into(), "ann", "p", start);
        let mut now = start;
        while now < start + LONGEST - IDLE {
            now += IDLE - Duration::from_secs(1);
            assert!(sessions.name("a", now).is_some());
        }
        assert!(sessions.name("a", start + LONGEST).is_none());
        sessions.begin("b".into(), "ann", "p", start);
        assert!(sessions.name("b", start + IDLE).is_none());
        for n in 0..100 {
            sessions.begin(format!("s{n}"), "ann", "p", start + Duration::from_secs(n));
        }
        sessions.begin("of-bob".into(), "bob", "p", start);
        assert_eq!(sessions.open.len(), OF_ONE + 1);
        let now = start + Duration::from_secs(100);
        assert!(sessions.name("s99", now).is_some() && sessions.name("s0", now).is_none());
    }
}
