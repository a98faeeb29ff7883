//! Faults at the running daemon: the line, the plug, clocks, a second daemon. All that a logger held is stored once.

use std::fs;
use std::os::unix::fs::symlink;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use foldwatch_collect::{Player, play};
use foldwatch_encoder::Encoding;
use foldwatch_wire::{Frame, TimeNote};
use serialport::{SerialPort, TTYPort};

use crate::daemon::{Daemon, FOLDWATCH, frames, line, run, top, wait};
use crate::logger::{Noisy, Recorded, again, file, said, shift};

const LOGGER: u32 = 0x2A;
/// How often the plug is pulled; 50 where it is not set.
const PULLS: &str = "FOLDWATCH_TEST_PULLS";

fn four_cycles() -> Vec<Frame> {
    frames(&top().join("sample-logs/packed/four-cycles.bin.gz")).iter().map(|(_, raw)| said(raw)).collect()
}

/// What is in the folder is what is in the frames.
fn the_same(folder: &Path, recorded: &[Recorded], tables: &[&str]) {
    let dir = tempfile::tempdir().unwrap();
    let log = dir.path().join("log.fwp");
    fs::write(&log, file(recorded)).unwrap();
    let (log, folder) = (log.to_str().unwrap(), folder.to_str().unwrap());
    for table in tables {
        let of_file = run(&["export", log, "--profile", "hardtop-five", "--table", table]);
        assert!(of_file.lines().count() > 1);
        let of_store = || run(&["export", "--data", folder, "--car", "oak", "--table", table]);
        let until = Instant::now() + Duration::from_secs(10);
        while of_store() != of_file && Instant::now() < until {
            std::thread::sleep(Duration::from_millis(100));
        }
        let of_store = of_store();
        let differ = of_file.lines().zip(of_store.lines()).find(|(a, b)| a != b);
        assert_eq!(differ, None, "{table}");
        assert_eq!(of_file.lines().count(), of_store.lines().count(), "{table}");
    }
}

#[test]
fn of_a_line_that_damages_reorders_and_doubles_all_is_stored_once_and_in_order() {
    // Two starts, so that the end of the first is in danger, too.
    let all = four_cycles();
    let (first, second) = all.split_at(all.len() / 2);
    let mut recorded = again(first, LOGGER, 1, |_, _| {});
    let begins = second[0].at();
    recorded.extend(again(&[&all[..1], second].concat(), LOGGER, 2, |frame, _| {
        if let Frame::Hello(hello) = frame {
            hello.at = begins;
        }
    }));
    // So that something comes on a sound line in the end, as it does from a logger that is live.
    let (noisy, rest) = recorded.split_at(recorded.len() - 20);

    let data = tempfile::tempdir().unwrap();
    let (mut master, _slave, name) = line();
    let daemon = Daemon::start_heard(data.path(), &name, "oak", "hardtop-five", &data.path().join("log"));
    let mut player = Player::new(Encoding::Packed, noisy.iter().cloned());
    let mut wire = Noisy::new(&mut master);
    let until = Instant::now() + Duration::from_secs(45);
    play(&mut player, &mut wire, &mut |player| {
        !player.is_done() && Instant::now() < until && player.progress().acknowledged + 3 < noisy.len()
    })
    .unwrap();
    println!("{} of {} bytes were changed, {:?}", wire.changed, wire.carried, player.progress());
    assert!(wire.changed * 130 > wire.carried && wire.carried > 150_000);
    wire.sound = true;
    for (id, raw) in rest {
        player.add(*id, raw.clone());
    }
    let until = Instant::now() + Duration::from_secs(60);
    play(&mut player, &mut wire, &mut |player| !player.is_done() && Instant::now() < until).unwrap();
    assert!(player.is_done(), "{:?}", player.progress());

    assert_eq!(daemon.count("foldwatch_frames_lost_total"), 0.0);
    the_same(data.path(), &recorded, &["samples", "cycles", "phases"]);
    for told in ["damaged_stretches", "damaged_bytes", "frames_asked_again", "frames_repeated"] {
        assert!(daemon.count(&format!("foldwatch_{told}_total")) > 20.0, "{told}");
    }
    assert_eq!(daemon.count("foldwatch_frames_total"), recorded.len() as f64, "each frame once");
    assert!(daemon.get("/health").starts_with("HTTP/1.1 200"));
}

#[test]
fn a_plug_that_goes_out_and_in_leaves_nothing_over_and_loses_nothing() {
    let pulls: usize = std::env::var(PULLS).map_or(50, |pulls| pulls.parse().unwrap());
    let recorded = frames(&top().join("sample-logs/packed/four-cycles.bin.gz"));
    let dir = tempfile::tempdir().unwrap();
    let (data, name, next) = (dir.path().join("data"), dir.path().join("logger"), dir.path().join("next"));
    let daemon = Daemon::start(&data, name.to_str().unwrap(), "oak", "hardtop-five");
    // With the host's end, which stays open until somebody else has opened it, too.
    let plugged = || -> (TTYPort, TTYPort) {
        let (mut master, slave) = TTYPort::pair().unwrap();
        master.set_timeout(Duration::from_millis(2)).unwrap();
        symlink(slave.name().unwrap(), &next).unwrap();
        fs::rename(&next, &name).unwrap();
        (master, slave)
    };
    let mut player = Player::new(Encoding::Packed, []);
    let mut rest = recorded.iter().cloned();
    let share = (recorded.len() / pulls).max(1);
    let mut held = (0, 0);
    let began = Instant::now();
    for pull in 0..pulls {
        for (id, raw) in rest.by_ref().take(share) {
            player.add(id, raw);
        }
        let before = player.progress().acknowledged;
        let (mut master, _slave) = plugged();
        let until = Instant::now() + Duration::from_secs(10);
        play(&mut player, &mut master, &mut |player| {
            player.progress().acknowledged <= before && Instant::now() < until
        })
        .unwrap();
        assert!(player.progress().acknowledged > before, "pull {pull}: not heard any more");
        if pull == 5 {
            held = daemon.holds();
        }
    }
    println!("{pulls} pulls in {:.1} s", began.elapsed().as_secs_f64());
    let (mut master, _slave) = plugged();
    for (id, raw) in rest {
        player.add(id, raw);
    }
    play(&mut player, &mut master, &mut |player| !player.is_done()).unwrap();
    the_same(&data, &recorded, &["samples", "cycles"]);
    wait("as few files and threads as at first", || {
        let now = daemon.holds();
        now.0 <= held.0 + 1 && now.1 <= held.1 + 1
    });
    assert_eq!(daemon.count("foldwatch_frames_total"), recorded.len() as f64, "each frame once");
    assert_eq!(daemon.count("foldwatch_frames_lost_total"), 0.0);
}

/// Moments and rows of a table of samples.
fn rows(folder: &Path) -> Vec<(String, String)> {
    let csv = run(&["export", "--data", folder.to_str().unwrap(), "--car", "oak", "--table", "samples"]);
    let pair = |line: &str| line.split_once(',').map(|(at, rest)| (at.to_owned(), rest.to_owned())).unwrap();
    csv.lines().skip(1).map(pair).collect()
}

/// What a daemon that is new to a recording makes of it.
struct Played {
    rows: Vec<(String, String)>,
    cycles: String,
    log: String,
    /// The car's page and its record by the API, after the daemon was killed and started again.
    page: String,
    record: String,
    jumps: f64,
}

fn played(recorded: &[Recorded]) -> Played {
    let dir = tempfile::tempdir().unwrap();
    let (data, log) = (dir.path().join("data"), dir.path().join("log"));
    let (mut master, _slave, name) = line();
    let daemon = Daemon::start_heard(&data, &name, "oak", "hardtop-five", &log);
    let mut player = Player::new(Encoding::Packed, recorded.iter().cloned());
    play(&mut player, &mut master, &mut |player| !player.is_done()).unwrap();
    let folder = data.to_str().unwrap().to_owned();
    let cycles = || run(&["export", "--data", &folder, "--car", "oak", "--table", "cycles"]);
    wait("four cycles", || cycles().lines().count() == 5);
    assert_eq!(daemon.count("foldwatch_frames_total"), recorded.len() as f64);
    let jumps = daemon.count("foldwatch_clock_jumps_total{car=\"oak\"}");
    // The journal is read again then: what is noted already must not be noted twice.
    drop(daemon);
    let (_master, _slave, name) = line();
    let daemon = Daemon::start(&data, &name, "oak", "hardtop-five");
    let (page, record) = (daemon.get("/cars/oak"), daemon.get("/api/v1/cars/oak/record"));
    let log = fs::read_to_string(log).unwrap();
    Played { rows: rows(&data), cycles: cycles(), log, page, record, jumps }
}

/// The rows are those of the untouched log in their order, and their moments never go back.
fn whole_and_sorted(rows: &[(String, String)]) {
    let Played { rows: untouched, record, jumps, .. } = played(&again(&four_cycles(), LOGGER, 1, |_, _| {}));
    assert!(!record.contains("clock") && jumps == 0.0, "no clock jumped: {record}");
    assert!(rows.is_sorted_by(|a, b| a.0 <= b.0), "moments go back");
    assert_eq!(rows.len(), untouched.len());
    let differ = rows.iter().zip(&untouched).find(|(a, b)| a.1 != b.1);
    assert_eq!(differ, None);
}

#[test]
fn where_the_loggers_clock_jumps_by_hours_nothing_is_lost_and_it_is_said() {
    let all = four_cycles();
    let hours = |n: i64| n * 3_600_000_000;
    // After a third of it 30 hours on, after two thirds back by 35.
    let jumps = |n: usize| match n * 3 / all.len() {
        0 => 0,
        1 => hours(30),
        _ => hours(-5),
    };
    // Back beyond the beginning: the counter begins in the middle of its range.
    let recorded = again(&all, LOGGER, 1, |frame, n| {
        shift(frame, hours(50) + jumps(n));
        if let Frame::Hello(hello) = frame {
            hello.epoch = hello.epoch.map(|epoch| epoch - hours(50));
        }
    });
    let Played { rows, log, page, record, jumps, .. } = played(&recorded);
    whole_and_sorted(&rows);
    assert!(log.contains("the logger's counter went on by 30.0 h"), "{log}");
    assert!(log.contains("the logger's counter went back by"), "{log}");
    // A person sees it with the car, each once, and a rule can ask for it.
    for said in ["its counter went on by 30.0 h", "its counter went back by 35.0 h"] {
        assert!(page.contains(said), "{said}: {page}");
        assert_eq!(record.matches(said).count(), 1, "{said}: {record}");
    }
    assert_eq!(jumps, record.matches("a clock jumped").count() as f64);
}

#[test]
fn a_logger_from_1970_waits_for_the_hosts_time_and_a_host_whose_clock_jumped_is_told() {
    let mut all = four_cycles();
    let end = all.pop().unwrap();
    let latest = all.iter().map(Frame::latest).max().unwrap();
    let utc = |hour: i64| 1_790_000_000_000_000 + hour * 3_600_000_000;
    // The host's clock as the logger was told it: right, six hours on for a while, right again.
    for (n, ahead) in [0, 0, 0, 6, 6, 6, 6, 0, 0, 0, 0].into_iter().enumerate() {
        let at = latest + (n as u64 + 1) * 1_000_000;
        let passed = (n as i64 + 1) * 1_000_000;
        all.push(Frame::Time(TimeNote { at, echo: at - 1000, utc: utc(ahead) + passed }));
    }
    let Frame::End(mut end) = end else { panic!("the log ends with its end") };
    end.at = latest + 20_000_000;
    all.push(Frame::End(end));
    let recorded = again(&all, LOGGER, 1, |frame, _| {
        if let Frame::Hello(hello) = frame {
            hello.epoch = Some(0);
        }
    });
    let Played { rows, cycles, log, page, record, jumps } = played(&recorded);
    whole_and_sorted(&rows);
    assert!(rows.iter().all(|(at, _)| at.starts_with("2026-09-21T")), "{:?}", rows.first());
    assert!(cycles.lines().skip(1).all(|cycle| cycle.contains(",2026-09-21T")), "{cycles}");
    for said in ["clock is not set", "clock was set"] {
        assert!(log.contains(said), "{said}: {log}");
    }
    for said in ["its own clock is not set", "a clock was set on by 6.0 h", "a clock was set back by 6.0 h"] {
        assert!(page.contains(said), "{said}: {page}");
        assert_eq!(record.matches(said).count(), 1, "{said}: {record}");
    }
    assert_eq!(jumps, 3.0, "{record}");
}

/// In a name space of its own, which needs no root; where that is not allowed this test says so and tries nothing.
#[test]
fn where_the_systems_list_of_ports_is_missing_it_is_told_and_named_ports_are_heard() {
    const WITHOUT: &str = r#"mount -t tmpfs none /sys && exec "$0" "$@""#;
    let without = |program: &str| {
        let mut command = Command::new("unshare");
        command.args(["--user", "--map-root-user", "--mount", "sh", "-c", WITHOUT, program]);
        command
    };
    if !without("true").stderr(Stdio::null()).status().is_ok_and(|done| done.success()) {
        println!("not tried: no name spaces here");
        return;
    }
    let data = tempfile::tempdir().unwrap();
    let (mut master, _slave, name) = line();
    let begun = without(FOLDWATCH)
        .args(["serve", "--listen", "127.0.0.1:0", "--car", "oak", "--profile", "hardtop-five"])
        .args(["--port", "auto", "--port", &name, "--data"])
        .arg(data.path())
        .current_dir(top())
        .stdout(Stdio::piped())
        .spawn();
    let daemon = Daemon::serving(begun.unwrap(), data.path());
    let told = "/sys/class/tty is not there";
    wait("health to tell it", || daemon.get("/health").contains(told));
    assert!(daemon.get("/health").starts_with("HTTP/1.1 503"));
    let page = daemon.get("/ports");
    assert!(page.starts_with("HTTP/1.1 200") && page.contains(told), "{page}");
    let mut player =
        Player::new(Encoding::Packed, frames(&top().join("sample-logs/packed/four-cycles.bin.gz")));
    play(&mut player, &mut master, &mut |player| !player.is_done()).unwrap();
    wait("the cycles", || daemon.get("/api/v1/cars/oak/cycles").matches("\"start\"").count() >= 4);
}

#[test]
fn a_second_daemon_on_the_same_folder_refuses_and_the_first_goes_on() {
    let data = tempfile::tempdir().unwrap();
    let (_master, _slave, name) = line();
    let first = Daemon::start(data.path(), &name, "oak", "hardtop-five");
    let (_other, _end, other) = line();
    let second = Command::new(FOLDWATCH)
        .args(["serve", "--listen", "127.0.0.1:0", "--port", &other, "--profile", "hardtop-five", "--data"])
        .arg(data.path())
        .stdin(Stdio::null())
        .output()
        .unwrap();
    let words = String::from_utf8_lossy(&second.stderr);
    assert_eq!(second.status.code(), Some(1), "{words}");
    assert!(words.contains(data.path().to_str().unwrap()) && words.contains("another foldwatch"), "{words}");
    assert!(words.contains(&first.pid().to_string()), "which one: {words}");
    assert!(first.get("/ready").starts_with("HTTP/1.1 200"));
}
