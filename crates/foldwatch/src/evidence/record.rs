//! What of a car's service record goes into a bag.

use std::collections::HashSet;

use foldwatch_evidence::Entry;
use foldwatch_guide::Kind;
use foldwatch_units::Micros;

/// The record up to a moment, with what corrects it, whenever that was entered.
pub(super) fn up_to(record: &[Entry], until: Micros) -> Vec<Entry> {
    let mut taken: HashSet<u64> = HashSet::new();
    let within = |entry: &Entry, taken: &HashSet<u64>| {
        entry.at < until || entry.corrects.is_some_and(|number| taken.contains(&number))
    };
    loop {
        let known = taken.len();
        let more: Vec<u64> =
            record.iter().filter(|entry| within(entry, &taken)).filter_map(|entry| entry.number).collect();
        taken.extend(more);
        if taken.len() == known {
            return record.iter().filter(|entry| within(entry, &taken)).cloned().collect();
        }
    }
}

/// How the logger was fitted, as a text: the last commissioning before a moment, or the last one of all.
pub(super) fn commissioned(car: &str, record: &[Entry], until: Micros) -> Option<(String, Vec<u8>)> {
    let is_corrected =
        |entry: &Entry| record.iter().any(|other| other.corrects.is_some() && other.corrects == entry.number);
    let own = Kind::Commissioning.as_str();
    let all = || {
        record.iter().filter(|entry| entry.kind == "check" && entry.subject == own && !is_corrected(entry))
    };
    let last = all().rfind(|entry| entry.at < until).or_else(|| all().next_back())?;
    let number = last.number.map(|n| format!(", no. {n} of its record")).unwrap_or_default();
    let at = foldwatch_report::rfc3339(last.at);
    let text = format!("Commissioning of {car}, {at}{number}\nResult: {}\n\n{}\n", last.result, last.text);
    Some(("txt".to_owned(), text.into_bytes()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entry(number: u64, at: i64, subject: &str, corrects: Option<u64>) -> Entry {
        Entry {
            number: Some(number),
            at: Micros(at),
            kind: "check".into(),
            subject: subject.into(),
            corrects,
            ..Entry::default()
        }
    }

    #[test]
    fn a_correction_goes_with_what_it_corrects() {
        let record = [
            entry(1, 10, "left ram resealed", None),
            entry(2, 20, "lid hinge oiled", None),
            entry(3, 30, "right ram resealed", Some(1)),
            entry(4, 40, "both rams resealed", Some(3)),
            entry(5, 50, "not that one", Some(2)),
        ];
        let numbers =
            |until| up_to(&record, Micros(until)).iter().filter_map(|e| e.number).collect::<Vec<_>>();
        assert_eq!(numbers(15), [1, 3, 4]);
        assert_eq!(numbers(25), [1, 2, 3, 4, 5]);
        assert!(numbers(5).is_empty());
    }

    #[test]
    fn the_commissioning_before_counts_else_a_later_one_that_stands() {
        let of = |until, record: &[Entry]| {
            commissioned("oak", record, Micros(until)).map(|(_, text)| String::from_utf8(text).unwrap())
        };
        let mut record = vec![entry(1, 10, "commissioning", None), entry(2, 30, "commissioning", None)];
        assert!(of(20, &record).unwrap().contains("no. 1 of"));
        assert!(of(40, &record).unwrap().contains("no. 2 of"));
        assert!(of(5, &record).unwrap().contains("no. 2 of"));
        record.push(entry(3, 50, "it was another car", Some(2)));
        assert!(of(40, &record).unwrap().contains("no. 1 of"));
        assert_eq!(of(40, &record[2..]), None);
    }
}
