//! Guided tests under way: fed by the judge, pressed from the pages.

use std::collections::HashMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use foldwatch_guide::{Guide, Kind, LoggerFacts, Press, Stiffness};
use foldwatch_pipeline::{Lane, Verdict};
use foldwatch_profile::Profile;
use foldwatch_units::Volts;
use foldwatch_web::{GuideNow, Hub, LiveGuide, LiveMessage};

/// What is seen is told no faster: a person reads it.
const PACE: Duration = Duration::from_millis(150);

/// The one test of each car.
pub struct Guides {
    profiles: HashMap<String, Arc<Profile>>,
    sessions: Mutex<HashMap<String, Session>>,
    /// Whether there is any: with none, the judge need not look.
    any: AtomicBool,
    hub: Arc<Hub>,
}

struct Session {
    guide: Guide,
    told: Option<(Instant, LiveGuide)>,
}

impl Guides {
    /// For these cars; none is under way.
    pub fn new(profiles: HashMap<String, Arc<Profile>>, hub: Arc<Hub>) -> Self {
        Guides { profiles, sessions: Mutex::default(), any: AtomicBool::new(false), hub }
    }

    fn lock(&self) -> MutexGuard<'_, HashMap<String, Session>> {
        self.sessions.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Lets the car's test see something, if one is under way.
    pub fn feed(&self, car: &str, with: impl FnOnce(&mut Guide)) {
        if !self.any.load(Ordering::Relaxed) {
            return;
        }
        if let Some(session) = self.lock().get_mut(car) {
            with(&mut session.guide);
        }
    }

    /// Tells what is seen, and lets the test see what the logger says of itself.
    pub fn publish(&self, car: &str, lane: &Lane) {
        self.feed(car, |guide| guide.logger(&facts(lane)));
        self.tell(car);
    }

    /// What a movement that is over gave.
    pub fn movement(&self, car: &str, verdict: &Verdict) {
        let found = |measure: &foldwatch_score::Measure| {
            let bar = measure.value.value().filter(|_| measure.id == "bulk-modulus")?;
            Some(Stiffness { phase: measure.phase?, bar })
        };
        self.feed(car, |guide| {
            guide.movement(&verdict.judged.measures.iter().filter_map(found).collect::<Vec<_>>());
        });
    }

    fn tell(&self, car: &str) {
        if !self.any.load(Ordering::Relaxed) || self.hub.watchers() == 0 {
            return;
        }
        let mut sessions = self.lock();
        let Some(session) = sessions.get_mut(car) else { return };
        if session.told.as_ref().is_some_and(|(at, _)| at.elapsed() < PACE) {
            return;
        }
        let now = LiveGuide { car: car.to_owned(), at: session.guide.at(), says: session.guide.says() };
        if session.told.as_ref().is_none_or(|(_, told)| *told != now) {
            session.told = Some((Instant::now(), now.clone()));
            self.hub.publish(LiveMessage::Guide(now));
        }
    }
}

impl foldwatch_web::Guides for Guides {
    fn now(&self, car: &str) -> Option<GuideNow> {
        self.lock().get(car).map(|session| GuideNow::from(&session.guide))
    }

    fn begin(&self, car: &str, kind: Kind) -> Result<(), String> {
        let profile =
            self.profiles.get(car).ok_or("This car is not watched: no logger is expected for it.")?;
        let guide = Guide::new(kind, Arc::clone(profile))?;
        self.lock().insert(car.to_owned(), Session { guide, told: None });
        self.any.store(true, Ordering::Relaxed);
        Ok(())
    }

    fn press(&self, car: &str, press: Press) {
        self.feed(car, |guide| guide.press(press));
    }

    fn end(&self, car: &str) {
        let mut sessions = self.lock();
        sessions.remove(car);
        self.any.store(!sessions.is_empty(), Ordering::Relaxed);
    }
}

fn facts(lane: &Lane) -> LoggerFacts {
    let health = lane.health();
    let hello = lane.hello();
    LoggerFacts {
        name: hello.map(|hello| hello.name.clone()),
        firmware: hello.map(|hello| hello.firmware.clone()).unwrap_or_default(),
        channels: hello.map(|h| h.signals.iter().map(|s| s.id.clone()).collect()).unwrap_or_default(),
        fill: health.map(|health| f64::from(health.fill_permille) / 1000.0),
        dropped: health.map(|health| health.dropped),
        supply: health.and_then(|health| health.supply_mv).map(|mv| Volts(f64::from(mv) / 1000.0)),
        dated: lane.is_dated(lane.engine().now()),
        residual: lane.timeline().latest().map(|line| line.residual),
    }
}
