//! The logs that come with foldwatch against the truth beside them.

use std::collections::BTreeSet;

use serde_json::Value;

use crate::daemon::{run, top};

/// One sample at 100 Hz. Where only rows tell of a switch, a contact that bounces may show a row later.
const SAMPLE_S: f64 = 0.010;
const BOUNCE_S: f64 = 0.005;

fn verdict(log: &str, more: &[&str]) -> Value {
    let mut args = vec!["analyze", log, "--profile", "hardtop-five", "--format", "json"];
    args.extend(more);
    serde_json::from_str(&run(&args)).unwrap()
}

fn truth(of: &str) -> Vec<Value> {
    let text = std::fs::read_to_string(top().join(of)).unwrap();
    text.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

fn micros(text: &Value) -> i64 {
    foldwatch_report::parse_utc(text.as_str().unwrap()).unwrap().0
}

#[test]
fn every_log_tells_what_was_true() {
    let logs = [
        ("sample-logs/packed/week.bin.gz", "sample-logs/packed/week.truth.jsonl", vec![]),
        ("sample-logs/packed/four-cycles.bin.gz", "sample-logs/packed/four-cycles.truth.jsonl", vec![]),
        ("sample-logs/text/day.log.gz", "sample-logs/text/day.truth.jsonl", vec![]),
        (
            "sample-logs/columns/day.csv.gz",
            "sample-logs/columns/day.truth.jsonl",
            vec!["--columns", "sample-logs/columns/day.columns.toml"],
        ),
    ];
    for (log, beside, more) in logs {
        let told = verdict(log, &more);
        let told = told["cycles"].as_array().unwrap();
        let cycles: Vec<Value> = truth(beside).into_iter().filter(|line| line["record"] == "cycle").collect();
        assert_eq!(told.len(), cycles.len(), "{log}: cycles");
        for (told, true_) in told.iter().zip(&cycles) {
            let at = format!("{log}, {}", told["start"]);
            assert_eq!(told["direction"], true_["direction"], "{at}");
            assert_eq!(told["outcome"], true_["outcome"], "{at}");
            let phases = told["phases"].as_array().unwrap();
            let true_phases = true_["phases"].as_array().unwrap();
            assert_eq!(phases.len(), true_phases.len(), "{at}: phases");
            let mut confirmed_before = true;
            for (phase, true_phase) in phases.iter().zip(true_phases) {
                assert_eq!(phase["name"], true_phase["name"], "{at}");
                for edge in ["start", "end"] {
                    // An end that nothing confirms is inferred, and says so; the next step begins there.
                    let confirmed =
                        if edge == "end" { true_phase["confirmed"] == true } else { confirmed_before };
                    if edge == "end" {
                        confirmed_before = confirmed;
                        let told = phase["confirmation"] == "confirmed" || phase["confirmation"] == "late";
                        assert_eq!(told, confirmed, "{at}, {}", phase["name"]);
                    }
                    if !confirmed {
                        continue;
                    }
                    let off = (micros(&phase[edge]) - true_phase[format!("{edge}_us")].as_i64().unwrap())
                        as f64
                        * 1e-6;
                    assert!(
                        off.abs() <= SAMPLE_S + if more.is_empty() { 0.0 } else { BOUNCE_S },
                        "{at}, {} {edge}: off by {off} s",
                        phase["name"]
                    );
                }
            }
            let found: BTreeSet<String> = told["findings"]
                .as_array()
                .unwrap()
                .iter()
                .map(|f| f["kind"].as_str().unwrap().to_owned())
                .collect();
            // What the planted faults must and may give, by the truth.
            let expected = true_["expect"].as_array().unwrap();
            let kind = |e: &Value| e["kind"].as_str().unwrap().to_owned();
            for certain in expected.iter().filter(|e| e["certain"] == true) {
                assert!(found.contains(&kind(certain)), "{at}: {certain} is not among {found:?}");
            }
            let explained: BTreeSet<String> = expected.iter().map(kind).collect();
            assert!(found.is_subset(&explained), "{at}: {found:?} where {explained:?} may be");
        }
    }
}
