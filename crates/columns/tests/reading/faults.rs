//! Bad logs: each a clear error, or counted with the place of the first one.

use crate::{Seen, column, profile, read};
use foldwatch_columns::{Column, ColumnMap, SignalColumn, SkipKind, TimeColumn, WhenBack};
use foldwatch_samples::GapCause;
use foldwatch_units::Unit;

const HEAD: &str = "time,pump,current\n";

/// Kind, count, first line, first byte.
type Place = (SkipKind, u64, u64, u64);

/// Reads a log whose header is line 1; gives the times, and kind, count and place of everything skipped.
fn skips(rows: &str) -> (Vec<i64>, Vec<Place>) {
    let (seen, report) = read(format!("{HEAD}{rows}").as_bytes(), &ColumnMap::default());
    let skipped = report.unwrap().skipped;
    let places = skipped.iter().map(|s| (s.kind, s.count, s.first_line, s.first_byte)).collect();
    (column(&seen, 0).iter().map(|(at, _)| at / 1_000_000).collect(), places)
}

fn error(log: &[u8]) -> String {
    read(log, &ColumnMap::default()).1.unwrap_err().to_string()
}

#[test]
fn rows_that_cannot_be_read() {
    assert_eq!(skips("0,1,1\nx,1,1\n2,1,1\n"), (vec![0, 2], vec![(SkipKind::BadTime, 1, 3, 24)]));
    assert_eq!(skips("0,1,1\n1,1\n2,1,1\n3\n"), (vec![0, 2], vec![(SkipKind::ShortRow, 2, 3, 24)]));
    assert_eq!(skips("0,1,1\n1,1,12,1,3\n2,1,1\n"), (vec![0, 2], vec![(SkipKind::LongRow, 1, 3, 24)]));
    assert_eq!(
        skips("0,1,1\n\n \r\n# x\n2,1,1\n"),
        (vec![0, 2], vec![(SkipKind::Blank, 2, 3, 24), (SkipKind::Comment, 1, 5, 28)])
    );
    assert_eq!(skips("0,1,1\n1,1,\"1\n2,1,1\n"), (vec![0, 2], vec![(SkipKind::OpenQuote, 1, 3, 24)]));
    assert_eq!(skips("0,1,1\n1,1,\"a\nb\"\n2,1,x\n"), (vec![0, 1, 2], vec![(SkipKind::BadCell, 2, 3, 24)]));
    let rubbish = "\u{0}\u{1}\u{7f},,\n";
    assert_eq!(skips(&format!("0,1,1\n{rubbish}2,1,1\n")), (vec![0, 2], vec![(SkipKind::BadTime, 1, 3, 24)]));
}

#[test]
fn cells_that_cannot_be_read() {
    let (_, skipped) = skips("0,1,1\n1,1,\n2,1,nan\n3,2,1e99\n4,1,inf\n5,1,soon\n6,1,soon\n");
    assert_eq!(
        skipped,
        [
            (SkipKind::Empty, 2, 3, 24),
            (SkipKind::BadCell, 1, 5, 37),
            (SkipKind::Infinite, 2, 5, 37),
            (SkipKind::BadCell, 2, 7, 54),
        ]
    );
    let (_, report) = read(format!("{HEAD}0,1,1\n1,1,s\u{e9}n\n").as_bytes(), &ColumnMap::default());
    assert_eq!(
        report.unwrap().skipped[0].to_string(),
        "1 cell of column `current` can't be read: first on line 3 (byte 24): `s\u{e9}n`. For a switch, say under \
         [[signal]] in the column map which value is closed."
    );
}

#[test]
fn bytes_that_are_no_text() {
    let (seen, report) =
        read(b"time,pump,note\xff,current\n0,1,\xfe\xff,1\n1,\xfe,,2\n", &ColumnMap::default());
    assert_eq!(column(&seen, 0), [(0, Some(1.0)), (1_000_000, None)]);
    assert_eq!(report.unwrap().count(SkipKind::BadCell), 1);
}

#[test]
fn time_that_goes_back() {
    assert_eq!(
        skips("0,1,1\n1,1,1\n2,1,1\n1,1,1\n2,1,1\n3,1,1\n3,0,1\n4,1,1\n"),
        (vec![0, 1, 2, 3, 4], vec![(SkipKind::TimeBack, 1, 5, 36), (SkipKind::SameTime, 2, 6, 42)])
    );
    let map = ColumnMap { when_back: WhenBack::Restart, ..ColumnMap::default() };
    let (seen, report) = read(format!("{HEAD}0,1,1\n1,1,1\n0,1,1\n1,1,1\n").as_bytes(), &map);
    assert_eq!(column(&seen, 0).iter().map(|(at, _)| at / 1_000_000).collect::<Vec<_>>(), [0, 1, 2, 3]);
    assert_eq!(seen[2], Seen::Gap(2_000_000, GapCause::Restart));
    assert_eq!(report.unwrap().count(SkipKind::Restart), 1);
}

#[test]
fn the_header_once_more() {
    // The clock goes on: the logger only repeats its header.
    let (times, skipped) = skips(&format!("0,1,1\n{HEAD}1,1,1\n"));
    assert_eq!((times, skipped), (vec![0, 1], vec![(SkipKind::Header, 1, 3, 24)]));
    // The clock began anew: so did the logger.
    let (seen, report) =
        read(format!("{HEAD}0,1,1\n1,1,1\n{HEAD}0,0,1\n1,0,1\n").as_bytes(), &ColumnMap::default());
    assert_eq!(column(&seen, 0).iter().map(|(at, _)| at / 1_000_000).collect::<Vec<_>>(), [0, 1, 2, 3]);
    assert!(seen.contains(&Seen::Gap(2_000_000, GapCause::Restart)));
    let report = report.unwrap();
    assert_eq!((report.count(SkipKind::Restart), report.count(SkipKind::Header)), (1, 1));
}

#[test]
fn a_line_without_end_is_skipped_whole() {
    let long = "9,".repeat(400_000);
    let (times, skipped) = skips(&format!("0,1,1\n{long}\n1,1,1\n2,1,1\n"));
    assert_eq!((times, skipped), (vec![0, 1, 2], vec![(SkipKind::LongLine, 1, 3, 24)]));
    let (times, skipped) = skips(&format!("0,1,1\n1,1,1\n{}", long));
    assert_eq!((times, skipped), (vec![0, 1], vec![(SkipKind::LongLine, 1, 4, 30)]));
    let quoted = format!("0,1,1\n1,1,\"{}2,1,1\n", "x\n".repeat(60_000));
    let (times, skipped) = skips(&quoted);
    assert_eq!(times, [0, 2]);
    assert_eq!(skipped, [(SkipKind::OpenQuote, 1, 3, 24), (SkipKind::ShortRow, 59_999, 4, 31)]);
}

#[test]
fn logs_that_cannot_be_read() {
    assert_eq!(error(b""), "the log is empty");
    assert_eq!(error(b"\n\n"), "the log holds no row: only empty lines and comments");
    assert_eq!(error(HEAD.as_bytes()), "the log holds no row: the header on line 1 is all there is");
    assert_eq!(
        error(b"time,pump\nsoon,1\nx,y\n"),
        "the log holds no row: no line after the header can be read as a row; line 2 (byte 10) is `soon,1`. Name the \
         form of the time, the delimiter and the decimal mark in a column map"
    );
    assert_eq!(
        error(b"hours,pumpe,x\n1,2,3\n"),
        "line 1 (byte 0): no column is called time: name it under [time] in a column map; no column is called as a \
         signal of the profile (pump, lift, is_open, wish_open, pressure, current): name them in a column map"
    );
    assert_eq!(
        error(b"time,pump,current [V]\n1,2,3\n"),
        "line 1 (byte 0): column `current [V]` is in V, and signal `current` in A: give a scale in a column map, or a \
         calibration in the profile"
    );
    assert_eq!(
        error(b"time,pump,Pump\n1,2,3\n"),
        "line 1 (byte 0): columns 2 and 3 are both called `pump`: say in a column map which one it is"
    );
    assert_eq!(error(b"\xff\xfet\0i\0"), "the log is UTF-16, not plain text; save it as UTF-8 text");
    let zeros = vec![0u8; 300_000];
    assert!(error(&zeros).contains("no table"));
}

#[test]
fn a_column_in_another_unit_by_the_line_of_units() {
    assert_eq!(
        error(b"time,current\nms,bar\n0,1\n"),
        "line 2 (byte 13): column `current` is in bar, and signal `current` in A: give a scale in a column map, or a \
         calibration in the profile"
    );
}

#[test]
fn a_number_in_an_unknown_unit_is_not_taken() {
    let refused = |line: u32, byte: u32, column: &str, unit: &str| {
        format!(
            "line {line} (byte {byte}): column `{column}`: unit `{unit}` is not known; signal `current` is a current, and \
             may be in A, amp, amps, ampere, mA: convert the numbers, or say in a column map what they are (`unit`, or \
             `scale` and `calibrated`)"
        )
    };
    assert_eq!(error(b"time,pump,current [MA]\n0,1,2\n"), refused(1, 0, "current [MA]", "MA"));
    assert_eq!(error(b"time,current\nms,furlong\n0,1\n"), refused(2, 13, "current", "furlong"));
    // What calibrates raw numbers is no excuse either.
    assert!(error(b"time,pressure [ATM]\n0,1\n").contains("unit `ATM` is not known; signal `pressure`"));
    // A map that says what the numbers are needs no heading; one that says nothing of it does.
    let current = |scale: f64, unit: Option<Unit>, calibrated: Option<bool>| {
        let column = SignalColumn {
            signal: profile().find("current").unwrap(),
            column: Column::Name("current".to_owned()),
            scale,
            offset: 0.0,
            unit,
            calibrated,
            on: None,
        };
        let map = ColumnMap { signals: vec![column], ..ColumnMap::default() };
        read(b"time,current [MA]\n0,1\n", &map).1.map(drop)
    };
    assert_eq!(current(1.0, None, None).unwrap_err().to_string(), refused(1, 0, "current [MA]", "MA"));
    assert!(current(0.001, None, None).is_ok());
    assert!(current(1.0, "mA".parse().ok(), None).is_ok());
    assert!(current(1.0, None, Some(true)).is_ok());
}

#[test]
fn a_missing_column_names_the_nearest() {
    let map = ColumnMap {
        header: Some(true),
        time: Some(TimeColumn { column: Some(Column::Name("Time".to_owned())), ..TimeColumn::default() }),
        signals: vec![SignalColumn {
            signal: profile().find("is_open").unwrap(),
            column: Column::Name("LID_OP".to_owned()),
            scale: 1.0,
            offset: 0.0,
            unit: None,
            calibrated: None,
            on: None,
        }],
        ..ColumnMap::default()
    };
    let (_, result) = read(b"time,LID OPEN,PUMP\n0,1,1\n", &map);
    assert_eq!(
        result.unwrap_err().to_string(),
        "line 1 (byte 0): there is no column `LID_OP` for signal `is_open` (nearest: `LID OPEN`)"
    );
}
