//! What a bag is when nobody has touched it.

use std::fs;

use foldwatch_evidence::{Digest, Keys, LeaveOut, Signer, tag_manifest, verify};

use crate::{bench, files, made, request, verified};

#[test]
fn a_bag_holds_as_folder_and_as_zip() {
    for place in [&bench().bag, &bench().zip] {
        let done = verified(place).unwrap();
        assert!(done.holds(), "{done:?}");
        assert_eq!(done.signer, Signer::TheKey);
        let replayed = done.replayed.unwrap();
        assert_eq!(replayed.cycles, 2);
        assert!(replayed.findings > 0 && replayed.rows > 1000, "{replayed:?}");
    }
    assert_eq!(tag_manifest(&bench().bag).unwrap(), tag_manifest(&bench().zip).unwrap());
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
    assert!(fs::read(&bench().zip).unwrap() == fs::read(dir.path().join("again.zip")).unwrap());
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
    request.entries = vec![foldwatch_evidence::Entry {
        at: Default::default(),
        kind: "service".into(),
        author: "J. Doe".into(),
        subject: "new seals".into(),
        result: String::new(),
        text: String::new(),
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
    assert_eq!(verify(&late, &keys.public(), &mut []).unwrap().signer, Signer::TheKey);
    let by_old = verify(&late, &first, &mut []).unwrap();
    assert!(by_old.holds() && by_old.signer == Signer::Successor(1), "{by_old:?}");
    assert!(!verify(&early, &keys.public(), &mut []).unwrap().holds());
    assert!(verify(&early, &first, &mut []).unwrap().holds());
}

#[test]
fn the_logs_can_be_held_against_the_chain() {
    let log = || Box::new(crate::LOG) as Box<dyn std::io::Read>;
    let done = verify(&bench().bag, &bench().key, &mut [log()]).unwrap();
    assert!(done.holds(), "{done:?}");
    let mut other = crate::LOG.to_vec();
    other[100] ^= 1;
    let other: Box<dyn std::io::Read> = Box::new(std::io::Cursor::new(other));
    let done = verify(&bench().bag, &bench().key, &mut [other]).unwrap();
    assert!(done.faults[0].to_string().contains("log 1, bytes 0 to"), "{:?}", done.faults);
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
