//! The list of keys against the check: every key in the list is accepted and judged, and no other key is.

#![allow(clippy::unwrap_used)] // Tests: helpers count as no test to the lint.

use foldwatch_profile::{Absent, KEYS, Key, Problem, Takes, parse};
use toml::{Table, Value};

const FULL: &str = include_str!("full.toml");

fn problems(table: &Table) -> Vec<Problem> {
    parse(&toml::to_string(table).unwrap()).err().unwrap_or_default()
}

/// Calls `change` with the innermost table of the first place in the file that holds the key; whether there was one.
fn at_key(table: &mut Table, path: &str, change: &dyn Fn(&mut Table, &str)) -> bool {
    match path.split_once('.') {
        None => {
            let there = table.contains_key(path);
            if there {
                change(table, path);
            }
            there
        }
        Some((first, rest)) => match table.get_mut(first) {
            Some(Value::Table(inner)) => at_key(inner, rest, change),
            Some(Value::Array(list)) => {
                list.iter_mut().any(|item| item.as_table_mut().is_some_and(|t| at_key(t, rest, change)))
            }
            _ => false,
        },
    }
}

/// The full profile with a change at one key.
fn changed(key: &Key, change: &dyn Fn(&mut Table, &str)) -> Table {
    let mut table: Table = FULL.parse().unwrap();
    assert!(at_key(&mut table, key.path, change), "full.toml has no {}", key.path);
    table
}

#[test]
fn every_key_in_the_list_is_accepted() {
    let loaded = parse(FULL).unwrap_or_else(|p| panic!("{p:#?}"));
    assert_eq!(loaded.advice, []);
    for key in KEYS {
        changed(key, &|_, _| ());
    }
}

#[test]
fn a_key_that_may_be_left_out_may_and_one_that_must_be_given_is_asked_for() {
    for key in KEYS {
        let found = problems(&changed(key, &|table, name| drop(table.remove(name))));
        let asked = found.iter().any(|p| p.key == key.path && p.found.contains("not given"));
        match key.absent {
            Absent::Refused => assert!(asked, "{}: {found:#?}", key.path),
            // What others refer to is missed where it is referred to, and a pressure needs its unit.
            _ if ["hydraulics", "hydraulics.cylinder"].contains(&key.path) => {
                assert!(found.iter().all(|p| p.key.ends_with(".cylinders")), "{}: {found:#?}", key.path);
            }
            _ if key.path == "signal.unit" => assert!(!found.is_empty()),
            _ => assert_eq!(found, [], "{}", key.path),
        }
    }
}

#[test]
fn what_is_not_given_is_told_as_advice_where_something_is_lost() {
    for key in KEYS {
        let table = changed(key, &|table, name| drop(table.remove(name)));
        let Ok(loaded) = parse(&toml::to_string(&table).unwrap()) else { continue };
        let told = loaded.advice.iter().any(|p| p.key == key.path && p.found == "not given");
        assert_eq!(told, matches!(key.absent, Absent::Unjudged(_)), "{}: {:#?}", key.path, loaded.advice);
    }
}

#[test]
fn every_key_refuses_the_wrong_kind_of_value() {
    let wrong = |takes| match takes {
        Takes::Flag => Value::String("yes".into()),
        _ => Value::Boolean(true),
    };
    for key in KEYS {
        let found = problems(&changed(key, &|table, name| {
            table.insert(name.to_owned(), wrong(key.takes));
        }));
        assert!(found.iter().any(|p| p.key == key.path), "{}: {found:#?}", key.path);
    }
}

#[test]
fn every_number_refuses_what_is_out_of_range_or_no_number() {
    for key in KEYS {
        let (from, to, whole) = match key.takes {
            Takes::Number { from, to, .. } => (from, to, false),
            Takes::Whole { from, to } => (from as f64, to as f64, true),
            _ => continue,
        };
        for bad in [from - 1.0, to + 1.0, f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            let value = if whole && bad.is_finite() { Value::Integer(bad as i64) } else { Value::Float(bad) };
            let found = problems(&changed(key, &|table, name| {
                table.insert(name.to_owned(), value.clone());
            }));
            assert!(found.iter().any(|p| p.key == key.path), "{} = {bad}: {found:#?}", key.path);
        }
    }
}

#[test]
fn every_table_refuses_a_key_that_is_not_in_the_list() {
    for key in KEYS {
        let found = problems(&changed(key, &|table, _| {
            table.insert("zz_unheard_of".to_owned(), Value::Integer(1));
        }));
        let name = if key.table().is_empty() {
            "zz_unheard_of".into()
        } else {
            format!("{}.zz_unheard_of", key.table())
        };
        assert_eq!(found.len(), 1, "{}: {found:#?}", key.path);
        assert_eq!((found[0].key.as_str(), found[0].found.as_str()), (name.as_str(), "no such key"));
    }
}
