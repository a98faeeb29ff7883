//! A daemon that runs on: what leaves the archive and what stays, and that a week takes no more than a day.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use foldwatch_collect::{Player, play};
use foldwatch_encoder::Encoding;
use foldwatch_wire::Frame;

use crate::daemon::{Daemon, FOLDWATCH, frames, line, run, top, wait};
use crate::logger::{Recorded, again, said};

const DAY: i64 = 86_400_000_000;
/// How many weeks are played; 1 where it is not set.
const WEEKS: &str = "FOLDWATCH_TEST_WEEKS";

fn log(name: &str) -> Vec<Frame> {
    let path = top().join("sample-logs/packed").join(name);
    frames(&path).iter().map(|(_, raw)| said(raw)).collect()
}

/// A recording as a start of its own, so many days later.
fn later(frames: &[Frame], boot: u32, days: i64) -> Vec<Recorded> {
    again(frames, 0x2A, boot, |frame, _| {
        if let Frame::Hello(hello) = frame {
            hello.epoch = hello.epoch.map(|epoch| epoch + days * DAY);
        }
    })
}

fn export(data: &Path, table: &str) -> String {
    run(&["export", "--data", data.to_str().unwrap(), "--car", "oak", "--table", table])
}

#[test]
fn samples_leave_by_their_age_but_not_before_they_are_safe_and_evidence_of_them_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let (data, config) = (dir.path().join("data"), dir.path().join("settings.toml"));
    let profile = top().join("config/profiles/hardtop-five.toml");
    let profile = profile.to_str().unwrap();
    fs::write(
        &config,
        format!("[keep]\ndays = 30\n[[car]]\nid = \"oak\"\nname = \"Oak\"\nprofile = \"{profile}\"\n"),
    )
    .unwrap();
    let four = log("four-cycles.bin.gz");
    // Five days of June 2025, long ago.
    let days: Vec<Recorded> = (0..5).flat_map(|n| later(&four, n as u32 + 1, n)).collect();
    let (mut master, _slave, name) = line();
    let daemon = Daemon::start_from(&config, &data, &name);
    let mut player = Player::new(Encoding::Packed, days);
    play(&mut player, &mut master, &mut |player| !player.is_done()).unwrap();
    wait("the movements of five days", || export(&data, "cycles").lines().count() == 21);
    let all = export(&data, "samples");
    drop(daemon);

    // Started anew it looks at once for what can go.
    let daemon = Daemon::start_from(&config, &data, &name);
    let record = || daemon.get("/api/v1/cars/oak/record");
    wait("the entry", || record().contains("samples left the archive"));
    let told = record();
    assert!(told.contains("older than 30 days"), "{told}");
    // By how far the judge's state was saved when the daemon ended.
    let gone =
        told.split("2025-06-02 to 2025-06-0").nth(1).and_then(|rest| rest.get(..1)?.parse::<u32>().ok());
    let gone = gone.filter(|day| (3..=5).contains(day)).unwrap_or_else(|| panic!("{told}"));
    // The day that was archived last stays, and so do those that are in no archive yet, though all are as old.
    let from = format!("2025-06-0{}", gone + 1);
    let left: Vec<&str> = all.lines().skip(1).filter(|row| *row >= &*from).collect();
    let stay = export(&data, "samples");
    let stay: Vec<&str> = stay.lines().skip(1).collect();
    assert!(stay.len() > 40_000 && stay == left, "{} and {} rows", stay.len(), left.len());
    assert_eq!(export(&data, "cycles").lines().count(), 21, "what was found stays");

    let make = |from: &str, to: &str, bag: &str| {
        let (keys, bag) = (dir.path().join("keys"), dir.path().join(bag));
        let mut command = Command::new(FOLDWATCH);
        command.args(["evidence", "make", "--car", "oak", "--from", from, "--to", to, "--data"]).arg(&data);
        command.arg("--out").arg(&bag).arg("--keys").arg(keys);
        (command.output().unwrap(), bag)
    };
    let (refused, bag) = make("2025-06-03T00:00:00Z", "2025-06-04T00:00:00Z", "gone");
    let words = String::from_utf8_lossy(&refused.stderr);
    assert_eq!(refused.status.code(), Some(1));
    assert!(words.contains("the samples of 2025-06-03 have left the archive of `oak`"), "{words}");
    assert!(words.contains("nothing of that time can be proven any more") && !bag.exists(), "{words}");
    let (made, bag) = make("2025-06-06T00:00:00Z", "2025-06-07T00:00:00Z", "there");
    assert!(made.status.success() && bag.exists(), "{}", String::from_utf8_lossy(&made.stderr));
}

/// How many days of the calendar have begun by the end of this seventh of a week's recording.
fn begun(week: &[Frame], seventh: usize, last: u64) -> i64 {
    let epoch = week.iter().find_map(|frame| match frame {
        Frame::Hello(hello) => Some(hello.epoch? - hello.at as i64),
        _ => None,
    });
    let day = |at: u64| (epoch.unwrap() + at as i64).div_euclid(DAY);
    let until = week.iter().map(Frame::at).take_while(|at| (at * 7 / (last + 1)) as usize <= seventh).max();
    day(until.unwrap()) - day(week[0].at()) + 1
}

/// How many days stand in the archive.
fn archived(data: &Path) -> usize {
    let files = fs::read_dir(data.join("archive/oak")).into_iter().flatten();
    let names = files.map(|file| file.unwrap().file_name().into_string().unwrap());
    let days: BTreeSet<String> =
        names.filter(|name| name.ends_with(".parquet")).map(|name| name[..10].to_owned()).collect();
    days.len()
}

#[test]
fn a_week_takes_no_more_memory_files_and_threads_than_its_second_day() {
    let weeks: u32 = std::env::var(WEEKS).map_or(1, |weeks| weeks.parse().unwrap());
    let week = log("week.bin.gz");
    let data = tempfile::tempdir().unwrap();
    let (mut master, _slave, name) = line();
    let daemon = Daemon::start(data.path(), &name, "oak", "hardtop-five");
    let mut player = Player::new(Encoding::Packed, []);
    let began = Instant::now();
    let mut held = Vec::new();
    for nth in 0..weeks {
        let recorded = later(&week, nth + 1, i64::from(nth) * 7);
        // Days as the log has them; the frames come in order of time.
        let last = week.iter().map(Frame::latest).max().unwrap();
        let day_of = |frame: &Frame| (frame.at() * 7 / (last + 1)) as usize;
        for day in 0..7 {
            for (_, (id, raw)) in week.iter().zip(&recorded).filter(|(frame, _)| day_of(frame) == day) {
                player.add(*id, raw.clone());
            }
            play(&mut player, &mut master, &mut |player| !player.is_done()).unwrap();
            // Before anything is measured, what is over stands in the archive: to put it there takes the most.
            let finished = i64::from(nth) * 7 + begun(&week, day, last) - 1;
            wait("the finished days in the archive", || archived(data.path()) >= finished as usize);
            // As pages and whoever watches do.
            for page in ["/", "/cars/oak", "/health", "/metrics"] {
                daemon.get(page);
            }
            std::thread::sleep(Duration::from_millis(300));
            held.push((daemon.memory(), daemon.holds()));
        }
    }
    let took = began.elapsed();
    let speed = f64::from(weeks) * 7.0 * 86_400.0 / took.as_secs_f64();
    println!(
        "{weeks} weeks in {:.1} s, {speed:.0} times real time; MiB, files and threads: {held:?}",
        took.as_secs_f64()
    );
    let (second, last) = (held[1], *held.last().unwrap());
    assert!(last.0 <= second.0 + second.0 / 4 + 16, "memory: {held:?}");
    assert!(last.1.0 <= second.1.0 + 4, "files: {held:?}");
    assert!(last.1.1 <= second.1.1 + 4, "threads: {held:?}");
    assert_eq!(daemon.count("foldwatch_frames_total"), (week.len() * weeks as usize) as f64);
}
