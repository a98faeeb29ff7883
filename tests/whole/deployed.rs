//! What lies in `deploy/` fits the program: its settings are read by it, its unit starts it, its rules ask for what is counted.

use std::collections::BTreeSet;
use std::path::Path;
use std::process::Command;

use foldwatch_collect::{Player, play};
use foldwatch_encoder::Encoding;

use crate::daemon::{Daemon, FOLDWATCH, frames, line, run, top, wait};

fn text(file: &str) -> String {
    std::fs::read_to_string(top().join(file)).unwrap()
}

/// The values of a key in a unit file.
fn values<'a>(unit: &'a str, key: &str) -> Vec<&'a str> {
    let values = unit.lines().filter_map(|line| line.strip_prefix(key)?.strip_prefix('='));
    values.flat_map(str::split_whitespace).collect()
}

#[test]
fn the_settings_that_come_along_are_read_and_keep_to_the_folders_of_the_unit() {
    let unit = text("deploy/foldwatch.service");
    let folders: Vec<String> =
        values(&unit, "StateDirectory").iter().map(|folder| format!("\"/var/lib/{folder}\"")).collect();
    for file in ["deploy/field-unit.toml", "deploy/shop-server.toml"] {
        let told = run(&["settings", "--config", file]);
        let value = |key: &str| {
            let line = told.lines().find_map(|line| line.strip_prefix(&format!("{key} = ")));
            line.unwrap_or_else(|| panic!("{file}: {key}: {told}"))
                .split(" #")
                .next()
                .unwrap()
                .trim()
                .to_owned()
        };
        // The service can write nowhere else.
        assert_eq!([value("data"), value("keys")], [folders[0].clone(), folders[1].clone()], "{file}");
        assert!(told.contains("[[port]]") && told.contains("[[car]]"), "{told}");
    }
    run(&["settings", "--config", "config/foldwatch.toml"]);
}

/// Every key that is shown as a comment holds what the program takes without it.
#[test]
fn what_is_said_to_hold_without_a_key_does() {
    let shown = text("config/foldwatch.toml");
    let told = run(&["settings", "--config", "config/foldwatch.toml"]);
    let mut table = String::new();
    let mut looked = 0;
    for line in shown.lines() {
        let line = line.trim_start_matches("# ");
        if let Some(name) = line.strip_prefix('[').and_then(|line| line.strip_suffix(']')) {
            table =
                if ["limits", "disk", "keep"].contains(&name) { format!("{name}.") } else { String::new() };
        }
        let Some((key, value)) = line.split_once(" = ").filter(|_| !table.is_empty()) else { continue };
        let value = value.split(" #").next().unwrap().trim();
        assert!(told.contains(&format!("{table}{key} = {value} ")), "{table}{key} = {value}\n{told}");
        looked += 1;
    }
    assert!(looked >= 10, "{looked}");
}

#[test]
fn the_unit_starts_what_the_package_installs() {
    let unit = text("deploy/foldwatch.service");
    let manifest = text("crates/foldwatch/Cargo.toml");
    let start = values(&unit, "ExecStart");
    let [program, "serve", "--config", settings] = start[..] else { panic!("{start:?}") };
    for installed in [program.trim_end_matches("foldwatch"), settings] {
        assert!(manifest.contains(&format!("\"{}\"", installed.trim_start_matches('/'))), "{installed}");
    }
    // What the rest of `deploy/` and the manifest name is there.
    for line in manifest.lines().filter(|line| line.contains("\"../../")) {
        let file = line.split('"').find(|part| part.starts_with("../../")).unwrap();
        let there = Path::new(env!("CARGO_MANIFEST_DIR")).join(file.trim_end_matches("*.toml"));
        assert!(there.exists(), "{line}");
    }
    assert_eq!(values(&unit, "User"), ["foldwatch"]);
    assert!(text("deploy/foldwatch.sysusers").contains("u foldwatch "));
    assert!(text("deploy/60-foldwatch.rules").contains("GROUP=\"dialout\""));
    assert!(text("deploy/foldwatch.sysusers").contains("m foldwatch dialout"));
    // As a service manager with these keys would judge the unit, where there is one to ask.
    let asked = Command::new("systemd-analyze")
        .args(["security", "--offline=true", "--threshold=20"])
        .arg(top().join("deploy/foldwatch.service"))
        .output();
    match asked {
        Ok(judged) if String::from_utf8_lossy(&judged.stderr).contains("unrecognized option") => {
            eprintln!("this systemd can't judge a file; not judged")
        }
        Ok(judged) => assert!(judged.status.success(), "{}", String::from_utf8_lossy(&judged.stdout)),
        Err(_) => eprintln!("no systemd here; not judged"),
    }
}

/// The names of our counts in a text.
fn counts(text: &str) -> BTreeSet<String> {
    let words = text.split(|c: char| !c.is_ascii_alphanumeric() && c != '_');
    words.filter(|word| word.starts_with("foldwatch_")).map(ToOwned::to_owned).collect()
}

#[test]
fn every_rule_asks_for_something_that_is_counted() {
    let rules = text("deploy/alarm-rules.yaml");
    let asked: BTreeSet<String> =
        rules.lines().filter(|line| line.trim_start().starts_with("expr:")).flat_map(counts).collect();
    assert!(asked.len() >= 12, "{asked:?}");

    let data = tempfile::tempdir().unwrap();
    let (mut master, _slave, port) = line();
    let daemon = Daemon::start(data.path(), &port, "oak", "hardtop-five");
    // All but what needs a logger is there from the start, so that no rule looks at nothing.
    let later =
        ["foldwatch_behind_seconds", "foldwatch_clock_residual_seconds", "foldwatch_logger_memory_ratio"];
    let told = counts(&daemon.get("/metrics"));
    for name in asked.iter().filter(|name| !later.contains(&name.as_str())) {
        assert!(told.contains(name), "{name} is not told before a logger comes");
    }
    let log = top().join("sample-logs/packed/four-cycles.bin.gz");
    let mut player = Player::new(Encoding::Packed, frames(&log));
    play(&mut player, &mut master, &mut |player| !player.is_done()).unwrap();
    // How evenly a clock runs is known once it was set, which a recording does not show.
    let clock = "foldwatch_clock_residual_seconds".to_owned();
    wait("what the rules ask for", || {
        let told = counts(&daemon.get("/metrics"));
        asked.iter().all(|name| *name == clock || told.contains(name))
    });

    let told = daemon.get("/metrics");
    let number = |name: &str| -> f64 {
        let line = told.lines().find_map(|line| line.strip_prefix(name));
        line.unwrap_or_else(|| panic!("{name}: {told}")).trim().parse().unwrap()
    };
    let samples = run(&["export", log.to_str().unwrap(), "--profile", "hardtop-five", "--table", "samples"]);
    assert!(number("foldwatch_samples_total{car=\"oak\"}") > 0.5 * samples.lines().count() as f64, "{told}");
    assert_eq!(number("foldwatch_damaged_bytes_total"), 0.0);
    assert_eq!(number("foldwatch_samples_dropped_total{car=\"oak\"}"), 0.0);
    // The recording is of an earlier day, so it came late.
    assert!(number("foldwatch_behind_seconds{car=\"oak\"}") > 3600.0, "{told}");
    let free = number("foldwatch_disk_free_bytes");
    assert!(free > 0.0);
}

#[test]
fn the_image_starts_the_same_as_the_unit() {
    let image = text("deploy/Containerfile");
    let unit = text("deploy/foldwatch.service");
    let start = values(&unit, "ExecStart");
    let words = start[1..].iter().map(|word| format!("\"{word}\""));
    let entry = format!("ENTRYPOINT [\"foldwatch\", {}]", words.collect::<Vec<_>>().join(", "));
    assert!(image.contains(&entry), "{entry}");
    assert!(image.contains(&format!("target/release/foldwatch {}", start[0])), "{}", start[0]);
    assert!(image.contains("USER foldwatch"));
    // What is copied from here is here.
    for line in image.lines().filter(|line| line.starts_with("COPY deploy/")) {
        assert!(top().join(line.split_whitespace().nth(1).unwrap()).exists(), "{line}");
    }
    // The toolchain that is asked for is the one that the workspace needs.
    let manifest = text("Cargo.toml");
    let needed = manifest.lines().find_map(|line| line.strip_prefix("rust-version = ")).unwrap();
    assert!(image.contains(&format!("rust:{}-", needed.trim_matches('"'))), "{needed}");
    assert!(Command::new(FOLDWATCH).args(["serve", "--help"]).output().unwrap().status.success());
}
