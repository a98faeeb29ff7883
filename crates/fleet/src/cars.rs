//! Every car's book, and which car comes first.

use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::{Arc, Mutex, PoisonError};

use foldwatch_report::trend::{Of, Trend};
use foldwatch_trend::fleet::{Call, Entry, Order, Peers, Standing, standings};
use foldwatch_units::Micros;
use serde::Serialize;

use crate::book::{Assessed, Book};

/// Every car that is followed, as it stood at one moment: it does not change, so whoever reads it waits for nobody.
#[derive(Debug, Clone, Default)]
pub struct Fleet {
    cars: BTreeMap<String, Arc<Car>>,
    /// Cars whose history is still to be read.
    pub waiting: usize,
    /// The newest cycle of all cars.
    now: Option<Micros>,
    /// Where every series of every car stands.
    standings: Vec<Standing>,
    /// Which of them are a car's, in the order of its series.
    of: BTreeMap<String, Range<usize>>,
}

/// The fleet as it stands now.
#[derive(Debug, Default)]
pub struct Current(Mutex<Arc<Fleet>>);

impl Current {
    /// As it stands.
    pub fn get(&self) -> Arc<Fleet> {
        Arc::clone(&self.0.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// From now on.
    pub fn put(&self, fleet: Fleet) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = Arc::new(fleet);
    }
}

/// A car with its book and what that says.
#[derive(Debug)]
pub struct Car {
    about: About,
    book: Book,
    assessed: Vec<Assessed>,
    /// What each series is called among the cars of its kind.
    names: Vec<String>,
}

impl Car {
    /// Who it is, its book, and what that says.
    pub fn new(about: About, book: Book, assessed: Vec<Assessed>) -> Self {
        let name = |found: &Assessed| {
            let what = &found.what;
            format!("{} {:?} {}", what.direction, what.step, what.measure.name())
        };
        let names = assessed.iter().map(name).collect();
        Car { about, book, assessed, names }
    }
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
    /// No more cars than this.
    pub most: Option<usize>,
}

/// Cars, worst first.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct List {
    /// How many fit what was asked.
    pub count: usize,
    /// The first of them.
    pub cars: Vec<CarRow>,
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
    /// The fleet with these cars entered, or put anew.
    pub fn with(&self, cars: impl IntoIterator<Item = (String, Car)>, waiting: usize) -> Fleet {
        let mut all = self.cars.clone();
        all.extend(cars.into_iter().map(|(id, car)| (id, Arc::new(car))));
        let newest = all.values().filter_map(|car| car.book.newest()).max();
        let mut entries = Vec::new();
        let mut of = BTreeMap::new();
        for (id, car) in &all {
            let first = entries.len();
            entries.extend(car.assessed.iter().zip(&car.names).map(|(found, name)| Entry {
                kind: &car.about.kind,
                series: name,
                worse: found.what.measure.worse(),
                assessment: &found.assessment,
            }));
            of.insert(id.clone(), first..entries.len());
        }
        let standings = standings(&entries, newest.unwrap_or(Micros(0)));
        Fleet { cars: all, waiting, now: newest, standings, of }
    }

    fn standings_of(&self, id: &str) -> &[Standing] {
        self.of.get(id).and_then(|range| self.standings.get(range.clone())).unwrap_or_default()
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
        self.now
    }

    fn moment(&self) -> Micros {
        self.now.unwrap_or(Micros(0))
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

    /// The cars, worst first, one row each.
    pub fn list(&self, asked: &Asked) -> List {
        let is_it = |wanted: &Option<String>, has: &str| wanted.as_ref().is_none_or(|wanted| wanted == has);
        let mut firsts: Vec<(&String, &Car, &[Standing], usize)> = self
            .cars
            .iter()
            .filter(|(_, car)| is_it(&asked.group, &car.about.group) && is_it(&asked.kind, &car.about.kind))
            .filter_map(|(id, car)| {
                let own = self.standings_of(id);
                let first = (0..own.len()).min_by(|a, b| asked.order.compare(&own[*a], &own[*b]))?;
                Some((id, &**car, own, first))
            })
            .collect();
        firsts.sort_by(|a, b| asked.order.compare(&a.2[a.3], &b.2[b.3]));
        let count = firsts.len();
        let cars = firsts
            .into_iter()
            .take(asked.most.unwrap_or(usize::MAX))
            .filter_map(|(id, car, own, first)| row(id, car, own, first, self.moment()))
            .collect();
        List { count, cars }
    }

    /// Where every series of one car stands, worst first, with its kind beside it.
    pub fn standings(&self, id: &str) -> Vec<(Trend, Call, Option<Kin>)> {
        let Some(car) = self.cars.get(id) else { return Vec::new() };
        let mut own: Vec<(&Standing, &Assessed)> = self.standings_of(id).iter().zip(&car.assessed).collect();
        own.sort_by(|a, b| Order::Days.compare(a.0, b.0));
        own.into_iter()
            .map(|(standing, found)| {
                (car.book.shown(id, found, self.moment()), standing.call, standing.peers.map(Kin::from))
            })
            .collect()
    }

    /// The series for which a car should be booked, worst first.
    pub fn called(&self, id: &str) -> Vec<Trend> {
        let book = |(trend, call, _): (Trend, Call, Option<Kin>)| (call == Call::Book).then_some(trend);
        self.standings(id).into_iter().filter_map(book).collect()
    }
}

/// A car's row; `first` is the series that comes first.
fn row(id: &str, car: &Car, own: &[Standing], first: usize, now: Micros) -> Option<CarRow> {
    let standing = own.get(first)?;
    let called = own.iter().zip(&car.assessed).filter(|(standing, _)| standing.call != Call::None);
    Some(CarRow {
        car: id.to_owned(),
        name: car.about.name.clone(),
        kind: car.about.kind.clone(),
        group: car.about.group.clone(),
        call: call_word(own.iter().map(|standing| standing.call).max()?),
        worst: car.book.shown(id, car.assessed.get(first)?, now),
        days_to_limit: standing.days_to_limit,
        days_at_least: standing.days_at_least,
        risk_90_days: own.iter().map(|standing| standing.risk).fold(0.0, f64::max),
        p_adjusted: standing.p_adjusted,
        kin: standing.peers.map(Kin::from),
        called: called.map(|(_, found)| car.book.of(id, &found.what)).collect(),
    })
}
