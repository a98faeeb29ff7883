//! Killed at random moments: nothing acknowledged is lost, nothing is there twice.

use std::io::{BufRead, BufReader};
use std::process::{Command, Stdio};
use std::time::Duration;

use foldwatch_store::*;

use crate::{frame, with_car};

const CHILD: &str = "FOLDWATCH_STORE_TEST_CHILD";

/// Not a test of its own: the process that gets killed. It appends without end, as a logger that goes on where the
/// acknowledgement stood and repeats a little, and prints what is durable once `append` has said so.
#[test]
fn child_that_appends() {
    let Some(folder) = std::env::var_os(CHILD) else { return };
    let mut store = with_car(folder.as_ref());
    let mut next = store.catalogue().held("L", 1).unwrap().held.highest().map_or(0, |last| last + 1);
    for size in (1..40).cycle() {
        let first = next.saturating_sub(3);
        let durable = store.append(&(first..next + size).map(frame).collect::<Vec<_>>()).unwrap();
        println!("durable {}", durable[0].up_to);
        next += size;
    }
}

#[test]
fn kill_9_loses_nothing_acknowledged_and_doubles_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let mut acknowledged = None;
    for round in 0..20u64 {
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args(["--exact", "killed::child_that_appends", "--nocapture"])
            .env(CHILD, dir.path())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let reader = std::thread::spawn(move || {
            let told = lines.map_while(Result::ok);
            told.filter_map(|line| line.split_once("durable ")?.1.parse().ok()).last()
        });
        // Spread over start, first write and many writes; each round another moment.
        std::thread::sleep(Duration::from_micros(3_000 + round * 7_919 % 97_000));
        child.kill().unwrap(); // SIGKILL
        child.wait().unwrap();
        acknowledged = reader.join().unwrap().max(acknowledged);

        let store = SqliteStore::open(dir.path()).unwrap();
        let rows = store.catalogue().journal(None, Position(0), u32::MAX).unwrap();
        let sequences: Vec<u64> = rows.iter().map(|row| row.frame.sequence).collect();
        assert_eq!(sequences, (0..sequences.len() as u64).collect::<Vec<_>>(), "round {round}");
        assert!(
            sequences.last().copied() >= acknowledged,
            "round {round}: {acknowledged:?} was acknowledged"
        );
        assert!(rows.iter().all(|row| row.frame == frame(row.frame.sequence)));
        assert_eq!(store.catalogue().verify_chain("oak").unwrap().broken, None);
    }
    assert!(acknowledged.is_some(), "no round lived long enough to acknowledge anything");
}
