//! `foldwatch trend` and `foldwatch compare` on tables of times, against published examples.

use std::fmt::Write as _;
use std::process::Output;

use serde_json::Value;

use crate::command_line::foldwatch as run;

/// Annual flow of the Nile at Aswan 1871-1970, 10^8 m3: Cobb, Biometrika 65, 243-251 (1978); public domain.
const NILE: &str = "1120 1160 963 1210 1160 1160 813 1230 1370 1140 995 935 1110 994 1020 960 1180 799 958 1140 1100 1210 \
    1150 1250 1260 1220 1030 1100 774 840 874 694 940 833 701 916 692 1020 1050 969 831 726 456 824 702 1120 1100 832 764 821 \
    768 845 864 862 698 845 744 796 1040 759 781 865 845 944 984 897 822 1010 771 676 649 846 812 742 801 1040 860 874 848 890 \
    744 749 838 1050 918 986 797 923 975 815 1020 906 901 1170 912 746 919 718 714 740";
/// US EPA QA/G-9S (2006), p. 109.
const TIES: &str = "10 10 10 5 10 20 18 17 15 24 15";

fn table(series: &[(&str, &str, &str, i64)]) -> String {
    // An order of columns of its own, and one that nobody asked for.
    let mut text = String::from("seconds;note;phase;direction;time;car\n");
    for (car, phase, values, first) in series {
        for (n, value) in values.split_whitespace().enumerate() {
            let _ = writeln!(text, "{value};;{phase};opening;{};{car}", first + n as i64 * 86_400);
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
    let text = table(&[("river", "flow", NILE, 0), ("well", "level", TIES, 0)]);
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
    let text = table(&[("a", "lid", before, 0), ("a", "lid", after, 10 * 86_400)]);
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
    let text = table(&[("a", "lid", &worn.join(" "), 0), ("a", "lid", &well.join(" "), 60 * 86_400)]);
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
