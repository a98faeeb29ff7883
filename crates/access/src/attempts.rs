//! How long to wait before the next guess.
//!
//! What is slowed is the pair of a name and a place, never a name as such: whoever guesses from elsewhere can't shut the
//! owner out. A name that is guessed at from many networks is slowed for all networks that are not known, but not on this
//! machine and not in a browser in which it signed in before.

use std::collections::HashMap;
use std::time::{Duration, Instant};

use crate::Place;

/// So many misses cost nothing: people mistype. Judgment.
const FREE: u32 = 5;
/// From one network, whatever the names; from all unknown networks, one name. Judgment: a shop's people behind one
/// address, and some mistyping.
const FREE_OF_NET: u32 = 20;
const FREE_OF_NAME: u32 = 30;
/// The longest wait: 100 guesses a day at most.
const LONGEST: Duration = Duration::from_secs(15 * 60);
/// On this machine and in a known browser nobody waits longer, so that nobody can be kept out there.
const LONGEST_HERE: Duration = Duration::from_secs(5);
/// Misses are forgotten after so long without another one.
const FORGOTTEN: Duration = Duration::from_secs(60 * 60);
/// So many places and names are remembered; beyond, the half that missed longest ago is forgotten.
const REMEMBERED: usize = 4096;

#[derive(Debug, Clone, PartialEq, Eq, Hash)]
enum Key {
    Pair(String, Place),
    Net(Place),
    Name(String),
}

#[derive(Debug, Clone, Copy)]
struct Missed {
    times: u32,
    last: Instant,
}

/// Guesses that missed.
#[derive(Debug, Default)]
pub struct Attempts(HashMap<Key, Missed>);

impl Attempts {
    /// How long a name has to wait at a place; `None`: not at all.
    pub fn wait(&self, name: &str, place: &Place, now: Instant) -> Option<Duration> {
        let waits = keys(name, place).into_iter().filter_map(|(key, free)| {
            let missed = self.0.get(&key).filter(|missed| now.duration_since(missed.last) < FORGOTTEN)?;
            let beyond = missed.times.checked_sub(free)?;
            let longest = if matches!(place, Place::Net(_)) { LONGEST } else { LONGEST_HERE };
            let wait = Duration::from_secs(1u64.checked_shl(beyond).unwrap_or(u64::MAX)).min(longest);
            wait.checked_sub(now.duration_since(missed.last)).filter(|left| !left.is_zero())
        });
        waits.max()
    }

    /// A guess missed.
    pub fn missed(&mut self, name: &str, place: &Place, now: Instant) {
        let pair = self.0.get(&Key::Pair(name.to_owned(), place.clone())).copied();
        let of_this =
            pair.filter(|missed| now.duration_since(missed.last) < FORGOTTEN).map_or(0, |m| m.times);
        for (key, _) in keys(name, place) {
            // One network alone can't slow a name for all others: it counts for them only so often.
            if matches!(key, Key::Name(_)) && of_this >= FREE {
                continue;
            }
            let missed = self.0.entry(key).or_insert(Missed { times: 0, last: now });
            let forgotten = now.duration_since(missed.last) >= FORGOTTEN;
            missed.times = if forgotten { 1 } else { missed.times.saturating_add(1) };
            missed.last = now;
        }
        if self.0.len() > REMEMBERED {
            self.0.retain(|_, missed| now.duration_since(missed.last) < FORGOTTEN);
        }
        if self.0.len() > REMEMBERED {
            // Half of them at once, the older one: a flood of names must not cost a search each.
            let mut times: Vec<Instant> = self.0.values().map(|missed| missed.last).collect();
            let mut go = times.len() / 2;
            let (_, middle, _) = times.select_nth_unstable(go);
            let middle = *middle;
            self.0.retain(|_, missed| {
                let old = missed.last <= middle && go > 0;
                go -= usize::from(old);
                !old
            });
        }
    }

    /// It was right: this pair begins anew. What else was guessed from that network still counts.
    pub fn right(&mut self, name: &str, place: &Place) {
        self.0.remove(&Key::Pair(name.to_owned(), place.clone()));
    }
}

/// What a guess counts for, with how many are free.
fn keys(name: &str, place: &Place) -> Vec<(Key, u32)> {
    let mut keys = vec![(Key::Pair(name.to_owned(), place.clone()), FREE)];
    if matches!(place, Place::Net(_)) {
        keys.push((Key::Net(place.clone()), FREE_OF_NET));
        keys.push((Key::Name(name.to_owned()), FREE_OF_NAME));
    }
    keys
}

#[cfg(test)]
mod tests {
    use super::*;

    fn net(n: u8) -> Place {
        Place::of([192, 0, 2, n].into())
    }

    /// Guesses as fast as it is let for so long, and says how often that was.
    fn guesses(attempts: &mut Attempts, name: &str, place: &Place, from: Instant, seconds: u64) -> u32 {
        let mut now = from;
        let mut count = 0;
        while now < from + Duration::from_secs(seconds) {
            match attempts.wait(name, place, now) {
                Some(wait) => now += wait,
                None => {
                    attempts.missed(name, place, now);
                    count += 1;
                    now += Duration::from_millis(100);
                }
            }
        }
        count
    }

    #[test]
    fn guessing_gets_slow_and_the_owner_gets_in_all_the_same() {
        let start = Instant::now();
        let mut attempts = Attempts::default();
        let day = 24 * 3600;
        let count = guesses(&mut attempts, "owner", &net(1), start, day);
        assert!((90..130).contains(&count), "{count}");
        let later = start + Duration::from_secs(day);
        assert!(attempts.wait("owner", &net(1), later).is_some());
        for place in [Place::Here, Place::Device("d".into()), net(2)] {
            assert_eq!(attempts.wait("owner", &place, later), None, "{place:?}");
        }
        // Another name from the guesser's network waits, too.
        assert!(attempts.wait("other", &net(1), later).is_some());
    }

    #[test]
    fn guessing_from_everywhere_gets_slow_and_known_places_stay_free() {
        let now = Instant::now();
        let mut attempts = Attempts::default();
        for n in 0..200 {
            attempts.missed("owner", &net(n), now);
        }
        assert!(attempts.wait("owner", &net(250), now) >= Some(Duration::from_secs(600)));
        assert_eq!(attempts.wait("owner", &Place::Here, now), None);
        assert_eq!(attempts.wait("owner", &Place::Device("d".into()), now), None);
    }

    #[test]
    fn nobody_is_kept_out_on_this_machine_and_nothing_grows_without_end() {
        let now = Instant::now();
        let mut attempts = Attempts::default();
        (0..1000).for_each(|_| attempts.missed("owner", &Place::Here, now));
        assert_eq!(attempts.wait("owner", &Place::Here, now), Some(LONGEST_HERE));
        for n in 0..20_000u32 {
            attempts.missed(&format!("name {n}"), &Place::of(n.to_be_bytes().into()), now);
        }
        assert!(attempts.0.len() <= REMEMBERED);
    }

    #[test]
    fn it_is_forgotten_and_a_right_one_begins_anew() {
        let now = Instant::now();
        let mut attempts = Attempts::default();
        (0..12).for_each(|_| attempts.missed("owner", &net(1), now));
        assert!(attempts.wait("owner", &net(1), now).is_some());
        assert_eq!(attempts.wait("owner", &net(1), now + FORGOTTEN), None);
        attempts.right("owner", &net(1));
        assert_eq!(attempts.wait("owner", &net(1), now), None);
    }
}
