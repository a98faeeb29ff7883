//! How fast one place may ask.

use std::collections::HashMap;
use std::time::{Duration, Instant};

use crate::Place;

/// So many places are remembered; beyond, those that asked longest ago are forgotten.
const REMEMBERED: usize = 4096;

/// Requests by place, by the generic cell rate algorithm (ITU-T I.371): a moment for each place from which on it may ask
/// again, that runs ahead of the clock by no more than a burst.
#[derive(Debug)]
pub struct Pace {
    every: Duration,
    burst: Duration,
    next: HashMap<Place, Instant>,
}

impl Pace {
    /// So many a second in the long run, and so many at once.
    pub fn new(a_second: u32, at_once: u32) -> Self {
        let every = Duration::from_secs(1) / a_second.max(1);
        Pace { every, burst: every * at_once.max(1), next: HashMap::new() }
    }

    /// Takes a request in; `Err`: not yet, and how long to wait. This machine's own are not counted.
    ///
    /// # Errors
    /// The wait.
    pub fn take(&mut self, place: &Place, now: Instant) -> Result<(), Duration> {
        if *place == Place::Here {
            return Ok(());
        }
        let next = self.next.get(place).copied().map_or(now, |next| next.max(now));
        let ahead = next.duration_since(now) + self.every;
        if ahead > self.burst {
            return Err(ahead - self.burst);
        }
        if self.next.len() >= REMEMBERED && !self.next.contains_key(place) {
            self.next.retain(|_, next| *next > now);
            if self.next.len() >= REMEMBERED {
                let oldest = self.next.iter().min_by_key(|(_, next)| **next).map(|(place, _)| place.clone());
                oldest.map(|place| self.next.remove(&place));
            }
        }
        self.next.insert(place.clone(), next + self.every);
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_burst_then_the_rate_for_each_place_by_itself() {
        let start = Instant::now();
        let mut pace = Pace::new(10, 20);
        let (one, other) = (Place::of([192, 0, 2, 1].into()), Place::of([192, 0, 2, 2].into()));
        let taken = (0..1000).filter(|_| pace.take(&one, start).is_ok()).count();
        assert_eq!(taken, 20);
        assert!(pace.take(&one, start).unwrap_err() <= Duration::from_millis(100));
        pace.take(&other, start).unwrap();
        pace.take(&Place::Here, start).unwrap();
        // Over ten seconds: ten a second.
        let taken =
            (0..10_000).filter(|ms| pace.take(&one, start + Duration::from_millis(*ms)).is_ok()).count();
        assert!((99..=101).contains(&taken), "{taken}");
        for n in 0..20_000u32 {
            let _ = pace.take(&Place::of(n.to_be_bytes().into()), start);
        }
        assert!(pace.next.len() <= REMEMBERED);
    }
}
