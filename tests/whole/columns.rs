//! Lines of columns at a serial port: no frames, no check, nobody to ask again.

use std::io::Write;

use crate::daemon::{Daemon, line, run, wait};

/// A table's rows, without the moments: the log's own zero is not the host's.
fn table(csv: &str) -> Vec<Vec<(String, String)>> {
    let mut reader = csv::Reader::from_reader(csv.as_bytes());
    let names: Vec<String> = reader.headers().unwrap().iter().map(str::to_owned).collect();
    let row = |row: csv::StringRecord| {
        let cells = names.iter().cloned().zip(row.iter().map(str::to_owned));
        cells.filter(|(name, _)| !name.ends_with("_utc")).collect()
    };
    reader.records().map(|record| row(record.unwrap())).collect()
}

/// Numbers to what the stand-in's counts resolve, all else as it is.
fn same(a: &str, b: &str) -> bool {
    a == b
        || matches!((a.parse::<f64>(), b.parse::<f64>()), (Ok(a), Ok(b)) if (a - b).abs() <= 2e-3 * a.abs().max(1.0))
}

#[test]
fn a_logger_that_prints_columns_is_recorded_and_judged_as_its_file_is() {
    let dir = tempfile::tempdir().unwrap();
    let path = |name: &str| dir.path().join(name).to_str().unwrap().to_owned();
    let (log, map, data) = (path("log.csv"), path("log.columns.toml"), path("data"));
    let faults = ["--fault", "switch-never:lid_open=1@1"];
    let simulate = [
        "simulate",
        "--profile",
        "hardtop-five",
        "--cycles",
        "2",
        "--seed",
        "7",
        "--encoding",
        "columns",
        "-o",
        &log,
    ];
    run(&[&simulate[..], &faults].concat());
    let (mut master, _slave, name) = line();
    let started = Daemon::start_with(
        dir.path().join("data").as_path(),
        &name,
        "oak",
        "hardtop-five",
        &["--columns", &map],
    );

    // The plug goes in while the logger prints: half a line comes first.
    let text = std::fs::read(&log).unwrap();
    let mut rest = &[b",0,1,0.25\r\n", &text[..]].concat()[..];
    while !rest.is_empty() {
        // A full line is waited for, as a logger's port does.
        match master.write(rest) {
            Ok(written) => rest = &rest[written..],
            Err(error) => assert_eq!(error.kind(), std::io::ErrorKind::TimedOut),
        }
    }
    let of_file =
        |name: &str| run(&["export", &log, "--profile", "hardtop-five", "--columns", &map, "--table", name]);
    let of_store = |name: &str| run(&["export", "--data", &data, "--car", "oak", "--table", name]);
    for name in ["cycles", "phases", "findings"] {
        let wanted = table(&of_file(name));
        assert!(!wanted.is_empty(), "{name}");
        wait(name, || {
            let got = table(&of_store(name));
            let equal = |a: &Vec<(String, String)>, b: &Vec<(String, String)>| {
                a.iter().zip(b).all(|((k, a), (l, b))| k == l && same(a, b))
            };
            let all = got.len() == wanted.len() && got.iter().zip(&wanted).all(|(a, b)| equal(a, b));
            if !all {
                eprintln!("{name}: {got:?}\nwanted: {wanted:?}");
            }
            all
        });
    }
    // A port that brings them says that nobody can see damage in them.
    wait("the port's state", || started.get("/").contains("no checksum"));

    // So does the evidence, which is made while the daemon is at work.
    let (bag, keys) = (path("bag"), path("keys"));
    run(&["evidence", "make", "--data", &data, "--car", "oak", "--out", &bag, "--keys", &keys]);
    run(&["evidence", "verify", &bag, "--key", &format!("{keys}/public.pem")]);
    let stretches = std::fs::read_to_string(format!("{bag}/data/stretches.csv")).unwrap();
    assert!(stretches.contains("no-checksum"), "{stretches}");
}

/// What was exported is a log of columns like any other: read again it says the same, also of switches whose line is low
/// while they are made.
#[test]
fn exported_samples_are_read_back_as_they_were() {
    let dir = tempfile::tempdir().unwrap();
    let path = |name: &str| dir.path().join(name).to_str().unwrap().to_owned();
    let (first, second) = (path("first.csv"), path("second.csv"));
    let log = "sample-logs/packed/four-cycles.bin.gz";
    for (from, to) in [(log, &first), (&*first, &second)] {
        run(&["export", from, "--profile", "hardtop-five", "--table", "samples", "-o", to]);
    }
    let (first_text, second_text) =
        (std::fs::read_to_string(&first).unwrap(), std::fs::read_to_string(&second).unwrap());
    assert!(first_text.lines().count() > 1000 && first_text.contains(",on,") && first_text.contains(",off,"));
    let differ = first_text.lines().zip(second_text.lines()).find(|(a, b)| a != b);
    assert_eq!(differ, None);
    assert_eq!(first_text.len(), second_text.len());
    let judged = |from: &str| table(&run(&["analyze", from, "--profile", "hardtop-five", "--format", "csv"]));
    assert_eq!(judged(&first).len(), judged(log).len());
}
