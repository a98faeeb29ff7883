//! Exit status, and rubbish in.

use std::io::Write;
use std::process::{Command, Output, Stdio};

use crate::daemon::{FOLDWATCH, run, top};

pub fn foldwatch(args: &[&str], input: &[u8]) -> Output {
    let mut child = Command::new(FOLDWATCH)
        .args(args)
        .current_dir(top())
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // It may refuse before it has read everything.
    let _ = child.stdin.take().unwrap().write_all(input);
    child.wait_with_output().unwrap()
}

fn analyze(input: &[u8]) -> (Option<i32>, String, String) {
    let done = foldwatch(&["analyze", "-", "--profile", "hardtop-five", "--format", "json"], input);
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    (done.status.code(), text(done.stdout), text(done.stderr))
}

#[test]
fn status_tells_usage_from_failure() {
    assert_eq!(foldwatch(&["analyze"], b"").status.code(), Some(2));
    assert_eq!(foldwatch(&["fly"], b"").status.code(), Some(2));
    assert_eq!(foldwatch(&["check", "no-such-roof"], b"").status.code(), Some(1));
    assert_eq!(foldwatch(&["check", "hardtop-five"], b"").status.code(), Some(0));
    let there = top().join("crates");
    let taken = foldwatch(&["serve", "--profile", "hardtop-five"], b"");
    assert_eq!(taken.status.code(), Some(1), "no folder for the data");
    assert!(there.exists());
}

/// Whoever reads only the first line has what they wanted: nothing panics.
#[test]
fn a_reader_who_goes_away_is_no_fault() {
    for args in [
        &["check", "hardtop-five"][..],
        &["check", "--keys"],
        &["settings", "--config", "config/foldwatch.toml"],
    ] {
        let mut child = Command::new(FOLDWATCH)
            .args(args)
            .current_dir(top())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        drop(child.stdout.take());
        let done = child.wait_with_output().unwrap();
        let said = String::from_utf8_lossy(&done.stderr).into_owned();
        assert!(!said.contains("panicked"), "{args:?}: {said}");
        assert_eq!(done.status.code(), Some(0), "{args:?}: {said}");
    }
}

#[test]
fn rubbish_is_refused_in_words_and_nothing_is_printed_as_a_verdict() {
    let gz = std::fs::read(top().join("sample-logs/packed/four-cycles.bin.gz")).unwrap();
    let mut long = b"time_ms,pump,pressure_bar\n".to_vec();
    long.extend(std::iter::repeat_n(b'7', 8 << 20));
    let cases: [(&str, &[u8], &str); 6] = [
        ("empty", b"", "empty"),
        ("cut off", &gz[..gz.len() / 2], "breaks off"),
        ("no UTF-8, no frames", b"\xFF\xFE\x00\x12\x99\x88", ""),
        ("another table", b"when,what\n1,2\n", ""),
        ("half a header", b"time_ms,pump", ""),
        ("one endless line", &long, ""),
    ];
    for (what, bytes, why) in cases {
        let (code, out, err) = analyze(bytes);
        assert_eq!(code, Some(1), "{what}: {err}");
        assert!(out.is_empty(), "{what}: {out}");
        assert!(err.starts_with("foldwatch: ") && err.contains(why), "{what}: {err}");
        assert!(!err.contains("panicked"), "{what}: {err}");
    }
}

#[test]
fn the_log_of_another_roof_is_no_reason_for_a_verdict() {
    let log = "sample-logs/packed/four-cycles.bin.gz";
    assert!(run(&["analyze", log, "--profile", "hardtop-five"]).contains("run-on"));
    let other = foldwatch(&["analyze", log, "--profile", "softtop-cover"], b"");
    let said = String::from_utf8_lossy(&other.stderr).into_owned();
    assert_eq!((other.status.code(), other.stdout.len()), (Some(1), 0), "{said}");
    assert!(said.contains("another roof") && said.contains("cover_open"), "{said}");
}

#[test]
fn what_only_claims_to_be_parquet_is_refused() {
    let (code, _, err) = analyze(b"PAR1 and no more of it PAR1");
    assert_eq!(code, Some(1));
    assert!(err.contains("Parquet") || err.contains("parquet"), "{err}");
}

/// What a check gave moves the ranking to what was foretold, to the per cent that pages show, and another table of causes is taken; a slip is told with
/// what would do.
#[test]
fn the_result_of_a_check_moves_the_ranking() {
    let judged = |more: &[&str]| {
        let log =
            ["analyze", "sample-logs/packed/four-cycles.bin.gz", "--profile", "hardtop-five", "--format"];
        let mut args: Vec<&str> = log.to_vec();
        args.push("json");
        args.extend(more);
        foldwatch(&args, b"")
    };
    let json = |output: Output| -> serde_json::Value {
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        serde_json::from_slice(&output.stdout).unwrap()
    };
    let probability = |judged: &serde_json::Value, cause: &str| {
        let all = judged["causes"].as_array().unwrap();
        all.iter().find(|c| c["cause"] == cause).map_or(0.0, |c| c["probability"].as_f64().unwrap())
    };
    let before = json(judged(&[]));
    let next = &before["next_check"];
    let (check, likeliest) = (next["check"].as_str().unwrap(), &before["causes"][0]);
    // Of each result it is foretold what becomes of the likeliest cause, and so it does; one of them shakes it.
    let mut moved: f64 = 0.0;
    for foretold in next["results"].as_array().unwrap() {
        let result = foretold["result"].as_str().unwrap();
        let after = json(judged(&["--result", &format!("{check}={result}")]));
        let then = foretold["causes"].as_array().unwrap().iter().find(|c| c["name"] == likeliest["name"]);
        let then = then.map_or(0.0, |c| c["probability"].as_f64().unwrap());
        let is = probability(&after, likeliest["cause"].as_str().unwrap());
        assert!((is - then).abs() < 0.01, "{check}={result}: {is} {then}");
        moved = moved.max((is - likeliest["probability"].as_f64().unwrap()).abs());
    }
    assert!(moved > 0.05, "{moved}");
    let after = json(judged(&["--result", "relay-follows=stays"]));
    let (was, is) = (probability(&before, "relay"), probability(&after, "relay"));
    assert!(is > was + 0.2, "{was} {is}");
    let after =
        json(judged(&["--result", &format!("{check}={}", next["results"][0]["result"].as_str().unwrap())]));
    // It was made: another one is asked for.
    assert_ne!(after["next_check"]["check"], next["check"]);

    let said = |more: &[&str]| {
        let output = judged(more);
        assert_eq!((output.status.code(), output.stdout.len()), (Some(1), 0));
        String::from_utf8(output.stderr).unwrap()
    };
    assert!(
        said(&["--result", "relay-follows=maybe"])
            .contains("`relay-follows=stays` or `relay-follows=follows`")
    );
    assert!(said(&["--result", "relay=stays"]).contains("there is no check `relay`"));
    assert!(said(&["--causes", "no-such-table.toml"]).contains("no-such-table.toml"));

    // The same table from a file of one's own; and one with a slip.
    let text = std::fs::read_to_string(top().join("config/causes.toml")).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let own = folder.path().join("causes.toml");
    std::fs::write(&own, &text).unwrap();
    assert_eq!(json(judged(&["--causes", own.to_str().unwrap()]))["causes"], before["causes"]);
    std::fs::write(&own, text.replacen("[[cause]]", "[[caus]]", 1)).unwrap();
    let refused = said(&["--causes", own.to_str().unwrap()]);
    assert!(refused.contains("causes.toml") && refused.contains("line"), "{refused}");
}
