//! One log, any pieces, any number of threads: the same items, the same account.

use crate::{profile, read, read_pieces, see};
use foldwatch_columns::{ColumnMap, Report, read as read_all, read_with_workers};
use foldwatch_samples::Item;
use proptest::prelude::*;

/// Lines as loggers write them, whole and broken.
fn line() -> impl Strategy<Value = String> {
    prop_oneof![
        20 => (0u32..2, 0u32..3).prop_map(|(pump, current)| format!("@,{pump},{current}.5\n")),
        2 => Just("@,1,1.5,\n".to_owned()),
        1 => Just("time,pump,current\n".to_owned()),
        1 => Just("\n".to_owned()),
        1 => Just("# said\r\n".to_owned()),
        1 => Just("@,1\n".to_owned()),
        1 => Just("@,1,2,3,4\n".to_owned()),
        1 => Just("@,\"1\",\"x\n\"\n".to_owned()),
        1 => Just("@,1,\"2\n".to_owned()),
        1 => Just("0.01,1,2\n".to_owned()),
        1 => "[ -~\u{e9}\n]{0,20}",
    ]
}

/// A log with times that mostly go on.
fn log() -> impl Strategy<Value = Vec<u8>> {
    proptest::collection::vec(
        (line(), prop_oneof![50 => Just(1u32), 1 => Just(0), 1 => Just(9000)], 1u8..40),
        1..120,
    )
    .prop_map(|lines| {
        let mut out = "time,pump,current\n".to_owned();
        let mut at = 0;
        for (line, step, times) in lines {
            for _ in 0..times {
                at += step;
                out.push_str(&line.replace('@', &format!("{}.{:02}", at / 100, at % 100)));
            }
        }
        out.into_bytes()
    })
}

fn threads(log: &[u8], workers: usize) -> (Vec<crate::Seen>, Option<Report>) {
    let mut seen = Vec::new();
    let mut sink = |item: Item<'_>| seen.push(see(item));
    let report = read_with_workers(log, &ColumnMap::default(), &profile(), &mut sink, workers);
    (seen, report.ok())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(32))]
    #[test]
    fn pieces_make_no_difference(log in log(), sizes in proptest::collection::vec(1usize..200, 1..8)) {
        let (whole, report) = read(&log, &ColumnMap::default());
        let (pieces, other) = read_pieces(&log, &ColumnMap::default(), &sizes);
        prop_assert_eq!(&whole, &pieces);
        prop_assert_eq!(report.as_ref().ok(), other.as_ref().ok());
        let (bytes, other) = read_pieces(&log, &ColumnMap::default(), &[1]);
        prop_assert_eq!(&whole, &bytes);
        prop_assert_eq!(report.ok(), other.ok());
    }

    #[test]
    fn threads_make_no_difference(log in log(), times in 1usize..24) {
        // Several blocks: the lines again and again, with a column that says which round it is.
        let (head, rows) = log.split_at(18);
        let mut long = head.to_vec();
        for _ in 0..times {
            long.extend_from_slice(rows);
        }
        let (whole, report) = read(&long, &ColumnMap::default());
        for workers in [1, 3] {
            let (seen, other) = threads(&long, workers);
            prop_assert_eq!(&whole, &seen);
            prop_assert_eq!(report.as_ref().ok(), other.as_ref());
        }
    }

    #[test]
    fn rubbish_is_no_panic(rubbish in proptest::collection::vec(any::<u8>(), 0..400), head in any::<bool>()) {
        let mut log = if head { b"time,pump,current\n0,1,1\n".to_vec() } else { Vec::new() };
        log.extend_from_slice(&rubbish);
        let (whole, report) = read(&log, &ColumnMap::default());
        let (pieces, other) = read_pieces(&log, &ColumnMap::default(), &[7]);
        prop_assert_eq!(whole, pieces);
        if head {
            let report = report.unwrap();
            prop_assert_eq!(report.bytes as usize, log.len());
            prop_assert_eq!(report.lines as usize, log.split_inclusive(|b| *b == b'\n').count());
            prop_assert_eq!(Some(report), other.ok());
        }
    }
}

#[test]
fn a_long_log_with_a_wide_row() {
    let mut log = b"time,pump,current\n".to_vec();
    for row in 0..200_000 {
        log.extend_from_slice(
            format!("{}.{:02},{},{}\n", row / 100, row % 100, row / 1000 % 2, row % 7 / 5).as_bytes(),
        );
    }
    let (whole, report) = read(&log, &ColumnMap::default());
    assert_eq!(report.as_ref().unwrap().rows, 200_000);
    assert!(report.as_ref().unwrap().skipped.is_empty());
    for workers in [1, 2, 4] {
        assert_eq!(threads(&log, workers), (whole.clone(), report.as_ref().ok().cloned()));
    }
    let mut rows = 0;
    let report = read_all(&log[..], &ColumnMap::default(), &profile(), &mut |_: Item<'_>| rows += 1).unwrap();
    assert_eq!((rows, report.rows), (200_000, 200_000));
}

#[test]
fn a_stream_gives_account_on_the_way() {
    let mut sink = |_: Item<'_>| ();
    let mut reader = foldwatch_columns::Reader::new(ColumnMap::default(), &profile());
    reader.push(b"time,pump\n", &mut sink).unwrap();
    assert_eq!(reader.so_far(), None);
    reader.push(b"0,1\nx,1\n1,1\n2,", &mut sink).unwrap();
    let report = reader.so_far().unwrap();
    assert_eq!((report.rows, report.lines, report.skipped.len()), (2, 4, 1));
    reader.push(b"1\n", &mut sink).unwrap();
    assert_eq!(reader.finish(&mut sink).unwrap().rows, 3);
}

#[test]
fn a_sink_that_fails_stops_the_workers() {
    let mut log = b"time,pump\n".to_vec();
    for row in 0..200_000 {
        log.extend_from_slice(format!("{row},1\n").as_bytes());
    }
    let result = std::panic::catch_unwind(|| {
        let mut sink = |_: Item<'_>| panic!("the sink fails");
        read_with_workers(&log[..], &ColumnMap::default(), &profile(), &mut sink, 2)
    });
    assert!(result.is_err());
}

#[test]
fn a_source_that_fails_is_an_error() {
    struct Failing<'a>(&'a [u8]);
    impl std::io::Read for Failing<'_> {
        fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
            match std::io::Read::read(&mut self.0, buffer)? {
                0 => Err(std::io::Error::new(std::io::ErrorKind::UnexpectedEof, "the stream is cut off")),
                count => Ok(count),
            }
        }
    }
    let mut log = b"time,pump\n".to_vec();
    for row in 0..50_000 {
        log.extend_from_slice(format!("{row},1\n").as_bytes());
    }
    log.extend_from_slice(b"50000,");
    let error =
        read_all(Failing(&log), &ColumnMap::default(), &profile(), &mut |_: Item<'_>| ()).unwrap_err();
    assert!(error.to_string().starts_with("the log breaks off at byte 388900 (after line 50001)"), "{error}");
    let error =
        read_all(Failing(b"time,"), &ColumnMap::default(), &profile(), &mut |_: Item<'_>| ()).unwrap_err();
    assert!(error.to_string().starts_with("the log breaks off at byte 5"), "{error}");
}
