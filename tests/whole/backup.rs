//! A copy is made while the daemon runs, is read through, and is served from.

use std::fs;
use std::process::Command;

use foldwatch_collect::{Player, play};
use foldwatch_encoder::Encoding;

use crate::daemon::{Daemon, FOLDWATCH, frames, line, run, top, wait};

#[test]
fn what_is_copied_while_it_runs_is_whole_and_goes_on() {
    let room = tempfile::tempdir().unwrap();
    let text = |name: &str| room.path().join(name).to_str().unwrap().to_owned();
    let (data, copy) = (text("data"), text("copy"));
    let (mut master, _slave, name) = line();
    let daemon = Daemon::start(data.as_ref(), &name, "oak", "hardtop-five");
    let log = top().join("sample-logs/packed/four-cycles.bin.gz");
    let mut player = Player::new(Encoding::Packed, frames(&log));
    play(&mut player, &mut master, &mut |player| !player.is_done()).unwrap();
    let cycles = |folder: &str| run(&["export", "--data", folder, "--car", "oak", "--table", "cycles"]);
    wait("four cycles", || cycles(&data).lines().count() == 5);
    run(&["access", "token", "wall", "--role", "look", "--data", &data]);

    let said = run(&["backup", "make", "--data", &data, &copy]);
    assert!(said.contains("cars: 1, cycles: 4"), "{said}");
    assert_eq!(cycles(&copy), cycles(&data));
    assert!(!room.path().join("copy/owner-password").exists());
    assert!(run(&["access", "list", "--data", &copy]).contains("wall"));
    let again = Command::new(FOLDWATCH).args(["backup", "make", "--data", &data, &copy]).output().unwrap();
    assert!(!again.status.success() && String::from_utf8_lossy(&again.stderr).contains("a new name"));
    drop(daemon);

    // The copy goes on where the folder was.
    let daemon = Daemon::start(copy.as_ref(), &name, "oak", "hardtop-five");
    assert!(daemon.get("/api/v1/cars").contains("\"oak\""));
    drop(daemon);

    // One that was damaged is told, and so is a folder that is none.
    run(&["backup", "check", &copy]);
    let catalogue = room.path().join("copy/catalogue.sqlite");
    let mut bytes = fs::read(&catalogue).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle..middle + 4096].fill(0xA5);
    fs::write(&catalogue, bytes).unwrap();
    for folder in [copy.as_str(), room.path().to_str().unwrap()] {
        let done = Command::new(FOLDWATCH).args(["backup", "check", folder]).output().unwrap();
        assert_eq!(done.status.code(), Some(1), "{folder}: {}", String::from_utf8_lossy(&done.stdout));
    }
}
