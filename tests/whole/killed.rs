//! The daemon killed at random moments while a logger drains its backlog.

use std::time::{Duration, Instant};

use foldwatch_collect::{Player, play};
use foldwatch_encoder::Encoding;
use rand::{Rng, SeedableRng};
use rand_pcg::Pcg64Mcg;

use crate::daemon::{Daemon, frames, line, run, top, wait};

/// How many kills; 50 where it is not set.
const KILLS: &str = "FOLDWATCH_TEST_KILLS";

#[test]
fn killed_at_random_moments_while_a_backlog_is_taken_over_nothing_is_lost_and_nothing_double() {
    let kills: usize = std::env::var(KILLS).map_or(50, |kills| kills.parse().unwrap());
    let log = top().join("sample-logs/packed/four-cycles.bin.gz");
    let log = log.to_str().unwrap();
    let data = tempfile::tempdir().unwrap();
    let folder = data.path().to_str().unwrap();
    let (mut master, _slave, name) = line();
    // What the logger has recorded so far grows from start to start, so that there is a backlog at every kill.
    let mut recorded = frames(log.as_ref()).into_iter();
    // More kills than frames: at the later ones the logger has nothing more to say.
    let share = (recorded.len() / kills).max(1);
    let mut player = Player::new(Encoding::Packed, []);
    let mut rng = Pcg64Mcg::seed_from_u64(0x5EED);
    let mut starts = Vec::new();
    for _ in 0..kills {
        for (id, raw) in recorded.by_ref().take(share) {
            player.add(id, raw);
        }
        let before = player.progress().acknowledged;
        let mut daemon = Daemon::spawn(data.path(), &name, "oak", "hardtop-five");
        // Sometimes while it starts, sometimes while it takes over, sometimes after.
        let moment = Instant::now() + Duration::from_millis(rng.random_range(20..700));
        play(&mut player, &mut master, &mut |_| Instant::now() < moment).unwrap();
        daemon.kill().unwrap();
        daemon.wait().unwrap();
        starts.push(player.progress().acknowledged - before);
    }
    let of_use = starts.iter().filter(|new| **new > 0).count();
    println!("{kills} kills, {of_use} of them after something was acknowledged");
    assert!(of_use > 5, "the daemon was killed before it took anything over: {starts:?}");

    let daemon = Daemon::start(data.path(), &name, "oak", "hardtop-five");
    for (id, raw) in recorded {
        player.add(id, raw);
    }
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
