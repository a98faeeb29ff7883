//! Killed at random moments: nothing acknowledged is lost, nothing is there twice.

use std::io::{BufRead, BufReader};
use std::process::{Command, Stdio};
use std::time::Duration;

use foldwatch_store::*;

use crate::{frame, with_car};

const CHILD: &str = "FOLDWATCH_STORE_TEST_CHILD";
/// How many kills; 20 where it is not set.
const KILLS: &str = "FOLDWATCH_STORE_TEST_KILLS";

/// Not a test of its own: the process that gets killed. It appends without end, as a logger that goes on where the
/// acknowledgement stood and repeats a little, and prints what is durable once `append` has said so. Now and then it
/// seals what the journal holds.
#[test]
fn child_that_appends() {
    let Some(folder) = std::env::var_os(CHILD) else { return };
    let mut store = with_car(folder.as_ref());
    let mut next = store.catalogue().held("L", 1).unwrap().held.highest().map_or(0, |last| last + 1);
    for (batch, size) in (1..40).cycle().enumerate() {
        let first = next.saturating_sub(3);
        let durable = store.append(&(first..next + size).map(frame).collect::<Vec<_>>()).unwrap();
        println!("durable {}", durable[0].up_to);
        next += size;
        #[cfg(feature = "archive")]
        if batch % 8 == 7 {
            sealing::seal_all(&mut store).unwrap();
        }
        let _ = batch;
    }
}

#[cfg(feature = "archive")]
pub(crate) mod sealing {
    use foldwatch_store::*;
    use foldwatch_units::Micros;

    /// One row a frame, all of one day.
    pub fn seal_all(store: &mut SqliteStore) -> Result<(), StoreError> {
        let journal = store.catalogue().journal(Some("oak"), Position(0), u32::MAX)?;
        let Some(last) = journal.last() else { return Ok(()) };
        let column = SampleColumn { name: "sequence".into(), unit: "1".into(), binary: false };
        let mut rows = Samples::new([column].into());
        for row in &journal {
            let sequence = row.frame.sequence;
            rows.times.push(Micros(sequence as i64));
            rows.sources.push(Source { logger: "L".into(), boot: 1, sequence });
            rows.values[0].push(sequence as f32);
        }
        let seal = Seal {
            car: "oak".into(),
            day: Day::of(Micros(0)).unwrap(),
            columns: rows.columns.clone(),
            through: last.position,
            at: Micros(9),
        };
        store.seal(&seal, &mut std::iter::once(Ok(rows)))?;
        Ok(())
    }

    pub fn archived(store: &SqliteStore) -> Vec<u64> {
        let batches = store.catalogue().samples("oak", Span::ALL).unwrap().map(Result::unwrap);
        batches.flat_map(|batch| batch.sources).map(|source| source.sequence).collect()
    }
}

#[test]
fn kill_9_loses_nothing_acknowledged_and_doubles_nothing() {
    let kills = std::env::var(KILLS).map_or(20, |kills| kills.parse().unwrap());
    let dir = tempfile::tempdir().unwrap();
    let mut acknowledged = None;
    for round in 0..kills {
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
        std::thread::sleep(Duration::from_micros(3_000 + round * 7_919 % 197_000));
        child.kill().unwrap(); // SIGKILL
        child.wait().unwrap();
        acknowledged = reader.join().unwrap().max(acknowledged);

        let store = SqliteStore::open(dir.path()).unwrap();
        let rows = store.catalogue().journal(None, Position(0), u32::MAX).unwrap();
        assert!(rows.iter().all(|row| row.frame == frame(row.frame.sequence)));
        #[cfg(feature = "archive")]
        let mut sequences = sealing::archived(&store);
        #[cfg(not(feature = "archive"))]
        let mut sequences = Vec::new();
        sequences.extend(rows.iter().map(|row| row.frame.sequence));
        assert_eq!(sequences, (0..sequences.len() as u64).collect::<Vec<_>>(), "round {round}");
        assert!(
            sequences.last().copied() >= acknowledged,
            "round {round}: {acknowledged:?} was acknowledged"
        );
        assert_eq!(store.catalogue().verify_chain("oak").unwrap().broken, None);
    }
    println!("{kills} kills, {acknowledged:?} acknowledged");
    assert!(acknowledged.is_some(), "no round lived long enough to acknowledge anything");
}
