//! Every matter of every car, and what is due.

use foldwatch_units::Micros;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::matter::{Delivery, Matter, Seen, Subject, Urgency};
use crate::message::{Message, Page};
use crate::quiet::Quiet;

const MINUTE: i64 = 60_000_000;
const DAY: i64 = 1440 * MINUTE;
/// The second try comes after this; each further one after twice as long, up to the longest.
const FIRST_WAIT: i64 = MINUTE / 4;
/// See [`FIRST_WAIT`].
const LONGEST_WAIT: i64 = 240 * MINUTE;
/// A receiver that could not be reached for so long is given up for this message. Judgement: a long weekend.
const PATIENCE: i64 = 4 * DAY;
/// Matters that ended are shown so long.
const REMEMBERED: i64 = 400 * DAY;

/// When somebody is told.
#[derive(Debug, Clone, PartialEq)]
pub struct Rules {
    /// What is not urgent is told once it showed in so many cycles.
    pub repeated: u32,
    /// What was seen longer ago is history when it is heard of: nobody is told.
    pub fresh_days: u32,
    /// A matter that has not shown for so long has ended.
    pub forget_days: u32,
    /// When nobody is told.
    pub quiet: Option<Quiet>,
    /// Where the pages are.
    pub page: Option<Page>,
}

impl Default for Rules {
    fn default() -> Self {
        Rules { repeated: 3, fresh_days: 14, forget_days: 30, quiet: None, page: None }
    }
}

impl std::fmt::Display for Rules {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Rules { repeated, fresh_days, forget_days, quiet, .. } = self;
        write!(
            f,
            "At once what forbids further use and a car to be booked; after {repeated} cycles what should be attended \
             to. Nothing older than {fresh_days} days. A matter ends with work on the roof, or {forget_days} days after \
             it last showed."
        )?;
        match quiet {
            Some(quiet) => write!(f, " Quiet {quiet}."),
            None => Ok(()),
        }
    }
}

/// A message to be sent now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Due {
    /// Which way.
    pub way: String,
    /// The message's id.
    pub id: String,
    /// The message as JSON.
    pub body: String,
}

/// Every matter, oldest first.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Ledger {
    matters: Vec<Matter>,
}

impl Ledger {
    /// Every matter, oldest first.
    pub fn matters(&self) -> &[Matter] {
        &self.matters
    }

    /// Takes in what was seen of a car, at `now`.
    pub fn seen(&mut self, seen: &Seen, now: Micros, rules: &Rules) {
        if now.0.saturating_sub(seen.at.0) > i64::from(rules.fresh_days) * DAY {
            return;
        }
        let newest = self.matters.iter_mut().rev().find(|matter| matter.is_of(seen));
        let occasion = match newest {
            None => 1,
            Some(matter) => {
                let forgotten = seen.at.0.saturating_sub(matter.last.0) > i64::from(rules.forget_days) * DAY;
                match matter.ended {
                    None if !forgotten => return matter.again(seen),
                    None => matter.ended = Some(seen.at),
                    // Heard late, from before the work that ended it.
                    Some(ended) if seen.at <= ended => return,
                    Some(_) => {}
                }
                matter.occasion + 1
            }
        };
        self.matters.push(Matter::new(seen, occasion));
    }

    /// Work was done on a car: what showed before it has ended.
    pub fn worked_on(&mut self, car: &str, at: Micros) {
        for matter in &mut self.matters {
            if matter.car == car && matter.ended.is_none() && matter.last <= at {
                matter.ended = Some(at);
            }
        }
    }

    /// What is to be sent at `now` by these ways. What is given out must be answered by [`Ledger::arrived`] or
    /// [`Ledger::failed`]; until then it comes again.
    pub fn due(&mut self, ways: &[String], now: Micros, rules: &Rules) -> Vec<Due> {
        self.matters
            .retain(|matter| matter.ended.is_none_or(|ended| now.0.saturating_sub(ended.0) < REMEMBERED));
        let mut due = Vec::new();
        for matter in &mut self.matters {
            if matter.ended.is_none()
                && now.0.saturating_sub(matter.last.0)
                    > i64::from(rules.forget_days.max(rules.fresh_days)) * DAY
            {
                matter.ended = Some(now);
            }
            if rules.quiet.as_ref().is_some_and(|quiet| quiet.over(now) > now) || !ready(matter, rules) {
                continue;
            }
            for way in ways {
                let id = id(matter, way);
                let delivery = match matter.told.get(way) {
                    Some(known) => known.clone(),
                    None => {
                        let message = Message::new(matter, id.clone(), rules.page.as_ref());
                        let Ok(body) = to_json(&message) else { continue };
                        let delivery = Delivery {
                            body,
                            since: now,
                            tries: 0,
                            next: Some(now),
                            arrived: None,
                            trouble: String::new(),
                        };
                        matter.told.insert(way.clone(), delivery.clone());
                        delivery
                    }
                };
                if delivery.next.is_some_and(|next| next <= now) {
                    due.push(Due { way: way.clone(), id, body: delivery.body });
                }
            }
        }
        due
    }

    /// The next moment at which something may be due; `None`: not before something is seen.
    pub fn next(&self, ways: &[String], now: Micros, rules: &Rules) -> Option<Micros> {
        let next = self
            .matters
            .iter()
            .filter(|matter| ready(matter, rules))
            .flat_map(|matter| {
                ways.iter().filter_map(|way| match matter.told.get(way) {
                    None => Some(now),
                    Some(delivery) => delivery.next,
                })
            })
            .min()?;
        let next = next.max(now);
        Some(rules.quiet.as_ref().map_or(next, |quiet| quiet.over(next)))
    }

    /// A message by each of these ways that says nothing: to try whether they work. It is not entered.
    pub fn trial(ways: &[String], now: Micros, page: Option<&Page>) -> Vec<Due> {
        let matter = Matter::new(
            &Seen {
                car: "trial".to_owned(),
                name: "foldwatch".to_owned(),
                subject: Subject::Trial,
                urgency: Urgency::AtOnce,
                at: now,
                title: "a message to try the way".to_owned(),
                words: "Messages of foldwatch arrive here. No car is meant.".to_owned(),
            },
            1,
        );
        let of = |way: &String| {
            let id = id(&matter, way);
            let body = to_json(&Message::new(&matter, id.clone(), page)).ok()?;
            Some(Due { way: way.clone(), id, body })
        };
        ways.iter().filter_map(of).collect()
    }

    /// A message arrived.
    pub fn arrived(&mut self, due: &Due, now: Micros) {
        self.answer(due, |delivery| {
            delivery.tries += 1;
            delivery.next = None;
            delivery.arrived = Some(now);
            delivery.trouble.clear();
        });
    }

    /// A message did not arrive; `after`: the receiver asks not to be tried before so many seconds. Gives whether it is
    /// tried again.
    pub fn failed(&mut self, due: &Due, now: Micros, trouble: &str, after: Option<u32>) -> bool {
        self.answer(due, |delivery| {
            let wait = FIRST_WAIT.saturating_mul(1 << delivery.tries.min(20)).min(LONGEST_WAIT);
            let asked = after.map_or(0, |seconds| i64::from(seconds) * 1_000_000).min(DAY);
            delivery.tries = delivery.tries.saturating_add(1);
            let next = Micros(now.0.saturating_add(wait.max(asked)));
            let on = next.0.saturating_sub(delivery.since.0) <= PATIENCE;
            delivery.next = on.then_some(next);
            delivery.trouble = trouble.to_owned();
        })
    }

    /// Whether there is such a message that is tried again.
    fn answer(&mut self, due: &Due, with: impl FnOnce(&mut Delivery)) -> bool {
        for matter in &mut self.matters {
            if id(matter, &due.way) == due.id
                && let Some(delivery) = matter.told.get_mut(&due.way)
            {
                with(delivery);
                return delivery.next.is_some();
            }
        }
        false
    }
}

/// Whether somebody is to be told of it by now.
fn ready(matter: &Matter, rules: &Rules) -> bool {
    matter.ended.is_none() && (matter.urgency == Urgency::AtOnce || matter.cycles >= rules.repeated)
}

fn to_json(message: &Message) -> Result<String, serde_json::Error> {
    serde_json::to_string(message)
}

/// What tells a message from every other: the matter, its occasion and the way. The same after a restart.
fn id(matter: &Matter, way: &str) -> String {
    let (kind, phase, signal) = match &matter.subject {
        Subject::Wear => ("wear", "", ""),
        Subject::Trial => ("trial", "", ""),
        Subject::Finding { kind, phase, signal } => {
            (kind.as_str(), phase.as_deref().unwrap_or(""), signal.as_deref().unwrap_or(""))
        }
    };
    let mut hash = Sha256::new();
    for part in
        [&matter.car, kind, phase, signal, &matter.occasion.to_string(), &matter.first.0.to_string(), way]
    {
        // The length before each part: no two lists of parts run together to the same bytes.
        hash.update((part.len() as u64).to_le_bytes());
        hash.update(part);
    }
    hash.finalize().iter().take(16).fold(String::new(), |text, byte| format!("{text}{byte:02x}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    const HOUR: i64 = 60 * MINUTE;

    fn finding(car: &str, at: i64, urgency: Urgency) -> Seen {
        Seen {
            car: car.to_owned(),
            name: car.to_uppercase(),
            subject: Subject::Finding {
                kind: "missing-confirmation".into(),
                phase: Some("Raise lid".into()),
                signal: None,
            },
            urgency,
            at: Micros(at),
            title: "a switch does not confirm".into(),
            words: format!("No confirmation at {at}."),
        }
    }

    fn ways() -> Vec<String> {
        vec!["hook".to_owned(), "mail".to_owned()]
    }

    #[test]
    fn one_message_for_a_matter_however_often_it_shows() {
        let (mut ledger, rules, ways) = (Ledger::default(), Rules::default(), ways());
        for n in 0..2 {
            ledger.seen(&finding("oak", n * HOUR, Urgency::WhenRepeated), Micros(n * HOUR), &rules);
            // The same cycle again, as after a restart, counts once.
            ledger.seen(&finding("oak", n * HOUR, Urgency::WhenRepeated), Micros(n * HOUR), &rules);
        }
        assert_eq!(ledger.due(&ways, Micros(2 * HOUR), &rules), []);
        assert_eq!(ledger.next(&ways, Micros(2 * HOUR), &rules), None);
        ledger.seen(&finding("oak", 2 * HOUR, Urgency::WhenRepeated), Micros(2 * HOUR), &rules);
        let due = ledger.due(&ways, Micros(2 * HOUR), &rules);
        assert_eq!(due.iter().map(|d| d.way.as_str()).collect::<Vec<_>>(), ["hook", "mail"]);
        assert_ne!(due[0].id, due[1].id);
        for one in &due {
            ledger.arrived(one, Micros(2 * HOUR));
        }
        for n in 3..200 {
            ledger.seen(&finding("oak", n * HOUR, Urgency::AtOnce), Micros(n * HOUR), &rules);
            assert_eq!(ledger.due(&ways, Micros(n * HOUR), &rules), []);
        }
        assert_eq!(ledger.matters().len(), 1);
        assert_eq!(ledger.matters()[0].cycles, 200);
    }

    #[test]
    fn work_and_time_end_a_matter_and_it_can_come_again() {
        let (mut ledger, rules, ways) = (Ledger::default(), Rules::default(), vec!["hook".to_owned()]);
        let tell = |ledger: &mut Ledger, at: i64| {
            ledger.seen(&finding("oak", at, Urgency::AtOnce), Micros(at), &rules);
            let due = ledger.due(&ways, Micros(at), &rules);
            due.iter().for_each(|one| ledger.arrived(one, Micros(at)));
            due.first().map(|one| one.id.clone())
        };
        let first = tell(&mut ledger, 0).unwrap();
        assert_eq!(tell(&mut ledger, DAY), None);
        ledger.worked_on("elm", Micros(2 * DAY));
        assert_eq!(tell(&mut ledger, 2 * DAY), None);
        ledger.worked_on("oak", Micros(3 * DAY));
        // Heard after the work, but from before it.
        assert_eq!(tell(&mut ledger, 2 * DAY + HOUR), None);
        let second = tell(&mut ledger, 4 * DAY).unwrap();
        assert_ne!(first, second);
        assert_eq!(tell(&mut ledger, 33 * DAY), None);
        assert!(tell(&mut ledger, 64 * DAY).is_some());
        assert_eq!(ledger.matters().iter().map(|m| m.occasion).collect::<Vec<_>>(), [1, 2, 3]);
    }

    #[test]
    fn history_is_told_to_nobody() {
        let (mut ledger, rules) = (Ledger::default(), Rules::default());
        ledger.seen(&finding("oak", 0, Urgency::AtOnce), Micros(15 * DAY), &rules);
        assert_eq!(ledger.matters(), []);
    }

    #[test]
    fn tries_are_spaced_the_same_to_the_byte_and_end() {
        let (mut ledger, rules, ways) = (Ledger::default(), Rules::default(), vec!["hook".to_owned()]);
        ledger.seen(&finding("oak", 0, Urgency::AtOnce), Micros(0), &rules);
        let mut now = Micros(0);
        let mut sent = Vec::new();
        let mut at = Vec::new();
        loop {
            let due = ledger.due(&ways, now, &rules);
            let [one] = due.as_slice() else { panic!("{due:?}") };
            sent.push(one.clone());
            at.push(now.0 / FIRST_WAIT);
            // It showed once more meanwhile: the message does not change under its id.
            ledger.seen(&finding("oak", now.0 + 1, Urgency::AtOnce), now, &rules);
            if !ledger.failed(one, now, "refused", (at.len() == 2).then_some(600)) {
                break;
            }
            let next = ledger.next(&ways, now, &rules).unwrap();
            assert!(ledger.due(&ways, Micros(next.0 - 1), &rules).is_empty());
            now = next;
        }
        // In quarters of a minute; the second refusal asked for ten minutes.
        assert_eq!(at[..6], [0, 1, 41, 45, 53, 69]);
        assert!(sent.windows(2).all(|two| two[0] == two[1]));
        let minutes = *at.last().unwrap() / 4;
        assert!((3 * 1440..=4 * 1440).contains(&minutes), "{minutes}");
        assert_eq!(ledger.next(&ways, Micros(now.0 + DAY), &rules), None);
        assert_eq!(ledger.matters()[0].told["hook"].trouble, "refused");
    }

    #[test]
    fn quiet_hours_hold_messages_back() {
        let quiet = Quiet::new("21:00-07:00", "UTC").ok();
        let (mut ledger, rules, ways) =
            (Ledger::default(), Rules { quiet, ..Rules::default() }, vec!["hook".to_owned()]);
        let at = Micros(22 * HOUR);
        ledger.seen(&finding("oak", at.0, Urgency::AtOnce), at, &rules);
        assert_eq!(ledger.due(&ways, at, &rules), []);
        assert_eq!(ledger.next(&ways, at, &rules), Some(Micros(31 * HOUR)));
        assert_eq!(ledger.due(&ways, Micros(31 * HOUR), &rules).len(), 1);
    }

    #[test]
    fn a_kept_ledger_goes_on_with_the_same_messages() {
        let (mut ledger, rules, ways) = (Ledger::default(), Rules::default(), ways());
        ledger.seen(&finding("oak", 5, Urgency::AtOnce), Micros(5), &rules);
        let due = ledger.due(&ways, Micros(5), &rules);
        ledger.arrived(&due[0], Micros(6));
        let kept = serde_json::to_string(&ledger).unwrap();
        let mut again: Ledger = serde_json::from_str(&kept).unwrap();
        assert_eq!(again, ledger);
        assert_eq!(again.due(&ways, Micros(7), &rules), due[1..]);
    }
}
