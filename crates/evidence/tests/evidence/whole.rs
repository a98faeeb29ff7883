//! What a bag is when nobody has touched it.

use std::fs;

use foldwatch_evidence::{Digest, Entry, Keys, LeaveOut, Request, Revision, Signer, tag_manifest, verify};

use crate::{Again, bench, files, made, request, verified, zip};

#[test]
fn a_bag_holds_as_folder_and_as_zip() {
    for place in [bench().bag.as_path(), zip()] {
        let done = verified(place).unwrap();
        assert!(done.holds(), "{done:?}");
        assert_eq!(done.signer, Signer::TheKey);
        let replayed = done.replayed.unwrap();
        assert_eq!(replayed.cycles, 2);
        assert!(replayed.findings > 0 && replayed.rows > 1000, "{replayed:?}");
    }
    assert_eq!(tag_manifest(&bench().bag).unwrap(), tag_manifest(zip()).unwrap());
}

#[test]
fn the_same_input_gives_the_same_bytes() {
    let dir = tempfile::tempdir().unwrap();
    let keys = Keys::open(&bench().keys).unwrap();
    made(&dir.path().join("again"), &request(), &keys, 1).unwrap();
    made(&dir.path().join("again.zip"), &request(), &keys, 1).unwrap();
    let (first, again) = (&bench().bag, dir.path().join("again"));
    assert_eq!(files(first), files(&again));
    for name in files(first) {
        assert!(fs::read(first.join(&name)).unwrap() == fs::read(again.join(&name)).unwrap(), "{name}");
    }
    assert!(fs::read(zip()).unwrap() == fs::read(dir.path().join("again.zip")).unwrap());
}

#[test]
fn several_logs_are_judged_in_turn_and_again_the_same() {
    let dir = tempfile::tempdir().unwrap();
    let keys = Keys::open(&bench().keys).unwrap();
    let bag = dir.path().join("two");
    assert_eq!(made(&bag, &request(), &keys, 2).unwrap().cycles, 4);
    let done = verified(&bag).unwrap();
    assert!(done.holds(), "{done:?}");
}

#[test]
fn what_is_left_out_is_nowhere_and_is_said() {
    let dir = tempfile::tempdir().unwrap();
    let keys = Keys::open(&bench().keys).unwrap();
    let bag = dir.path().join("bag");
    let mut request = request();
    request.entries = vec![Entry {
        kind: "service".into(),
        author: "J. Doe".into(),
        subject: "new seals".into(),
        ..Entry::default()
    }];
    request.leave_out = vec![LeaveOut::Owner];
    made(&bag, &request, &keys, 1).unwrap();
    for name in files(&bag).iter().filter(|name| !name.ends_with(".pdf")) {
        let text = String::from_utf8_lossy(&fs::read(bag.join(name)).unwrap()).into_owned();
        for word in ["The blue one", "J. Doe", "four-cycles-0"] {
            assert!(!text.contains(word), "{word} in {name}");
        }
    }
    assert!(fs::read_to_string(bag.join("bag-info.txt")).unwrap().contains("Left-Out: owner"));
    assert!(bag.join("data/service.csv").exists());
    assert!(!bag.join("data/recorded").exists(), "originals carry names");
    let done = verified(&bag).unwrap();
    assert!(done.holds() && done.notes.iter().any(|note| note.contains("left out: owner")));
}

#[test]
fn a_correction_names_what_it_corrects() {
    let dir = tempfile::tempdir().unwrap();
    let keys = Keys::open(&bench().keys).unwrap();
    let mut request = request();
    let old = tag_manifest(&bench().bag).unwrap();
    request.revises = Some(old);
    let bag = dir.path().join("bag");
    made(&bag, &request, &keys, 1).unwrap();
    assert_ne!(tag_manifest(&bag).unwrap(), old);
    let done = verified(&bag).unwrap();
    assert!(done.holds() && done.notes.iter().any(|note| note.contains(&old.to_string())));
    assert!(made(&bag, &request, &keys, 1).unwrap_err().to_string().contains("never written over"));
}

#[test]
fn an_older_key_vouches_for_its_successor_and_not_the_other_way_round() {
    let dir = tempfile::tempdir().unwrap();
    let mut keys = Keys::open(&dir.path().join("keys")).unwrap();
    let first = keys.public();
    let early = dir.path().join("early");
    made(&early, &request(), &keys, 1).unwrap();
    keys.rotate("2026-06-01T00:00:00Z").unwrap();
    let late = dir.path().join("late");
    made(&late, &request(), &keys, 1).unwrap();
    assert_eq!(verify(&late, &keys.public(), &[], &Again).unwrap().signer, Signer::TheKey);
    let by_old = verify(&late, &first, &[], &Again).unwrap();
    assert!(by_old.holds() && by_old.signer == Signer::Successor(1), "{by_old:?}");
    assert!(!verify(&early, &keys.public(), &[], &Again).unwrap().holds());
    assert!(verify(&early, &first, &[], &Again).unwrap().holds());
}

#[test]
fn the_samples_are_what_the_originals_give() {
    for place in [bench().bag.as_path(), zip()] {
        let done = verified(place).unwrap();
        assert_eq!(done.bound, done.replayed.as_ref().map(|replayed| replayed.rows), "{done:?}");
    }
}

#[test]
fn the_logs_can_be_held_against_the_chain() {
    let dir = tempfile::tempdir().unwrap();
    let (log, other) = (dir.path().join("log"), dir.path().join("other"));
    let mut bytes = crate::log_bytes();
    fs::write(&log, &bytes).unwrap();
    bytes[100] ^= 1;
    fs::write(&other, &bytes).unwrap();
    let against =
        |bag: &std::path::Path, log: &std::path::Path| verify(bag, &bench().key, &[log.to_owned()], &Again);
    assert!(against(&bench().bag, &log).unwrap().holds());
    let done = against(&bench().bag, &other).unwrap();
    assert!(done.faults[0].to_string().contains("log 1, bytes 0 to"), "{:?}", done.faults);
    // Where the bag goes without them it is the log that the samples are held against.
    let keys = Keys::open(&bench().keys).unwrap();
    let bag = dir.path().join("bag");
    made(&bag, &Request { leave_out: vec![LeaveOut::Originals], ..request() }, &keys, 1).unwrap();
    let alone = verified(&bag).unwrap();
    assert!(alone.holds() && alone.bound.is_none(), "{alone:?}");
    assert!(alone.notes.iter().any(|note| note.contains("the originals are not in the bag")), "{alone:?}");
    assert!(against(&bag, &log).unwrap().bound.is_some());
    assert!(!against(&bag, &other).unwrap().holds());
}

#[test]
fn corrections_are_additions_that_name_what_they_correct() {
    let dir = tempfile::tempdir().unwrap();
    let keys = Keys::open(&bench().keys).unwrap();
    let bag = dir.path().join("bag");
    let revision = |number, text: &str| Revision {
        of: "profile",
        id: "hardtop-five".into(),
        number,
        recorded: Default::default(),
        text: text.into(),
    };
    let note = |number, subject: &str, corrects| Entry {
        number: Some(number),
        kind: "note".into(),
        subject: subject.into(),
        corrects,
        ..Entry::default()
    };
    let request = Request {
        revisions: vec![revision(1, "before"), revision(2, crate::PROFILE)],
        entries: vec![note(3, "left ram weeps", None), note(4, "the right one", Some(3))],
        ..request()
    };
    made(&bag, &request, &keys, 1).unwrap();
    assert!(verified(&bag).unwrap().holds());
    let read = |name: &str| fs::read_to_string(bag.join("data").join(name)).unwrap();
    let revisions = read("revisions.csv");
    let before = Digest::of(b"before");
    assert!(revisions.contains(&format!(
        "{},{before},revisions/profile-0002.toml",
        Digest::of(crate::PROFILE.as_bytes())
    )));
    assert_eq!(read("revisions/profile-0001.toml"), "before", "the one before is still there");
    let service = read("service.csv");
    assert!(
        service.contains("left ram weeps") && service.lines().last().unwrap().ends_with("the right one,,,3"),
        "{service}"
    );
}

#[test]
fn every_file_is_in_a_manifest_with_its_digest() {
    let bag = &bench().bag;
    let listed = |name: &str| fs::read_to_string(bag.join(name)).unwrap();
    let all = listed("manifest-sha256.txt") + &listed("tagmanifest-sha256.txt");
    for name in files(bag).iter().filter(|name| !name.starts_with("tagmanifest")) {
        let digest = Digest::of(&fs::read(bag.join(name)).unwrap());
        assert!(all.contains(&format!("{digest}  {name}\n")), "{name}");
    }
}
