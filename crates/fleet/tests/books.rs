//! A book that grew cycle by cycle is the one that is built anew.

#![allow(clippy::unwrap_used)]

use std::sync::Arc;

use foldwatch_fleet::{About, Asked, Book, Car, Fleet, Order, What};
use foldwatch_store::{CycleRecord, MeasureRecord, PhaseRecord};
use foldwatch_trend::{Series, Service};
use foldwatch_units::{Celsius, Direction, Micros, Seconds};
use proptest::prelude::*;

const HOUR: i64 = 3_600_000_000;

fn profile() -> Arc<foldwatch_profile::Profile> {
    let text = std::fs::read_to_string("../../config/profiles/hardtop-five.toml").unwrap();
    Arc::new(foldwatch_profile::parse(&text).unwrap().profile)
}

/// Cycle `n`: opening and closing in turn, one step, slower by `worn` seconds.
fn cycle(car: &str, n: i64, worn: f64) -> CycleRecord {
    let direction = if n % 2 == 0 { Direction::Opening } else { Direction::Closing };
    let seconds = Seconds(6.0 + worn + ((n * 7) % 11) as f64 * 0.01);
    let start = Micros(n * 6 * HOUR);
    CycleRecord {
        car: car.to_owned(),
        start,
        end: start + seconds,
        direction,
        outcome: "completed".to_owned(),
        judged: String::new(),
        phases: vec![PhaseRecord {
            direction,
            index: 1,
            name: "Raise lid".to_owned(),
            start,
            duration: seconds,
            u_duration: Seconds(0.01),
            confirmation: "confirmed".to_owned(),
            corrected: Some(seconds),
            oil: Some(Celsius(20.0)),
            supply: None,
        }],
        measures: vec![MeasureRecord {
            phase: None,
            name: "hold-time-constant".to_owned(),
            value: 40.0,
            u: None,
            unit: "s".to_owned(),
        }],
        findings: Vec::new(),
    }
}

fn series(book: &Book) -> Vec<(What, Series)> {
    book.series().iter().map(|(what, series)| (*what, series.clone())).collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(32))]
    #[test]
    fn grown_is_built(count in 1i64..300, visits in prop::collection::vec(0i64..300, 0..4)) {
        let cycles: Vec<CycleRecord> = (0..count).map(|n| cycle("a", n, n as f64 * 0.001)).collect();
        let mut services: Vec<Service> = visits
            .iter()
            .map(|n| Service { at: Micros(n * 6 * HOUR + HOUR), what: format!("visit {n}") })
            .collect();
        services.sort_by_key(|service| service.at);
        let mut grown = Book::new(profile());
        let mut due = services.iter().cloned().peekable();
        for cycle in &cycles {
            while let Some(service) = due.next_if(|service| service.at <= cycle.start) {
                grown.service(service).unwrap();
            }
            grown.cycle(cycle).unwrap();
        }
        due.for_each(|service| grown.service(service).unwrap());
        let built = Book::build(profile(), &cycles, services);
        prop_assert_eq!(series(&grown), series(&built));
        prop_assert_eq!(grown.services(), built.services());
    }
}

#[test]
fn what_is_not_next_is_refused_and_changes_nothing() {
    let mut book = Book::new(profile());
    book.cycle(&cycle("a", 5, 0.0)).unwrap();
    let before = series(&book);
    assert!(book.cycle(&cycle("a", 5, 1.0)).is_err());
    assert!(book.cycle(&cycle("a", 4, 1.0)).is_err());
    assert!(book.service(Service { at: Micros(0), what: String::new() }).is_err());
    assert_eq!(series(&book), before);
}

/// A hold is judged at the reference viscosity: by the profile's oil, twice as thick oil holds twice as long.
#[test]
fn a_hold_on_cold_oil_is_no_better_hold() {
    let profile = profile();
    let oil = foldwatch_score::oil(&profile);
    let (cold, reference) = (Celsius(0.0), profile.reference.oil_temperature);
    let mut one = cycle("a", 0, 0.0);
    one.phases[0].oil = Some(cold);
    one.measures[0].value = 40.0 * (oil.viscosity(cold) / oil.viscosity(reference));
    let found = foldwatch_fleet::numbers(&profile, &one);
    let hold = found.iter().find(|n| n.what.step.is_none()).unwrap();
    assert!((hold.value - 40.0).abs() < 1e-9 && hold.raw > 60.0, "{hold:?}");
}

#[test]
fn the_worn_car_comes_first_and_only_it_is_called() {
    let mut fleet = Fleet::default();
    let mut cars = Vec::new();
    for n in 0..12 {
        let id = format!("car-{n:02}");
        // One lid gets slower by 60 % within the 200 cycles.
        let worn = if n == 7 { 0.018 } else { 0.0 };
        // No two cars are the same.
        let own = 0.02 * f64::from(n % 5);
        let cycles: Vec<CycleRecord> = (0..400).map(|c| cycle(&id, c, own + worn * c as f64)).collect();
        let book = Book::build(profile(), &cycles, Vec::new());
        let assessed = book.assess();
        let group = if n < 6 { "north" } else { "south" }.to_owned();
        let about = About { name: id.clone(), kind: "hardtop-five".into(), group };
        cars.push((id, Car::new(about, book, assessed)));
        // All at once, or one by one.
        if n == 5 {
            fleet = fleet.with(cars.drain(..), 6);
        } else if n > 5 {
            fleet = fleet.with(cars.drain(..), 0);
        }
    }
    for order in [Order::Days, Order::Risk] {
        let list = fleet.list(&Asked { order, ..Asked::default() }).cars;
        assert_eq!((list.len(), list[0].car.as_str(), list[0].call), (12, "car-07", "book"));
        assert!(list[0].kin.unwrap().unlike && list[1..].iter().all(|row| row.call == "none"));
    }
    let north = fleet.list(&Asked { group: Some("north".into()), ..Asked::default() });
    assert_eq!((north.count, north.cars.len()), (6, 6));
    let two = fleet.list(&Asked { most: Some(2), ..Asked::default() });
    assert_eq!((two.count, two.cars.len(), two.cars[0].car.as_str()), (12, 2, "car-07"));
    assert!(fleet.list(&Asked { kind: Some("no such".into()), ..Asked::default() }).cars.is_empty());
    assert_eq!(fleet.groups_and_kinds().0, ["north", "south"]);
    assert!(fleet.standings("car-07")[0].0.of.car == "car-07");
}
