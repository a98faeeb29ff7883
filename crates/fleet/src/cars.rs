//! Every car's book, and which car comes first.

use std::collections::BTreeMap;

use foldwatch_report::trend::{Of, Trend};
use foldwatch_trend::fleet::{Call, Entry, Order, Peers, Standing, rank};
use foldwatch_units::Micros;
use serde::Serialize;

use crate::book::{Assessed, Book};

/// Every car that is followed.
#[derive(Debug, Default)]
pub struct Fleet {
    cars: BTreeMap<String, Car>,
    ranked: Option<Ranked>,
    /// Cars whose history is still to be read.
    pub waiting: usize,
}

#[derive(Debug)]
struct Car {
    about: About,
    book: Book,
    /// What its series say.
    assessed: Vec<Assessed>,
}

/// Who a car is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct About {
    /// Name for people.
    pub name: String,
    /// Its kind: the id of its profile.
    pub kind: String,
    /// The group that it belongs to; empty: none.
    pub group: String,
}

/// All series of all cars in both orders, as of the newest cycle of all.
#[derive(Debug)]
struct Ranked {
    now: Micros,
    /// Which series of which car each entry is.
    places: Vec<(String, usize)>,
    by_days: Vec<Standing>,
    by_risk: Vec<Standing>,
}

/// A car in the list.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
pub struct CarRow {
    /// Its id.
    pub car: String,
    /// Name for people.
    pub name: String,
    /// Id of its profile.
    pub kind: String,
    /// Its group; empty: none.
    pub group: String,
    /// `book`: the change holds among all series of the fleet, or the limit is passed; `look-again`: its watch alarms,
    /// but among so many series that may be chance; `none`.
    pub call: &'static str,
    /// The series that comes first.
    pub worst: Trend,
    /// Expected days until its limit; 0 when past, left out when it can't be said.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub days_to_limit: Option<f64>,
    /// Not before so many days, with 95 %.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub days_at_least: Option<f64>,
    /// The highest risk of its series: the probability that a limit is passed within 90 days.
    pub risk_90_days: f64,
    /// p value adjusted for all series of the fleet (Benjamini-Hochberg).
    pub p_adjusted: f64,
    /// Against its kind; left out with too few of them.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub kin: Option<Kin>,
    /// Every series that a call is about.
    pub called: Vec<Of>,
}

/// A number among those of the same kind of car.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, utoipa::ToSchema)]
pub struct Kin {
    /// Cars of the kind that have it, itself included.
    pub cars: usize,
    /// Median of their levels.
    pub median: f64,
    /// Own level over the median.
    pub ratio: f64,
    /// Scaled median deviations from the median; positive is worse.
    pub deviations: f64,
    /// Worse than its kind by more than 3.5 of them.
    pub unlike: bool,
}

impl From<Peers> for Kin {
    fn from(p: Peers) -> Self {
        Kin { cars: p.cars, median: p.median, ratio: p.ratio, deviations: p.deviations, unlike: p.unlike }
    }
}

/// Which cars are listed.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Asked {
    /// Only this group.
    pub group: Option<String>,
    /// Only this kind.
    pub kind: Option<String>,
    /// What comes first.
    pub order: Order,
}

/// How a call is written in files and addresses.
pub fn call_word(call: Call) -> &'static str {
    match call {
        Call::None => "none",
        Call::LookAgain => "look-again",
        Call::Book => "book",
    }
}

impl Fleet {
    /// Enters a car with its book and what that says, or puts them anew.
    pub fn put(&mut self, id: &str, about: About, book: Book, assessed: Vec<Assessed>) {
        self.ranked = None;
        self.cars.insert(id.to_owned(), Car { about, book, assessed });
    }

    /// A car and its book.
    pub fn car(&self, id: &str) -> Option<(&About, &Book)> {
        self.cars.get(id).map(|car| (&car.about, &car.book))
    }

    /// How many cars there are.
    pub fn count(&self) -> usize {
        self.cars.len()
    }

    /// The moment that the list speaks of: the newest cycle of all cars.
    pub fn now(&self) -> Option<Micros> {
        self.cars.values().filter_map(|car| car.book.newest()).max()
    }

    /// Groups and kinds that there are.
    pub fn groups_and_kinds(&self) -> (Vec<String>, Vec<String>) {
        let each = |of: fn(&About) -> &String| {
            let mut all: Vec<String> = self.cars.values().map(|car| of(&car.about).clone()).collect();
            all.sort();
            all.dedup();
            all.retain(|name| !name.is_empty());
            all
        };
        (each(|about| &about.group), each(|about| &about.kind))
    }

    fn rank(&mut self) -> &Ranked {
        let now = self.now().unwrap_or(Micros(0));
        let cars = &self.cars;
        self.ranked.get_or_insert_with(|| {
            let mut places = Vec::new();
            let mut names = Vec::new();
            for (id, car) in cars {
                for (n, found) in car.assessed.iter().enumerate() {
                    places.push((id.clone(), n));
                    let what = &found.what;
                    names.push(format!("{} {:?} {}", what.direction, what.step, what.measure.name()));
                }
            }
            let entries: Vec<Entry<'_>> = places
                .iter()
                .zip(&names)
                .filter_map(|((id, n), name)| {
                    let car = cars.get(id)?;
                    let found = car.assessed.get(*n)?;
                    Some(Entry {
                        kind: &car.about.kind,
                        series: name,
                        worse: found.what.measure.worse(),
                        assessment: &found.assessment,
                    })
                })
                .collect();
            let by_days = rank(&entries, now, Order::Days);
            let by_risk = rank(&entries, now, Order::Risk);
            Ranked { now, places, by_days, by_risk }
        })
    }

    /// The cars, worst first, one row each.
    pub fn list(&mut self, asked: &Asked) -> Vec<CarRow> {
        self.rank();
        let Some(ranked) = &self.ranked else { return Vec::new() };
        let standings = match asked.order {
            Order::Days => &ranked.by_days,
            Order::Risk => &ranked.by_risk,
        };
        let mut rows: Vec<CarRow> = Vec::new();
        let mut known: BTreeMap<&str, usize> = BTreeMap::new();
        let is_it = |wanted: &Option<String>, has: &str| wanted.as_ref().is_none_or(|wanted| wanted == has);
        for standing in standings {
            let Some((id, n)) = ranked.places.get(standing.entry) else { continue };
            let Some(car) = self.cars.get(id) else { continue };
            let Some(found) = car.assessed.get(*n) else { continue };
            if !is_it(&asked.group, &car.about.group) || !is_it(&asked.kind, &car.about.kind) {
                continue;
            }
            let place = *known.entry(id.as_str()).or_insert_with(|| {
                rows.push(CarRow {
                    car: id.clone(),
                    name: car.about.name.clone(),
                    kind: car.about.kind.clone(),
                    group: car.about.group.clone(),
                    call: call_word(Call::None),
                    worst: car.book.shown(id, found, ranked.now),
                    days_to_limit: standing.days_to_limit,
                    days_at_least: standing.days_at_least,
                    risk_90_days: 0.0,
                    p_adjusted: standing.p_adjusted,
                    kin: standing.peers.map(Kin::from),
                    called: Vec::new(),
                });
                rows.len() - 1
            });
            let Some(row) = rows.get_mut(place) else { continue };
            row.risk_90_days = row.risk_90_days.max(standing.risk);
            if standing.call != Call::None {
                row.called.push(car.book.of(id, &found.what));
            }
            if standing.call == Call::Book || row.call == call_word(Call::None) {
                row.call = call_word(standing.call);
            }
        }
        rows
    }

    /// Where every series of one car stands, worst first, with its kind beside it.
    pub fn standings(&mut self, id: &str) -> Vec<(Trend, Call, Option<Kin>)> {
        self.rank();
        let (Some(ranked), Some(car)) = (&self.ranked, self.cars.get(id)) else { return Vec::new() };
        let of_car = |standing: &Standing| {
            let (_, n) = ranked.places.get(standing.entry).filter(|(of, _)| of == id)?;
            let found = car.assessed.get(*n)?;
            Some((car.book.shown(id, found, ranked.now), standing.call, standing.peers.map(Kin::from)))
        };
        ranked.by_days.iter().filter_map(of_car).collect()
    }

    /// The series for which a car should be booked, worst first.
    pub fn called(&mut self, id: &str) -> Vec<Trend> {
        let book = |(trend, call, _): (Trend, Call, Option<Kin>)| (call == Call::Book).then_some(trend);
        self.standings(id).into_iter().filter_map(book).collect()
    }
}
