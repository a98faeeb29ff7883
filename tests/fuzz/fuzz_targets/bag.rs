//! Any bytes as a bag in a zip: told in words, whatever they are. What stands before is put into a zip by its rules, so
//! that names, sizes and manifests are reached, too.
#![no_main]

use std::io::Write;
use std::sync::LazyLock;

use foldwatch_evidence::{PublicKey, verify_files};
use libfuzzer_sys::fuzz_target;

const KEY: &str = include_str!("../bag-key.pem");
/// What a bag holds at its top, and two files of its payload; the fuzzer says what is in them.
const NAMES: [&str; 8] = [
    "bagit.txt",
    "bag-info.txt",
    "manifest-sha256.txt",
    "blocks-sha256.txt",
    "tagmanifest-sha256.txt",
    "keys/signer.pem",
    "data/datapackage.json",
    "data/../escape",
];

static PLACE: LazyLock<(std::path::PathBuf, PublicKey)> = LazyLock::new(|| {
    let place = std::env::temp_dir().join(format!("foldwatch-fuzz-{}.zip", std::process::id()));
    (place, PublicKey::from_pem(KEY).expect("a key of ours"))
});

fuzz_target!(|data: &[u8]| {
    let (place, key) = &*PLACE;
    let told = |bytes: &[u8]| {
        std::fs::write(place, bytes).expect("room for a small file");
        match verify_files(place, key) {
            Ok(verified) => assert!(!verified.faults.is_empty(), "nobody signed this"),
            Err(error) => assert!(!error.to_string().is_empty()),
        }
    };
    told(data);
    let mut zip = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
    let mut rest = data;
    while let Some((head, after)) = rest.split_first_chunk::<2>() {
        let (content, after) = after.split_at(usize::from(head[1]).min(after.len()));
        rest = after;
        let named = zip.start_file(
            NAMES[usize::from(head[0]) % NAMES.len()],
            zip::write::SimpleFileOptions::default().compression_method(zip::CompressionMethod::Stored),
        );
        if named.is_ok() {
            zip.write_all(content).expect("memory takes it");
        }
    }
    if let Ok(bytes) = zip.finish() {
        told(&bytes.into_inner());
    }
});
