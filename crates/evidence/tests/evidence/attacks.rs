//! A bag in the hands of somebody who can compute digests: manifests made anew, signed with another key or with the
//! tester's own.

use std::fs;
use std::path::Path;

use ed25519_dalek::pkcs8::DecodePrivateKey;
use ed25519_dalek::{Signer, SigningKey};
use foldwatch_evidence::{Digest, Entry, Keys, Request, Revision};

use crate::{PROFILE, bench, copy, copy_of, files, made, request, trouble};

/// All digests computed anew, and signed with the key of a folder.
pub(crate) fn sign_anew(bag: &Path, keys: &Path) {
    let all = files(bag);
    let line = |name: &String| format!("{}  {name}\n", Digest::of(&fs::read(bag.join(name)).unwrap()));
    let payload: Vec<&String> = all.iter().filter(|name| name.starts_with("data/")).collect();
    fs::write(bag.join("manifest-sha256.txt"), payload.iter().map(|name| line(name)).collect::<String>())
        .unwrap();
    let mut blocks = String::new();
    let mut bytes = 0;
    for name in &payload {
        let own = fs::read(bag.join(name)).unwrap();
        bytes += own.len();
        for (n, block) in own.chunks(65_536).enumerate() {
            let first = n * 65_536;
            blocks.push_str(&format!("{}  {first}-{}  {name}\n", Digest::of(block), first + block.len() - 1));
        }
    }
    fs::write(bag.join("blocks-sha256.txt"), blocks).unwrap();
    let info = fs::read_to_string(bag.join("bag-info.txt")).unwrap();
    let info: String = info
        .lines()
        .map(|line| match line.starts_with("Payload-Oxum") {
            true => format!("Payload-Oxum: {bytes}.{}\n", payload.len()),
            false => format!("{line}\n"),
        })
        .collect();
    fs::write(bag.join("bag-info.txt"), info).unwrap();
    fs::copy(keys.join("public.pem"), bag.join("keys/signer.pem")).unwrap();
    let tags: String = files(bag)
        .iter()
        .filter(|n| !n.starts_with("data/") && !n.starts_with("tagmanifest"))
        .map(line)
        .collect();
    let key = SigningKey::from_pkcs8_pem(&fs::read_to_string(keys.join("signing.pem")).unwrap()).unwrap();
    fs::write(bag.join("tagmanifest-sha256.txt"), &tags).unwrap();
    fs::write(bag.join("tagmanifest-sha256.txt.sig"), key.sign(tags.as_bytes()).to_bytes()).unwrap();
}

pub(crate) fn edit(bag: &Path, name: &str, change: impl Fn(&str) -> String) {
    let text = fs::read_to_string(bag.join(name)).unwrap();
    let changed = change(&text);
    assert!(text != changed, "the attack changes something");
    fs::write(bag.join(name), changed).unwrap();
}

/// The recording's clock is mapped to UTC an hour late.
fn dated_anew(bag: &Path) {
    let path = bag.join("data/provenance.json");
    let mut all: serde_json::Value = serde_json::from_str(&fs::read_to_string(&path).unwrap()).unwrap();
    let piece = &mut all["recordings"][0]["timeline"]["pieces"][0];
    let from = piece["from"].as_i64().unwrap();
    piece["line"] = serde_json::json!({
        "logger": from, "utc": from + 3_600_000_000, "drift_ppm": 0.0, "u_drift_ppm": 1.0, "residual": 0.001, "count": 3,
    });
    fs::write(&path, serde_json::to_vec_pretty(&all).unwrap()).unwrap();
}

#[test]
fn signed_anew_without_a_change_it_holds() {
    let (_dir, bag) = copy();
    sign_anew(&bag, &bench().keys);
    assert!(crate::verified(&bag).unwrap().holds(), "else the attacks below show nothing");
}

#[test]
fn altered_and_signed_with_another_key() {
    let other = tempfile::tempdir().unwrap();
    Keys::open(other.path()).unwrap();
    let (_dir, bag) = copy();
    edit(&bag, "data/findings.csv", |text| text.lines().next().unwrap().to_owned() + "\r\n");
    sign_anew(&bag, other.path());
    assert!(trouble(&bag).contains("signed by another key"));
}

/// What the tester alone could do: every digest and the signature are right, but the parts no longer fit one another.
#[test]
fn with_the_right_key_the_parts_still_have_to_fit() {
    let attack = |name: &str, change: &dyn Fn(&str) -> String| {
        let (_dir, bag) = copy();
        edit(&bag, name, change);
        sign_anew(&bag, &bench().keys);
        trouble(&bag)
    };
    // One number of one row, where nothing is judged: no finding depends on it, the originals do not give it.
    let told = attack("data/samples.csv", &|text| {
        let mut lines: Vec<String> = text.split_inclusive("\r\n").map(str::to_owned).collect();
        let last = lines.pop().unwrap();
        let number = last.rfind(|c: char| c.is_ascii_digit() && c != '9').unwrap();
        lines.push(format!("{}9{}", &last[..number], &last[number + 1..]));
        lines.concat()
    });
    assert!(
        told.contains("samples.csv: not what was recorded: line ") && !told.contains("the samples give"),
        "{told}"
    );
    // A row taken out, and one put in twice.
    for times in [0, 2] {
        let told = attack("data/samples.csv", &|text| {
            let lines: Vec<&str> = text.split_inclusive("\r\n").collect();
            let at = lines.len() - 3;
            [&lines[..at], &[lines[at]].repeat(times)[..], &lines[at + 1..]].concat().concat()
        });
        assert!(told.contains("samples.csv: not what was recorded: "), "{told}");
    }
    // A finding taken away.
    let told = attack("data/findings.csv", &|text| {
        let mut lines: Vec<&str> = text.split_inclusive("\r\n").collect();
        lines.remove(1);
        lines.concat()
    });
    assert!(told.contains("findings.csv, ") && told.contains("the samples give"), "{told}");
    // Samples taken away, and put in another order.
    let told = attack("data/samples.csv", &|text| {
        let lines: Vec<&str> = text.split_inclusive("\r\n").collect();
        let half = lines.len() / 2;
        lines[..half].concat()
    });
    assert!(told.contains("the samples give"), "trimmed: {told}");
    let told = attack("data/samples.csv", &|text| {
        let mut lines: Vec<&str> = text.split_inclusive("\r\n").collect();
        let half = lines.len() / 2;
        lines[half..half + 400].reverse();
        lines.concat()
    });
    assert!(told.contains("the samples give"), "reordered: {told}");
    // Dated anew: in the samples alone.
    let told = attack("data/samples.csv", &|text| text.replace("2025-06", "2024-06"));
    assert!(told.contains("time_utc is not log_us"), "{told}");
    // Another calibration or another limit.
    let told = attack("data/profile.toml", &|text| text.replace("run_on_s = 1.0", "run_on_s = 9.0"));
    assert!(told.contains("findings.csv, ") && told.contains("the samples give"), "{told}");
    // All of it dated anew, in samples and clock alike: the original keeps its own clock.
    let told = {
        let (_dir, bag) = copy();
        dated_anew(&bag);
        sign_anew(&bag, &bench().keys);
        trouble(&bag)
    };
    assert!(told.contains("dated anew?"), "{told}");
    // A sensor said to be surer than its calibration was.
    let told = attack("data/profile.toml", &|text| text.replace("u = 1.2", "u = 0.1"));
    assert!(told.contains("measures.csv, line ") && told.contains("the samples give"), "{told}");
    // Another original in place of the one on the chain.
    let (_dir, bag) = copy();
    let path = bag.join("data/recorded/1.bin");
    let mut bytes = fs::read(&path).unwrap();
    bytes.truncate(bytes.len() - 1000);
    fs::write(&path, bytes).unwrap();
    sign_anew(&bag, &bench().keys);
    let told = trouble(&bag);
    assert!(told.contains("chain.csv: log 1, bytes "), "{told}");
    // The chain's end cut off.
    let told = attack("data/chain.csv", &|text| {
        let lines: Vec<&str> = text.split_inclusive("\r\n").collect();
        lines[..lines.len() - 1].concat()
    });
    assert!(told.contains("chain.csv: log 1: goes on after the end"), "{told}");
}

/// What people read, and what stands beside the samples, is bound to them, too.
#[test]
fn with_the_right_key_report_and_small_files_have_to_follow_from_the_rest() {
    let dir = tempfile::tempdir().unwrap();
    let keys = Keys::open(&bench().keys).unwrap();
    let wording = |number, text: &str| Revision {
        of: "profile",
        id: "hardtop-five".into(),
        number,
        recorded: Default::default(),
        text: text.into(),
    };
    let request = Request {
        entries: vec![Entry {
            number: Some(1),
            kind: "note".into(),
            subject: "left ram weeps".into(),
            ..Entry::default()
        }],
        revisions: vec![wording(1, "before"), wording(2, PROFILE)],
        commissioning: Some(("txt".into(), b"all contacts by hand".to_vec())),
        remarks: vec!["cycles 1 to 2 were chosen".into()],
        settings: vec!["cycles 1-2".into()],
        ..request()
    };
    let whole = dir.path().join("whole");
    made(&whole, &request, &keys, 1).unwrap();
    let done = crate::verified(&whole).unwrap();
    assert!(done.holds() && done.replayed.unwrap().report, "else the attacks below show nothing");
    let attacked = |change: &dyn Fn(&Path)| {
        let (_dir, bag) = copy_of(&whole);
        change(&bag);
        sign_anew(&bag, &bench().keys);
        trouble(&bag)
    };
    // Another report: that of another car, and its own with one byte otherwise.
    let other = dir.path().join("other");
    made(&other, &Request { subject: "car-8".into(), ..request.clone() }, &keys, 1).unwrap();
    let other = fs::read(other.join("data/report.pdf")).unwrap();
    let mut own = fs::read(whole.join("data/report.pdf")).unwrap();
    let middle = own.len() / 2;
    own[middle] ^= 1;
    for bytes in [other, own] {
        let told = attacked(&|bag| fs::write(bag.join("data/report.pdf"), &bytes).unwrap());
        assert_eq!(told, "report.pdf: not the report that samples, tables and record of this bag give");
    }
    // Several at a time: each is told.
    let gap = "why\r\n1,2025-06-02T00:00:00.000000Z,2025-06-02T00:01:00.000000Z,60,rows-stop\r\n";
    let together: [&[(&str, &str, &str, &str)]; 3] = [
        &[
            // A sensor that seems to have been calibrated later; a gap that never was; a unit; another choice of cycles.
            (
                "data/calibration.csv",
                "2025-03-14",
                "2025-06-01",
                "calibration.csv, line 18: the rest of the bag gives",
            ),
            (
                "data/stretches.csv",
                "why\r\n",
                gap,
                "stretches.csv, line 2: the rest of the bag gives nothing there",
            ),
            ("data/datapackage.json", "\"unit\": \"bar\"", "\"unit\": \"psi\"", "datapackage.json, line "),
            ("data/provenance.json", "\"cycles 1-2\"", "\"all\"", "settings_sha256 is not that of"),
            ("data/revisions/profile-0001.toml", "before", "after", "revisions.csv, line 2"),
            ("data/service.csv", "weeps", "is dry", "report.pdf: not the report"),
            ("bag-info.txt", "car-7", "car-8", "bag-info.txt, line 3"),
        ],
        &[
            ("data/provenance.json", "\"rows\": ", "\"rows\": 1", "provenance.json: rows, times or clock"),
            ("data/provenance.json", "\"checked\": true", "\"checked\": false", "stretches.csv, line 2"),
            ("data/provenance.json", "\"made_at\": \"2025", "\"made_at\": \"2024", "bag-info.txt, line 2"),
            ("data/commissioning.txt", "all contacts", "some contacts", "report.pdf: not the report"),
        ],
        &[("data/provenance.json", "cycles 1 to 2 were chosen", "all cycles", "report.pdf: not the report")],
    ];
    for attacks in together {
        let told = attacked(&|bag| {
            attacks.iter().for_each(|(name, from, to, _)| edit(bag, name, |text| text.replacen(from, to, 1)));
        });
        for (name, _, _, says) in attacks {
            assert!(told.contains(says), "{name}: {told}");
        }
    }
    // All of it said to be older than what was recorded.
    let told = attacked(&|bag| {
        edit(bag, "data/provenance.json", |text| text.replace("\"made_at\": \"2025", "\"made_at\": \"2024"));
        edit(bag, "bag-info.txt", |text| text.replace("Bagging-Date: 2025", "Bagging-Date: 2024"));
    });
    assert!(told.contains("made_at is before the last thing in the bag"), "{told}");
    let older = Request { at: Some(Default::default()), ..request.clone() };
    let refused = made(&dir.path().join("older"), &older, &keys, 1).unwrap_err().to_string();
    assert!(
        refused.starts_with("evidence of 1970-01-01T00:00:00.000000Z can't hold what is of 2025-06-02"),
        "{refused}"
    );
    // A wording taken out, with its file.
    let told = attacked(&|bag| {
        fs::remove_file(bag.join("data/revisions/profile-0001.toml")).unwrap();
        edit(bag, "data/revisions.csv", |text| {
            text.split_inclusive('\n').enumerate().filter(|(n, _)| *n != 1).map(|(_, line)| line).collect()
        });
    });
    assert!(told.contains("a wording before number 2 of `hardtop-five` is gone"), "{told}");
    // Judged by another wording than the last one.
    let told = attacked(&|bag| edit(bag, "data/profile.toml", |text| format!("{text}\n# looser\n")));
    assert!(told.contains("profile.toml is not the last wording"), "{told}");
    // A file taken out that follows from the profile, and one put in that follows from nothing.
    let told = attacked(&|bag| {
        fs::rename(bag.join("data/calibration.csv"), bag.join("data/calibration-2.csv")).unwrap();
    });
    for says in
        ["calibration.csv: not there, although", "data/calibration-2.csv: nothing in this bag gives it"]
    {
        assert!(told.contains(says), "{told}");
    }
    // A table that no longer is one.
    let told = attacked(&|bag| edit(bag, "data/service.csv", |text| text.replace("note,", "")));
    assert!(told.contains("service.csv, row 1: not as this version writes it"), "{told}");
}

#[test]
fn a_version_that_did_not_say_what_its_report_is_made_of_is_told() {
    let (_dir, bag) = copy();
    edit(&bag, "data/provenance.json", |text| text.replace("\"paper\": \"a4\"", "\"paper\": null"));
    sign_anew(&bag, &bench().keys);
    let done = crate::verified(&bag).unwrap();
    assert!(done.holds() && done.notes.iter().any(|note| note.contains("can't be set anew")), "{done:?}");
}
