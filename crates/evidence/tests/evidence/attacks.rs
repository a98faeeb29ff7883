//! A bag in the hands of somebody who can compute digests: manifests made anew, signed with another key or with the
//! tester's own.

use std::fs;
use std::path::Path;

use ed25519_dalek::pkcs8::DecodePrivateKey;
use ed25519_dalek::{Signer, SigningKey};
use foldwatch_evidence::{Digest, Keys};

use crate::{bench, copy, files, trouble};

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
