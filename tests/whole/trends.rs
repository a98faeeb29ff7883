//! `foldwatch trend` and `foldwatch compare` on tables of times, against published examples.

use std::fmt::Write as _;
use std::process::Output;

use foldwatch_collect::{Player, play};
use serde_json::Value;

use crate::command_line::foldwatch as run;
use crate::daemon::{Daemon, frames, line, top, wait};

/// Annual flow of the Nile at Aswan 1871-1970, 10^8 m3: Cobb, Biometrika 65, 243-251 (1978); public domain.
const NILE: &str = "1120 1160 963 1210 1160 1160 813 1230 1370 1140 995 935 1110 994 1020 960 1180 799 958 1140 1100 1210 \
    1150 1250 1260 1220 1030 1100 774 840 874 694 940 833 701 916 692 1020 1050 969 831 726 456 824 702 1120 1100 832 764 821 \
    768 845 864 862 698 845 744 796 1040 759 781 865 845 944 984 897 822 1010 771 676 649 846 812 742 801 1040 860 874 848 890 \
    744 749 838 1050 918 986 797 923 975 815 1020 906 901 1170 912 746 919 718 714 740";
/// US EPA QA/G-9S (2006), p. 109.
const TIES: &str = "10 10 10 5 10 20 18 17 15 24 15";

const YEAR: i64 = 31_557_600;
const DAY: i64 = 86_400;

/// Car, phase, values, first moment and the step from one to the next, in seconds.
type Values<'a> = (&'a str, &'a str, &'a str, i64, i64);

fn table(series: &[Values<'_>]) -> String {
    // An order of columns of its own, and one that nobody asked for.
    let mut text = String::from("seconds;note;phase;direction;time;car\n");
    for (car, phase, values, first, step) in series {
        for (n, value) in values.split_whitespace().enumerate() {
            let _ = writeln!(text, "{value};;{phase};opening;{};{car}", first + n as i64 * step);
        }
    }
    text
}

fn json(output: &Output) -> Value {
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

fn about(value: &Value, wanted: f64, within: f64) {
    let found = value.as_f64().unwrap();
    assert!((found - wanted).abs() <= within, "{found} is not {wanted}");
}

/// S, slope and p by pymannkendall 1.4.3 and scipy 1.17.1; the change by ruptures 1.1.10 (after 28 years).
#[test]
fn trends_as_published() {
    let text = table(&[("river", "flow", NILE, 0, YEAR), ("well", "level", TIES, 0, DAY)]);
    let found = json(&run(&["trend", "-", "--format", "json"], text.as_bytes()));
    let [river, well] = found["trends"].as_array().unwrap().as_slice() else { panic!("{found}") };
    assert_eq!(
        (&river["car"], &river["phase"], &river["direction"]),
        (&"river".into(), &"flow".into(), &"opening".into())
    );
    let overall = &river["overall"];
    assert_eq!(overall["mann_kendall_s"], -1387);
    about(&overall["per_100_cycles"]["value"], -260.0, 1e-9);
    about(&overall["p_independent"], 3.658263e-5, 1e-10);
    assert_eq!(river["changes"][0]["cycle"], 29);
    assert_eq!(river["changes"].as_array().unwrap().len(), 1);
    assert_eq!(well["overall"]["mann_kendall_s"], 22);
    about(&well["overall"]["p_independent"], 0.0919983, 1e-7);
    about(&well["overall"]["per_100_cycles"]["value"], 100.0, 1e-9);
}

/// Hollander and Wolfe, Nonparametric Statistical Methods (1973), p. 69; the shift by counting, p by scipy.
#[test]
fn before_and_after_as_published() {
    let before = "0.80 0.83 1.89 1.04 1.45 1.38 1.91 1.64 0.73 1.46";
    let after = "1.15 0.88 0.90 0.74 1.21";
    let text = table(&[("a", "lid", before, 0, DAY), ("a", "lid", after, 10 * DAY, DAY)]);
    let at = ["compare", "-", "--format", "json", "--at", "1970-01-11T00:00:00Z"];
    let found = json(&run(&at, text.as_bytes()));
    let one = &found["comparisons"][0];
    assert_eq!((&one["count_before"], &one["count_after"]), (&10.into(), &5.into()));
    about(&one["shift"]["value"], -0.305, 1e-9);
    about(&one["p"], 0.254412, 1e-6);
    assert_eq!((&one["p_from"], &one["verdict"]), (&"exact".into(), &"cannot-tell".into()));
}

/// A service record splits the history: wear up to the repair, nothing after it.
#[test]
fn a_service_record_splits() {
    let folder = tempfile::tempdir().unwrap();
    let record = folder.path().join("record.csv");
    std::fs::write(&record, "what,car,time\n\"lid cylinder resealed, oil changed\",a,1970-03-02T00:00:00Z\n")
        .unwrap();
    let wave = |n: i64| ((n * 7) % 11) as f64 * 0.01;
    let worn: Vec<String> = (0..60).map(|n| format!("{:.3}", 4.0 + 0.02 * n as f64 + wave(n))).collect();
    let well: Vec<String> = (0..60).map(|n| format!("{:.3}", 4.0 + wave(n))).collect();
    let text = table(&[("a", "lid", &worn.join(" "), 0, DAY), ("a", "lid", &well.join(" "), 60 * DAY, DAY)]);
    let record = record.to_str().unwrap();
    let found = json(&run(
        &["trend", "-", "--format", "json", "--services", record, "--limit", "6"],
        text.as_bytes(),
    ));
    let trend = &found["trends"][0];
    assert_eq!(trend["cycles"], 60);
    assert!(trend["changes"].as_array().unwrap().is_empty());
    assert_eq!(trend["forecast"]["says"], "not-before");
    let found = json(&run(&["compare", "-", "--format", "json", "--services", record], text.as_bytes()));
    assert_eq!(found["comparisons"][0]["verdict"], "better");
    // Without the record the change is asked about.
    let found = json(&run(&["trend", "-", "--format", "json"], text.as_bytes()));
    let asked = found["trends"][0]["changes"].as_array().unwrap();
    assert!(asked.iter().any(|c| c["question"] == "Was something done here?"), "{found}");
}

#[test]
fn bad_tables_are_refused_with_their_place() {
    for (text, said) in [
        ("", "empty"),
        ("car,time\n", "no column `direction`"),
        ("car,time,direction,phase,seconds\n", "nothing to follow"),
        (
            "car,time,direction,phase,seconds\na,2026-05-01T08:00:00Z,opening,lid,long\n",
            "line 2, column `seconds`: `long`",
        ),
        ("car,time,direction,phase,seconds\na,soon,opening,lid,4\n", "line 2, column `time`: `soon`"),
    ] {
        let output = run(&["trend", "-"], text.as_bytes());
        assert_eq!(output.status.code(), Some(1));
        assert!(output.stdout.is_empty());
        let told = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(told.contains(said), "{told}");
    }
    let output = run(&["compare", "-"], b"car,time,direction,phase,seconds\na,2026-05-01,opening,lid,4\n");
    assert!(String::from_utf8_lossy(&output.stderr).contains("--at TIME"));
}

/// A week over the wire: the books that grew cycle by cycle say what those built anew from the folder say; work that is
/// entered by page, API or CSV splits the history, and what was found before it no longer counts.
#[test]
fn the_fleet_and_the_service_record_of_a_daemon() {
    let folder = tempfile::tempdir().unwrap();
    let (mut master, _slave, name) = line();
    let daemon = Daemon::start(folder.path(), &name, "harbour-2", "hardtop-five");
    let mut player = Player::new(
        foldwatch_encoder::Encoding::Packed,
        frames(&top().join("sample-logs/packed/week.bin.gz")),
    );
    play(&mut player, &mut master, &mut |player| !player.is_done()).unwrap();
    let record = "/api/v1/cars/harbour-2/record";
    let fleet = || body(&daemon.get("/api/v1/fleet"));
    let data = folder.path().to_str().unwrap();
    let anew = || json(&run(&["trend", "--data", data, "--format", "json"], b""));
    wait("the books", || {
        let worst = &fleet()["cars"][0]["worst"];
        anew()["trends"].as_array().unwrap().iter().any(|trend| trend == worst)
    });
    assert_eq!(fleet()["waiting"], 0);
    let printed = json(&run(&["fleet", "--data", data, "--format", "json"], b""));
    assert_eq!(printed["cars"], fleet()["cars"]);
    let cycles: u64 =
        printed["months"].as_array().unwrap().iter().map(|m| m["cycles"].as_u64().unwrap()).sum();
    assert!(cycles >= 20 && printed["months"][0]["month"] == "2025-06", "{}", printed["months"]);
    let page = daemon.get("/fleet");
    assert!(
        page.contains("Book") && page.contains("past the limit") && page.contains("Fewer than five cars"),
        "{page}"
    );
    assert!(daemon.get("/cars/harbour-2/compare").contains("there is no before and after"));

    let before = body(&daemon.get("/api/v1/cars/harbour-2/causes"))["causes"].clone();

    // In the middle of the week, as CSV; a moment that is none is refused, and nothing of it is kept.
    let refused =
        daemon.post(record, "text/csv", "at,subject\n2025-06-05T12:00:00Z,oil changed\nsoon,seal\n");
    assert!(refused.starts_with("HTTP/1.1 400") && refused.contains("line 3"), "{refused}");
    assert_eq!(body(&daemon.get(record)).as_array().unwrap().len(), 0);
    let csv = "subject,at\n\"lid cylinder resealed, bled\",2025-06-05T12:00:00Z\n";
    for _ in 0..2 {
        let taken = daemon.post(record, "text/csv", csv);
        assert!(taken.starts_with("HTTP/1.1 201"), "{taken}");
    }
    assert_eq!(body(&daemon.get(record)).as_array().unwrap().len(), 1);
    let compared = body(&daemon.get("/api/v1/cars/harbour-2/compare"));
    let one = compared.as_array().unwrap().iter().find(|c| c["measure"] == "time").unwrap();
    assert!(one["count_before"].as_u64() > Some(2) && one["count_after"].as_u64() > Some(2), "{one}");
    wait("the books anew", || fleet()["cars"][0]["worst"]["cycles"] == one["count_after"]);
    assert_eq!(json(&run(&["compare", "--data", data, "--format", "json"], b""))["comparisons"], compared);
    assert!(daemon.get("/cars/harbour-2/compare").contains("Before and after"));
    // Work was done: the causes of before are open again, and nothing stands out.
    let causes = || body(&daemon.get("/api/v1/cars/harbour-2/causes"))["causes"].clone();
    let likely =
        |causes: &Value| causes.as_array().unwrap().iter().any(|c| c["probability"].as_f64() > Some(0.1));
    assert!(likely(&before) && !likely(&causes()), "{}", causes());

    // By the page's form, a correction; the first one stays and no longer counts.
    let form = "kind=service&subject=oil+changed&at=2025-06-06T08%3A00&author=Ida&corrects=1";
    let back = daemon.post("/cars/harbour-2/record", "application/x-www-form-urlencoded", form);
    assert!(back.starts_with("HTTP/1.1 303"), "{back}");
    let entries = body(&daemon.get(record));
    assert_eq!((&entries[0]["corrected"], &entries[1]["corrects"]), (&true.into(), &1.into()));
    let compared = body(&daemon.get("/api/v1/cars/harbour-2/compare"));
    assert_eq!(compared[0]["at"], "2025-06-06T08:00:00.000000Z");
    assert!(daemon.get(&format!("{record}.csv")).contains("\"lid cylinder resealed, bled\""));
    assert!(daemon.get("/cars/harbour-2").contains("Corrected later"));
}

/// What an address of the API answers, as JSON.
fn body(answer: &str) -> Value {
    let (_, body) = answer.split_once("\r\n\r\n").unwrap();
    let (from, to) = (body.find(['{', '[']).unwrap(), body.rfind(['}', ']']).unwrap());
    serde_json::from_str(&body[from..=to]).unwrap_or_else(|error| panic!("{error}: {body}"))
}
