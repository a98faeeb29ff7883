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
fn a_log_of_which_nothing_is_left_is_no_roof_that_stood_still() {
    let analyze = |log: &str| {
        let done = foldwatch(&["analyze", "-", "--profile", "hardtop-five"], log.as_bytes());
        let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
        (done.status.code(), text(done.stdout), text(done.stderr))
    };
    let (code, out, err) = analyze("time,pump,lid_open\n3,0,1\n2,0,1\n1,0,1\n");
    assert_eq!((code, out.as_str()), (Some(1), ""), "{err}");
    assert!(err.contains("2 of 3 rows could not be used: 2 rows earlier"), "{err}");
    let (code, out, err) = analyze("time,pump,lid_open\n1,,\n2,nan,\n");
    assert_eq!((code, out.as_str()), (Some(1), ""), "{err}");
    assert!(err.contains("none of its 2 rows holds a value"), "{err}");
    // What is left is judged, and how much is missing stands with the verdict.
    let (code, out, err) = analyze("time,pump,lid_open\n1,0,1\n2,0,1\n1,0,1\n");
    assert_eq!(code, Some(0), "{err}");
    assert!(out.contains("1 of 3 rows could not be used"), "{out}");
    assert!(!out.contains("None could be found"), "{out}");
}

#[test]
fn a_recording_given_twice_is_counted_once() {
    let log = "sample-logs/packed/four-cycles.bin.gz";
    let args = ["analyze", log, "--profile", "hardtop-five", "--format", "json"];
    let once: serde_json::Value = serde_json::from_str(&run(&args)).unwrap();
    let twice: serde_json::Value =
        serde_json::from_str(&run(&["analyze", log, log, "--profile", "hardtop-five", "--format", "json"]))
            .unwrap();
    assert_eq!(once["cycles"], twice["cycles"]);
    let note = twice["logs"][1]["notes"][0].as_str().unwrap();
    assert_eq!(note, format!("the same recording as {log}: counted once"));
}

#[test]
fn a_profile_without_any_drive_says_that_nothing_can_be_found() {
    let profile = tempfile::Builder::new().suffix(".toml").tempfile().unwrap();
    let text = "id = 'bare'\nname = 'Bare'\nsignal = [{ id = 'up', kind = 'switch' }]\n\
                opening = [{ name = 'Up', confirm = 'up', expected_s = 5 }]\n\
                closing = [{ name = 'Down', confirm = 'not up', expected_s = 4 }]\n";
    std::fs::write(profile.path(), text).unwrap();
    let at = profile.path().to_str().unwrap();
    let checked = run(&["check", at]);
    assert!(checked.contains("no error, but no movement of the roof can be found with it"), "{checked}");
    assert_eq!(checked.matches("fuse-margin can't be judged").count(), 2, "each thing once: {checked}");
    let done = foldwatch(&["analyze", "-", "--profile", at], b"time,up\n0,0\n1,1\n2,1\n");
    let out = String::from_utf8(done.stdout).unwrap();
    assert!(out.contains("None could be found: nothing in it tells when the roof is driven"), "{out}");
    let unknown = foldwatch(&["check", "no-such-roof"], b"");
    let err = String::from_utf8(unknown.stderr).unwrap();
    assert!(err.contains("hardtop-five, softtop-cover, hardtop-six"), "{err}");
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

/// A unit that will not begin because two switches contradict each other: the one that stands where the roof is not.
#[test]
fn a_roof_that_will_not_begin_tells_which_switch_is_closed_all_the_time() {
    // Closed, all lines of end switches low when made; `roof_stowed` is made too.
    let mut log = String::from(
        "time,open_button,pump,valve_a,valve_b,front_locked,front_unlocked,lid_latched,lid_latched_left,lid_open,roof_up,\
         roof_stowed,luggage_latched,blind_set,windows_down,standstill\n",
    );
    for row in 0..1200 {
        let seconds = f64::from(row) * 0.05;
        let asked = i32::from((5.0..7.5).contains(&(seconds % 15.0)));
        log += &format!("{seconds:.2},{asked},0,0,0,0,1,0,0,1,0,0,0,0,1,1\n");
    }
    let output =
        foldwatch(&["analyze", "-", "--profile", "hardtop-five", "--format", "json"], log.as_bytes());
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let judged: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(judged["cycles"].as_array().unwrap().len(), 4);
    let first = &judged["causes"][0];
    assert_eq!(
        (first["cause"].as_str(), first["signal"].as_str()),
        (Some("switch-shorted"), Some("roof_stowed"))
    );
    assert!(first["probability"].as_f64().unwrap() > 0.5, "{first}");
    assert!(judged["next_check"]["check"].as_str().unwrap().starts_with("switch-unplugged:"));
}
