//! The daemon killed at random moments while a logger drains its backlog.

use std::time::{Duration, Instant};

use foldwatch_collect::{Player, play};
use foldwatch_encoder::Encoding;
use rand::{Rng, SeedableRng};
use rand_pcg::Pcg64Mcg;

use crate::daemon::{Daemon, frames, line, run, top, wait};

const KILLS: u32 = 50;

#[test]
fn killed_50_times_while_a_backlog_is_taken_over_nothing_is_lost_and_nothing_double() {
    let log = top().join("sample-logs/packed/four-cycles.bin.gz");
    let log = log.to_str().unwrap();
    let data = tempfile::tempdir().unwrap();
    let folder = data.path().to_str().unwrap();
    let (mut master, _slave, name) = line();
    let recorded = frames(log.as_ref());
    let share = recorded.len() / (KILLS as usize + 4);
    let mut player = Player::new(Encoding::Packed, recorded);
    let mut rng = Pcg64Mcg::seed_from_u64(0x5EED);
    let mut starts = Vec::new();
    for kill in 0..KILLS {
        let daemon = Daemon::start(data.path(), &name, "oak", "hardtop-five");
        // At a random moment after this start's share came through, so that all are within the backlog.
        let enough = player.progress().acknowledged + rng.random_range(0..2 * share);
        let until = Instant::now() + Duration::from_secs(30);
        let mut moment = None;
        play(&mut player, &mut master, &mut |player| {
            let progress = player.progress();
            assert!(Instant::now() < until, "nothing comes through: {progress:?}");
            let late = rng.random_range(0..8);
            if progress.acknowledged >= enough {
                moment.get_or_insert(Instant::now() + Duration::from_millis(late));
            }
            !player.is_done() && moment.is_none_or(|moment| Instant::now() < moment)
        })
        .unwrap();
        daemon.kill();
        starts.push((kill, player.progress().acknowledged));
    }
    assert!(!player.is_done(), "all was over before the last kill: {starts:?}");

    let daemon = Daemon::start(data.path(), &name, "oak", "hardtop-five");
    play(&mut player, &mut master, &mut |player| !player.is_done()).unwrap();
    let cycles = run(&["export", log, "--profile", "hardtop-five", "--table", "cycles"]);
    wait("the last cycle", || {
        run(&["export", "--data", folder, "--car", "oak", "--table", "cycles"]).lines().count()
            == cycles.lines().count()
    });
    // Each sample once, and the verdict of the file.
    for table in ["samples", "cycles", "phases", "findings", "measures"] {
        wait(table, || {
            let of_file = run(&["export", log, "--profile", "hardtop-five", "--table", table]);
            let of_store = run(&["export", "--data", folder, "--car", "oak", "--table", table]);
            if of_file == of_store {
                return true;
            }
            let differ = of_file.lines().zip(of_store.lines()).find(|(a, b)| a != b);
            eprintln!(
                "{table}: {} and {} lines, {differ:?}",
                of_file.lines().count(),
                of_store.lines().count()
            );
            false
        });
    }
    assert!(daemon.get("/health").starts_with("HTTP/1.1 200"));
}
