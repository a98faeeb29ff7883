//! Bags that nobody honest makes, and ones that suffered on the way: a clear answer for each.

use std::fs::{self, File};
use std::io::{Cursor, Write};
use std::path::Path;

use foldwatch_evidence::{Keys, PublicKey, verify, verify_files};
use proptest::prelude::*;
use zip::write::SimpleFileOptions;
use zip::{ZipArchive, ZipWriter};

use crate::{Again, bench, copy, files, trouble, verified, zip};

fn put(bag: &Path, name: &str, bytes: &[u8]) {
    fs::write(bag.join(name), bytes).unwrap();
}

fn edit(bag: &Path, name: &str, change: impl Fn(String) -> String) {
    let path = bag.join(name);
    fs::write(&path, change(fs::read_to_string(&path).unwrap())).unwrap();
}

/// A zip of the bag, with some files otherwise.
fn zipped(to: &Path, change: impl Fn(&str, Vec<u8>) -> Vec<(String, Vec<u8>)>) {
    let mut zip = ZipWriter::new(File::create(to).unwrap());
    for name in files(&bench().bag) {
        for (name, bytes) in change(&name, fs::read(bench().bag.join(&name)).unwrap()) {
            zip.start_file(name, SimpleFileOptions::default()).unwrap();
            zip.write_all(&bytes).unwrap();
        }
    }
    zip.finish().unwrap();
}

#[test]
fn a_file_too_many_or_too_few_is_named() {
    let (_dir, bag) = copy();
    put(&bag, "data/extra.csv", b"a,b\r\n");
    put(&bag, "extra.txt", b"hello");
    fs::remove_file(bag.join("data/phases.csv")).unwrap();
    fs::remove_file(bag.join("blocks-sha256.txt")).unwrap();
    let told = trouble(&bag);
    for name in
        ["data/extra.csv: not in", "extra.txt: not in", "data/phases.csv: gone", "blocks-sha256.txt: gone"]
    {
        assert!(told.contains(name), "{name} in {told}");
    }
}

#[test]
fn a_change_is_named_to_its_block() {
    let (_dir, bag) = copy();
    let path = bag.join("data/samples.csv");
    let mut bytes = fs::read(&path).unwrap();
    assert!(bytes.len() > 140_000);
    bytes[70_000] ^= 1;
    fs::write(&path, &bytes).unwrap();
    let done = verified(&bag).unwrap();
    assert_eq!(done.faults.len(), 1);
    assert_eq!(
        (done.faults[0].file.as_str(), done.faults[0].bytes.clone()),
        ("data/samples.csv", Some(65_536..=131_071))
    );
    bytes[70_000] ^= 1;
    bytes.extend(b"1,2\r\n");
    let end = bytes.len() as u64;
    fs::write(&path, &bytes).unwrap();
    let fault = verified(&bag).unwrap().faults.remove(0);
    assert_eq!(fault.bytes, Some(end - 5..=end - 1), "{fault}");
    bytes.truncate(131_072 + 10);
    fs::write(&path, &bytes).unwrap();
    let fault = verified(&bag).unwrap().faults.remove(0);
    assert_eq!(fault.bytes.as_ref().map(|b| *b.start()), Some(131_072), "{fault}");
}

#[test]
fn changed_line_ends_are_told_as_such() {
    let (_dir, bag) = copy();
    edit(&bag, "bag-info.txt", |text| text.replace('\n', "\r\n"));
    assert!(trouble(&bag).contains("bag-info.txt: only its line ends were changed"));
    let (_dir, bag) = copy();
    edit(&bag, "manifest-sha256.txt", |text| text.replace('\n', "\r"));
    assert_eq!(trouble(&bag).lines().count(), 1, "read all the same, and told once");
}

#[test]
fn the_wrong_key_is_told_with_both_fingerprints() {
    let dir = tempfile::tempdir().unwrap();
    let stranger = Keys::open(dir.path()).unwrap().public();
    let done = verify(&bench().bag, &stranger, &[], &Again).unwrap();
    let told = done.faults[0].to_string();
    assert!(!done.holds() && done.faults.len() == 1);
    for key in [&stranger, &bench().key] {
        assert!(told.contains(&key.fingerprint().to_string()), "{told}");
    }
}

#[test]
fn without_signature_nobody_vouches() {
    let (_dir, bag) = copy();
    fs::remove_file(bag.join("tagmanifest-sha256.txt.sig")).unwrap();
    assert!(trouble(&bag).contains("nothing says who made this"));
}

#[test]
fn newer_and_other_bags_are_told() {
    let told = |name: &str, from: &str, to: &str| {
        let (_dir, bag) = copy();
        edit(&bag, name, |text| text.replace(from, to));
        trouble(&bag)
    };
    assert!(told("bagit.txt", "1.0", "1.1").contains("a bag of version 1.1; this foldwatch reads 1.0"));
    assert!(
        told("bag-info.txt", "Evidence-Format: 2", "Evidence-Format: 3")
            .contains("made by a later foldwatch")
    );
    assert!(told("bag-info.txt", "Evidence-Format: 2", "Other: 2").contains("no evidence of foldwatch"));
    assert!(told("bagit.txt", "BagIt", "\u{feff}BagIt").contains("byte-order mark"));
    let dir = tempfile::tempdir().unwrap();
    assert!(trouble(dir.path()).contains("this is no bag"));
}

#[test]
fn names_that_lead_elsewhere_are_refused_before_anything_is_opened() {
    let dir = tempfile::tempdir().unwrap();
    for (n, name) in ["../out.txt", "/etc/cron.d/x", "data/../../x", "data\\x", "C:x"].iter().enumerate() {
        let path = dir.path().join(format!("{n}.zip"));
        zipped(&path, |own, bytes| {
            let mut all = vec![(own.to_owned(), bytes)];
            if own == "bagit.txt" {
                all.push(((*name).to_owned(), b"x".to_vec()));
            }
            all
        });
        let told = trouble(&path);
        assert!(told.contains("nothing of this bag was opened"), "{name}: {told}");
    }
    // In a manifest instead of the zip itself.
    let (_dir, bag) = copy();
    edit(&bag, "manifest-sha256.txt", |text| text.replace("data/cycles.csv", "data/../../secret"));
    assert!(trouble(&bag).contains("leads out of its folder"));
}

#[test]
fn names_that_clash_are_refused() {
    let (_dir, bag) = copy();
    put(&bag, "data/Samples.csv", b"x");
    assert!(trouble(&bag).contains("differ only in case"));
    // The writer would not put a name in twice; one that differs is patched to be the same.
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("twice.zip");
    zipped(&path, |own, bytes| match own {
        "data/cycles.csv" => vec![(own.to_owned(), bytes), ("data/cyclez.csv".into(), b"other".to_vec())],
        _ => vec![(own.to_owned(), bytes)],
    });
    let mut bytes = fs::read(&path).unwrap();
    while let Some(at) = bytes.windows(15).position(|w| w == b"data/cyclez.csv") {
        bytes[at + 10] = b's';
    }
    fs::write(&path, bytes).unwrap();
    assert!(trouble(&path).contains("in the zip twice"));
}

#[cfg(unix)]
#[test]
fn links_are_refused() {
    let (_dir, bag) = copy();
    fs::remove_file(bag.join("data/cycles.csv")).unwrap();
    std::os::unix::fs::symlink(bench().bag.join("data/cycles.csv"), bag.join("data/cycles.csv")).unwrap();
    assert!(trouble(&bag).contains("is a link"));
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("link.zip");
    let mut zip = ZipWriter::new(File::create(&path).unwrap());
    zip.add_symlink("bagit.txt", "/etc/passwd", SimpleFileOptions::default()).unwrap();
    zip.finish().unwrap();
    assert!(trouble(&path).contains("is a link"));
}

#[test]
fn a_zip_that_was_cut_off_is_told() {
    let dir = tempfile::tempdir().unwrap();
    let whole = fs::read(zip()).unwrap();
    for part in [1, 3, 5, 9] {
        let path = dir.path().join("cut.zip");
        fs::write(&path, &whole[..whole.len() * part / 10]).unwrap();
        assert!(trouble(&path).contains("cut off on its way"), "{part}");
    }
    fs::write(dir.path().join("empty.zip"), b"").unwrap();
    assert!(trouble(&dir.path().join("empty.zip")).contains("neither a folder nor a whole zip"));
}

#[test]
fn what_unpacks_without_end_is_not_followed() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("bomb.zip");
    let huge = vec![b'0'; 80 << 20];
    zipped(&path, |own, bytes| match own {
        "data/cycles.csv" | "manifest-sha256.txt" => vec![(own.to_owned(), huge.clone())],
        _ => vec![(own.to_owned(), bytes)],
    });
    assert!(fs::metadata(&path).unwrap().len() < 2 << 20);
    assert!(trouble(&path).contains("larger than 64 MiB"));
    zipped(&path, |own, bytes| match own {
        "data/cycles.csv" => vec![(own.to_owned(), huge.clone())],
        _ => vec![(own.to_owned(), bytes)],
    });
    let done = verified(&path).unwrap();
    assert_eq!(done.faults[0].file, "data/cycles.csv");
    assert!(done.bytes < 20 << 20, "the rest of it was not read");
}

#[test]
fn the_files_alone_of_a_whole_bag_and_a_zip() {
    for path in [bench().bag.as_path(), zip()] {
        let done = verify_files(path, &bench().key).unwrap();
        assert!(done.is_whole() && done.replayed.is_none(), "{done:?}");
        assert!(!done.holds(), "nothing was judged anew");
        let stranger = Keys::open(tempfile::tempdir().unwrap().path()).unwrap().public();
        assert!(!verify_files(path, &stranger).unwrap().is_whole());
    }
}

#[test]
fn a_private_key_is_no_key_to_verify_with() {
    assert!(PublicKey::read(&bench().keys.join("signing.pem")).is_err());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// Whatever byte of whatever file is another one, the bag does not hold, and that file is named; where it is a file
    /// of the payload, with a range that the byte lies in.
    #[test]
    fn no_byte_can_be_another_one(pick in any::<prop::sample::Index>(), place in any::<prop::sample::Index>(), flip in 1u8..) {
        let (_dir, bag) = copy();
        let names = files(&bag);
        let name = pick.get(&names);
        let mut bytes = fs::read(bag.join(name)).unwrap();
        let at = place.index(bytes.len());
        bytes[at] ^= flip;
        fs::write(bag.join(name), &bytes).unwrap();
        match verified(&bag) {
            // Refused as a whole: the versions are no longer legible.
            Err(error) => prop_assert!(name == "bagit.txt" || name == "bag-info.txt", "{name}: {error}"),
            Ok(done) => {
                prop_assert!(!done.holds());
                // Looking no further than the files finds the same.
                let files = verify_files(&bag, &bench().key).unwrap();
                prop_assert!(!files.is_whole());
                prop_assert_eq!(&files.faults, &done.faults);
                let own = done.faults.iter().find(|fault| fault.file == *name);
                let manifest = name.contains("manifest");
                prop_assert!(own.is_some() || manifest, "{name} byte {at}: {:?}", done.faults);
                if let (true, Some(fault)) = (name.starts_with("data/"), own) {
                    prop_assert!(fault.bytes.as_ref().unwrap().contains(&(at as u64)), "{name} byte {at}: {fault}");
                }
            }
        }
    }

    /// A zip with one byte changed is not taken for another bag: it is refused, or what is in it is still the same.
    #[test]
    fn no_byte_of_a_zip_changes_what_is_in_it_unseen(place in any::<prop::sample::Index>(), flip in 1u8..) {
        let mut bytes = fs::read(zip()).unwrap();
        let at = place.index(bytes.len());
        bytes[at] ^= flip;
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("bag.zip");
        fs::write(&path, &bytes).unwrap();
        if verified(&path).is_ok_and(|done| done.holds()) {
            let mut altered = ZipArchive::new(Cursor::new(bytes)).unwrap();
            prop_assert_eq!(altered.len(), files(&bench().bag).len());
            for n in 0..altered.len() {
                let mut entry = altered.by_index(n).unwrap();
                let own = entry.name().unwrap().trim_start_matches("evidence/").to_owned();
                let mut found = Vec::new();
                std::io::Read::read_to_end(&mut entry, &mut found).unwrap();
                prop_assert!(found == fs::read(bench().bag.join(&own)).unwrap(), "{own}");
            }
        }
    }
}
