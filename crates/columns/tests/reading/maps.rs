//! Column maps: what they say, what is wrong with them, and logs read through them.

use crate::{Seen, column, profile, read};
use foldwatch_columns::{ColumnMap, MAP_KEYS, SkipKind, WhenBack};
use proptest::prelude::*;

fn parse(text: &str) -> ColumnMap {
    ColumnMap::parse(text, &profile()).unwrap_or_else(|problems| panic!("{problems:?}"))
}

fn problems(text: &str) -> Vec<String> {
    ColumnMap::parse(text, &profile()).unwrap_err().iter().map(ToString::to_string).collect()
}

const WHOLE: &str = r##"
format = 1
delimiter = ";"
decimal = ","
header = true
skip_lines = 2
comment = "!"

[time]
column = "Clock"
format = "%H:%M:%S%.f"
date_column = 1
date_format = "%d.%m.%Y"
time_zone = "Europe/Berlin"
when_back = "restart"
gap_after_s = 2.5

[[signal]]
id = "pressure"
column = "P1"
scale = 0.1
offset = -1
unit = "kPa"
calibrated = true

[[signal]]
id = "is_open"
column = 5
closed = ["ON", true, 1]
open = "OFF"

[[signal]]
id = "pump"
column = "relay"
closed = { above = 6 }
"##;

#[test]
fn a_whole_map_reads_its_log() {
    let map = parse(WHOLE);
    assert_eq!(map.when_back, WhenBack::Restart);
    let log = "ignore\nthis; too\nDate;clock;p1;Relay;S1\n! said\n\
               01.05.2026;10:00:00,00;1010,0;12,1;on\n01.05.2026;10:00:00,01;1010,0;0,1;x\n";
    let (seen, report) = read(log.as_bytes(), &map);
    let report = report.unwrap();
    let start = 1_777_622_400_000_000;
    assert_eq!(column(&seen, 0), [(start, Some(1.0)), (start + 10_000, Some(0.0))]);
    assert_eq!(column(&seen, 4), [(start, Some(1.0)), (start + 10_000, Some(1.0))]);
    assert_eq!(column(&seen, 2), [(start, Some(1.0)), (start + 10_000, None)]);
    assert!(report.dated);
    assert_eq!(report.header_line, Some(3));
    assert_eq!(report.count(SkipKind::BadCell), 1);
    assert!(report.assumed.is_empty(), "{:?}", report.assumed);
}

#[test]
fn every_key_of_the_list_is_known() {
    let alone = "[time]\ncolumn = 1\nunit = 'ms'\norigin = 2026-05-01T08:00:00Z\n";
    parse(alone);
    for key in MAP_KEYS.iter().filter(|key| !key.table.is_empty()) {
        let line = format!("{} = ", key.name);
        assert!(WHOLE.contains(&line) || alone.contains(&line), "{} is not tried", key.name);
    }
    for key in MAP_KEYS {
        let table = match key.table {
            "" => String::new(),
            "signal" => "[[signal]]\n".to_owned(),
            table => format!("[{table}]\n"),
        };
        let wrong = format!("{table}{} = inf", key.name);
        let told = ColumnMap::parse(&wrong, &profile()).unwrap_err();
        assert!(told.iter().any(|p| p.found.contains("is not what it takes")), "{wrong}: {told:?}");
        assert!(!told.iter().any(|p| p.found.contains("no such key")), "{wrong}: {told:?}");
    }
}

#[test]
fn everything_wrong_is_told_at_once() {
    assert_eq!(
        problems(
            "delimeter = ';'\ndecimal = 'comma'\nheader = false\nskip_lines = -1\n[time]\nunit = 'ms'\nformat = '%q'\n\
             time_zone = 'Europe/Berln'\norigin = 'noon'\n[[signal]]\nid = 'presure'\ncolumn = 'P'\n[[signal]]\n\
             id = 'pressure'\ncolumn = 0\nunit = 'V'\nscale = 0\nclosed = 1\n[[signal]]\nid = 'pump'\nunit = 'bar'\n\
             open = 0\n[[signal]]\nid = 'pump'\ncolumn = 3\nclosed = { above = 1, below = 2 }\n[[signal]]\nid = 'current'\n\
             column = 2\nunit = 'furlong'\n"
        ),
        [
            "line 1, column 1: delimeter: no such key; did you mean `delimiter`?",
            "line 1, column 1: time.column: it is not given; without a header no column has a name: give its number from 1",
            "line 2, column 11: decimal: `comma` is not what it takes; give \".\", \",\" or \"auto\"",
            "line 4, column 14: skip_lines: `-1` is not what it takes; give a whole number, not below 0",
            "line 7, column 10: time.format: strptime parsing failed: found unrecognized specifier directive `q`; \
             give \"rfc3339\", or a pattern like \"%d.%m.%Y %H:%M:%S%.f\"",
            "line 7, column 10: time.format: `unit` is for plain numbers and `format` for all else; give one of the two",
            "line 8, column 13: time.time_zone: `Europe/Berln` is no zone; did you mean `Europe/Berlin`?",
            "line 9, column 10: time.origin: `noon` is not what it takes; give a date and time: \
             \"2026-05-01T08:00:00Z\"",
            "line 11, column 6: signal.id: the profile has no signal `presure`; did you mean `pressure`?",
            "line 12, column 10: signal.column: without a header no column has a name; give the column's number from 1",
            "line 15, column 10: signal.column: `0` is not what it takes; give the column's name, or its number from 1",
            "line 16, column 8: signal.unit: V is no unit of signal `pressure`, which is a pressure; one of bar, mbar, \
             hPa, Pa, kPa, MPa, psi; or leave it out, and let a calibration in the profile lead from there to bar",
            "line 17, column 9: signal.scale: with a scale of 0 every number becomes the same; give another",
            "line 18, column 10: signal.closed: signal `pressure` is a pressure; take it out; it is for on/off signals",
            "line 19, column 1: signal.column: it is not given; name the column, or give its number from 1",
            "line 21, column 8: signal.unit: signal `pump` is a pump; take it out; it is for numbers: use `closed` for \
             a switch",
            "line 22, column 8: signal.open: it goes with the values of `closed`; say which values mean closed",
            "line 26, column 10: signal.closed: `{ above = 1, below = 2 }` is not what it takes; give a value, a list \
             of values, { above = 2.5 } or { below = 2.5 }",
            "line 30, column 8: signal.unit: unit `furlong` is not known; one of A, amp, amps, ampere, mA",
        ]
    );
    assert_eq!(
        problems("[[signal]]\nid = 'pump'\ncolumn = 1\n[[signal]]\nid = 'pump'\ncolumn = 2\n"),
        ["line 5, column 6: signal.id: this signal has a column already; give each signal one column"]
    );
    assert_eq!(
        problems("delimiter = ','\ndecimal = ','\n[time\ncolumn = 1\n")[0],
        "line 2, column 11: decimal: the comma can't stand between cells and before fractions; check which delimiter \
         the log has"
    );
    assert_eq!(problems("[time\ncolumn = 1\n").len(), 1);
}

#[test]
fn relative_times_from_an_origin() {
    let map = parse("[time]\ncolumn = 'ms'\nunit = 'ms'\norigin = '2026-05-01T10:00:00+02:00'\n");
    let (seen, report) = read(b"ms,pump\n0,1\n10,1\n", &map);
    let start = 1_777_622_400_000_000;
    assert_eq!(column(&seen, 0), [(start, Some(1.0)), (start + 10_000, Some(1.0))]);
    assert!(report.unwrap().dated);
    // In the map's zone.
    let map =
        parse("[time]\ncolumn = 'ms'\nunit = 'ms'\norigin = 2026-05-01T10:00:00\ntime_zone = '+02:00'\n");
    assert_eq!(column(&read(b"ms,pump\n0,1\n", &map).0, 0), [(start, Some(1.0))]);
}

#[test]
fn a_map_may_leave_the_columns_to_the_header() {
    let map = parse("[time]\nunit = 'ms'\ngap_after_s = 1\n");
    let (seen, _) = read(b"time,pump\n0,1\n2000,1\n", &map);
    assert_eq!(column(&seen, 0), [(0, Some(1.0)), (2_000_000, Some(1.0))]);
    assert_eq!(seen[1], Seen::Gap(2_000_000, foldwatch_samples::GapCause::Missing));
    assert_eq!(problems("header = false").len(), 2);
}

#[test]
fn a_header_deep_in_the_log_is_found() {
    let map = parse(
        "[time]\ncolumn = 'T'\nunit = 's'\n[[signal]]\nid = 'pump'\ncolumn = 'relay'\nclosed = 'RUN'\n",
    );
    let log = "Owner;nobody\nT is the time\n\nx;T;Relay\n-;0;run\n-;1;STOP\n";
    let (seen, report) = read(log.as_bytes(), &map);
    assert_eq!(column(&seen, 0), [(0, Some(1.0)), (1_000_000, Some(0.0))]);
    let report = report.unwrap();
    assert_eq!((report.count(SkipKind::Preamble), report.count(SkipKind::Blank)), (2, 1));
    assert_eq!(report.extra_columns, ["x"]);
    // A pump that stops is the same row only if it is.
    assert!(matches!(seen[1], Seen::Row(..)));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn rubbish_is_no_panic(text in "[ -~\n]{0,60}", at in 0usize..600, bytes in proptest::collection::vec(any::<char>(), 0..4)) {
        let _ = ColumnMap::parse(&text, &profile());
        // A good map with something else in it.
        let mut spoilt: String = WHOLE.chars().take(at).collect();
        spoilt.extend(bytes);
        spoilt.extend(WHOLE.chars().skip(at));
        let _ = ColumnMap::parse(&spoilt, &profile());
    }
}
