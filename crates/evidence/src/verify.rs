//! Is a bag whole, who signed it, and do its samples give its findings?

use std::collections::BTreeMap;
use std::fmt;
use std::io::Read;
use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};

use crate::facts::FORMAT;
use crate::hash::{self, BLOCK, Sum};
use crate::key::{self, Succession};
use crate::read::Bag;
use crate::replay::Replayed;
use crate::{Digest, EvidenceError, PublicKey, Reread, names, within};

/// One thing that is not as it was when the bag was signed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// Which file of the bag.
    pub file: String,
    /// Which of its bytes, where that can be told: from the first to the last, counted from 0.
    pub bytes: Option<RangeInclusive<u64>>,
    /// What was found.
    pub what: String,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.file)?;
        if let Some(bytes) = &self.bytes {
            write!(f, ", bytes {} to {}", bytes.start(), bytes.end())?;
        }
        write!(f, ": {}", self.what)
    }
}

/// Who has signed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Signer {
    /// The key that was given.
    TheKey,
    /// A key that the given one has named as its successor, in so many steps.
    Successor(usize),
    /// Another one, or nobody; why it can't be said.
    Unproven(String),
}

/// What a bag is worth.
#[derive(Debug, Clone, PartialEq)]
pub struct Verified {
    /// Files that were checked, and their bytes.
    pub files: usize,
    /// Of them.
    pub bytes: u64,
    /// What is not whole, the first file by name first; empty: all is.
    pub faults: Vec<Fault>,
    /// Who has signed.
    pub signer: Signer,
    /// Fingerprint of the key in the bag.
    pub fingerprint: Option<Digest>,
    /// The end of the chain over what was recorded, where the chain holds.
    pub chain_head: Option<Digest>,
    /// Rows of samples that are just what the originals on the chain give when they are read again; `None`: they were not
    /// at hand, or give something else.
    pub bound: Option<u64>,
    /// Judged anew from the samples; `None`: not done, because something is not whole.
    pub replayed: Option<Replayed>,
    /// What is worth knowing and no fault.
    pub notes: Vec<String>,
}

impl Verified {
    /// Each file as it was signed, and signed by the key.
    pub fn is_whole(&self) -> bool {
        self.faults.is_empty() && !matches!(self.signer, Signer::Unproven(_))
    }

    /// Whole, signed by the key, and the samples give the findings.
    pub fn holds(&self) -> bool {
        self.is_whole() && self.replayed.as_ref().is_some_and(|replayed| replayed.differs.is_empty())
    }
}

const TAG_MANIFEST: &str = "tagmanifest-sha256.txt";
const SIGNATURE: &str = "tagmanifest-sha256.txt.sig";
const MANIFEST: &str = "manifest-sha256.txt";
const BLOCKS: &str = "blocks-sha256.txt";
const SIGNER: &str = "keys/signer.pem";

/// Holds a bag against a public key. Its originals, and the logs that it was made from where they are at hand, are held
/// against its chain and read again.
///
/// # Errors
/// Where it can't be looked at at all, or is built so that looking further would be unwise.
pub fn verify(
    path: &Path,
    key: &PublicKey,
    logs: &[PathBuf],
    reread: &dyn Reread,
) -> Result<Verified, EvidenceError> {
    let (mut bag, sums, mut done) = files(path, key)?;
    if done.faults.is_empty() {
        within::look(&mut bag, &sums, logs, reread, &mut done)?;
    }
    Ok(done)
}

/// Holds a bag's files against its manifests and the signature, and judges nothing anew.
///
/// # Errors
/// As [`verify`].
pub fn verify_files(path: &Path, key: &PublicKey) -> Result<Verified, EvidenceError> {
    Ok(files(path, key)?.2)
}

/// The bag, the sums of every file of its payload, and what was found.
type Files = (Bag, BTreeMap<String, Sum>, Verified);

fn files(path: &Path, key: &PublicKey) -> Result<Files, EvidenceError> {
    let mut bag = Bag::open(path)?;
    check_version(&mut bag)?;
    let mut done = Verified {
        files: 0,
        bytes: 0,
        faults: Vec::new(),
        signer: Signer::Unproven("nothing is signed".into()),
        fingerprint: None,
        chain_head: None,
        bound: None,
        replayed: None,
        notes: Vec::new(),
    };
    signature(&mut bag, key, &mut done);
    let tags = tag_files(&mut bag, &mut done)?;
    let sums = payload(&mut bag, &tags, &mut done)?;
    done.faults.sort_by(|a, b| a.file.cmp(&b.file));
    Ok((bag, sums, done))
}

fn check_version(bag: &mut Bag) -> Result<(), EvidenceError> {
    if !bag.files.contains_key("bagit.txt") {
        return Err(EvidenceError::refused("no `bagit.txt` in it: this is no bag (RFC 8493)"));
    }
    let text = bag.text("bagit.txt")?;
    if text.starts_with('\u{feff}') {
        return Err(EvidenceError::refused(
            "`bagit.txt` begins with a byte-order mark, which RFC 8493 forbids",
        ));
    }
    let version = text.lines().find_map(|line| line.strip_prefix("BagIt-Version:")).map(str::trim);
    if version != Some("1.0") {
        return Err(EvidenceError::refused(format!(
            "a bag of version {}; this foldwatch reads 1.0 (RFC 8493)",
            version.unwrap_or("unknown").escape_debug()
        )));
    }
    let info = if bag.files.contains_key("bag-info.txt") { bag.text("bag-info.txt")? } else { String::new() };
    match labelled(&info, "Evidence-Format").map(str::parse::<u32>) {
        Some(Ok(format)) if format <= FORMAT => Ok(()),
        Some(Ok(format)) => Err(EvidenceError::refused(format!(
            "evidence of format {format}, made by a later foldwatch ({}); this one reads up to format {FORMAT}: verify it \
             with that version",
            labelled(&info, "Bag-Software-Agent").unwrap_or("version unknown").escape_debug()
        ))),
        _ => Err(EvidenceError::refused(
            "a bag, but no evidence of foldwatch: `bag-info.txt` states no Evidence-Format",
        )),
    }
}

pub(crate) fn labelled<'a>(info: &'a str, label: &str) -> Option<&'a str> {
    info.lines().find_map(|line| line.strip_prefix(label)?.strip_prefix(':')).map(str::trim)
}

/// A line of a manifest: digest, blanks, name; with any line end.
fn manifest_lines(name: &str, text: &str) -> Result<Vec<(Digest, String)>, Fault> {
    let fault = |n: usize, what: &str| Fault {
        file: name.to_owned(),
        bytes: None,
        what: format!("line {}: {what}", n + 1),
    };
    let mut lines = Vec::new();
    for (n, line) in text.split(['\n', '\r']).filter(|line| !line.is_empty()).enumerate() {
        let (digest, rest) = line.split_once([' ', '\t']).ok_or_else(|| fault(n, "no digest and name"))?;
        let digest = Digest::parse(digest).ok_or_else(|| fault(n, "no SHA-256 in front"))?;
        let path = rest.trim_start().trim_start_matches('*');
        // The last part of a line of blocks is the name; a range stands before it.
        let own = path.rsplit("  ").next().unwrap_or_default();
        if let Some(why) = names::trouble(own) {
            return Err(fault(n, &format!("the name `{}` {why}", own.escape_debug())));
        }
        lines.push((digest, path.to_owned()));
    }
    Ok(lines)
}

fn signature(bag: &mut Bag, key: &PublicKey, done: &mut Verified) {
    let in_bag = bag.text(SIGNER).ok().and_then(|pem| PublicKey::from_pem(&pem).ok());
    done.fingerprint = in_bag.as_ref().map(PublicKey::fingerprint);
    let (Ok(signed), Ok(signature)) = (bag.bytes(TAG_MANIFEST), bag.bytes(SIGNATURE)) else {
        done.faults.push(Fault {
            file: SIGNATURE.into(),
            bytes: None,
            what: format!("`{TAG_MANIFEST}` or its signature is not there: nothing says who made this"),
        });
        return;
    };
    if key.has_signed(&signed, &signature) {
        done.signer = Signer::TheKey;
        return;
    }
    let successions = successions(bag);
    let by_bag = in_bag.filter(|signer| signer.has_signed(&signed, &signature));
    done.signer = match by_bag {
        Some(signer) if key::leads(key, &signer, &successions) => Signer::Successor(successions.len()),
        Some(signer) => Signer::Unproven(format!(
            "signed by another key, with the fingerprint {}; the key given has {}, and nothing that it signed names the \
             other as its successor",
            signer.fingerprint(),
            key.fingerprint()
        )),
        None => Signer::Unproven(format!(
            "the signature fits neither the key given ({}) nor the one in the bag: `{TAG_MANIFEST}` or the signature was \
             altered",
            key.fingerprint()
        )),
    };
    if let Signer::Unproven(what) = &done.signer {
        done.faults.push(Fault { file: SIGNATURE.into(), bytes: None, what: what.clone() });
    }
}

fn successions(bag: &mut Bag) -> Vec<Succession> {
    let mut found = Vec::new();
    while let (Ok(text), Ok(signature)) = (
        bag.text(&format!("keys/{:04}.txt", found.len() + 1)),
        bag.bytes(&format!("keys/{:04}.sig", found.len() + 1)),
    ) {
        found.push(Succession { text, signature });
    }
    found
}

/// Checks the tag files; the answer is the digest of every file of the payload.
fn tag_files(bag: &mut Bag, done: &mut Verified) -> Result<BTreeMap<String, Digest>, EvidenceError> {
    let mut listed = BTreeMap::new();
    match bag.text(TAG_MANIFEST).map(|text| manifest_lines(TAG_MANIFEST, &text)) {
        Ok(Ok(lines)) => listed.extend(lines.into_iter().map(|(digest, name)| (name, digest))),
        Ok(Err(fault)) => done.faults.push(fault),
        Err(_) => {}
    }
    for (name, digest) in &listed {
        if !bag.files.contains_key(name) {
            done.faults.push(missing(name, TAG_MANIFEST));
            continue;
        }
        let bytes = bag.bytes(name)?;
        done.files += 1;
        done.bytes += bytes.len() as u64;
        if Digest::of(&bytes) != *digest {
            let what = match only_line_ends(&bytes, *digest) {
                true => {
                    "only its line ends were changed, as a transfer in text mode does; get the bag again in binary"
                }
                false => "altered",
            };
            done.faults.push(Fault { file: name.clone(), bytes: None, what: what.into() });
        }
    }
    for name in bag.files.keys().filter(|name| !name.starts_with("data/")) {
        if !listed.contains_key(name) && name != TAG_MANIFEST && name != SIGNATURE {
            done.faults.push(Fault {
                file: name.clone(),
                bytes: None,
                what: format!("not in `{TAG_MANIFEST}`: put in later"),
            });
        }
    }
    match bag.text(MANIFEST).map(|text| manifest_lines(MANIFEST, &text)) {
        Ok(Ok(lines)) => Ok(lines.into_iter().map(|(digest, name)| (name, digest)).collect()),
        Ok(Err(fault)) => {
            done.faults.push(fault);
            Ok(BTreeMap::new())
        }
        Err(_) => {
            done.faults.push(missing(MANIFEST, "RFC 8493"));
            Ok(BTreeMap::new())
        }
    }
}

fn missing(name: &str, by: &str) -> Fault {
    Fault { file: name.to_owned(), bytes: None, what: format!("gone, although {by} names it") }
}

fn only_line_ends(bytes: &[u8], digest: Digest) -> bool {
    let Ok(text) = std::str::from_utf8(bytes) else { return false };
    let unix = text.replace("\r\n", "\n").replace('\r', "\n");
    Digest::of(unix.as_bytes()) == digest || Digest::of(unix.replace('\n', "\r\n").as_bytes()) == digest
}

/// Checks every file of the payload against its digest; where one does not fit its blocks tell where. The answer is what
/// fits.
fn payload(
    bag: &mut Bag,
    listed: &BTreeMap<String, Digest>,
    done: &mut Verified,
) -> Result<BTreeMap<String, Sum>, EvidenceError> {
    let blocks = blocks(bag, done)?;
    let mut sums = BTreeMap::new();
    let mut buffer = vec![0; 1 << 17];
    let mut count = (0u64, 0u64);
    for (name, digest) in listed {
        if !name.starts_with("data/") {
            done.faults.push(Fault {
                file: MANIFEST.into(),
                bytes: None,
                what: format!("`{name}` is not below data/"),
            });
            continue;
        }
        if !bag.files.contains_key(name) {
            done.faults.push(missing(name, MANIFEST));
            continue;
        }
        let expected = blocks.get(name).map_or(0, |(_, size)| *size);
        // No more than it may be long: what unpacks without end is not followed.
        let read = bag.read(name).and_then(|from| {
            hash::of_reader(from, expected, &mut buffer).map_err(EvidenceError::io(Path::new(name), "read"))
        });
        count = (count.0 + 1, count.1 + expected);
        done.files += 1;
        match read {
            Ok((bytes, sha256)) if sha256 == *digest && bytes == expected => {
                done.bytes += bytes;
                sums.insert(name.clone(), Sum { bytes, sha256, blocks: Vec::new() });
            }
            Ok(_) => {
                let of = blocks.get(name).map(|(blocks, _)| blocks.as_slice()).unwrap_or_default();
                done.faults.push(first_difference(bag, name, of, expected));
            }
            Err(error) => {
                done.faults.push(Fault { file: name.clone(), bytes: None, what: error_chain(&error) })
            }
        }
    }
    for name in bag.files.keys().filter(|name| name.starts_with("data/")) {
        if !listed.contains_key(name) {
            done.faults.push(Fault {
                file: name.clone(),
                bytes: None,
                what: format!("not in `{MANIFEST}`: put in later"),
            });
        }
    }
    let info = bag.text("bag-info.txt").unwrap_or_default();
    let stated = labelled(&info, "Payload-Oxum").unwrap_or_default();
    if stated != format!("{}.{}", count.1, count.0) {
        done.faults.push(Fault {
            file: "bag-info.txt".into(),
            bytes: None,
            what: format!(
                "states a payload of `{}` (bytes.files); the manifest has {}.{}",
                stated.escape_debug(),
                count.1,
                count.0
            ),
        });
    }
    Ok(sums)
}

pub(crate) fn error_chain(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut at = error.source();
    while let Some(source) = at {
        let own = source.to_string();
        if !text.ends_with(&own) {
            text = format!("{text}: {own}");
        }
        at = source.source();
    }
    text
}

type Blocks = BTreeMap<String, (Vec<Digest>, u64)>;

/// Digests of each file's blocks, and its size.
fn blocks(bag: &mut Bag, done: &mut Verified) -> Result<Blocks, EvidenceError> {
    let mut blocks: Blocks = BTreeMap::new();
    // Where they are gone or can't be read, that is told already: they are in the tag manifest.
    let Ok(text) = bag.text(BLOCKS) else { return Ok(blocks) };
    let lines = match manifest_lines(BLOCKS, &text) {
        Ok(lines) => lines,
        Err(fault) => {
            done.faults.push(fault);
            return Ok(blocks);
        }
    };
    for (digest, rest) in lines {
        let parsed = rest.split_once("  ").and_then(|(range, name)| {
            let (first, last) = range.split_once('-')?;
            Some((first.parse::<u64>().ok()?, last.parse::<u64>().ok()?, name))
        });
        let Some((first, last, name)) = parsed else { continue };
        let of = blocks.entry(name.to_owned()).or_default();
        if first == of.1 && last >= first && last - first < BLOCK {
            of.0.push(digest);
            of.1 = last + 1;
        }
    }
    Ok(blocks)
}

/// The first block of a file that is not as it was.
fn first_difference(bag: &mut Bag, name: &str, blocks: &[Digest], expected: u64) -> Fault {
    let fault = |bytes, what: &str| Fault { file: name.to_owned(), bytes, what: what.to_owned() };
    let Ok(mut from) = bag.read(name) else { return fault(None, "can't be read") };
    let (mut block, mut first) = (Vec::new(), 0u64);
    for digest in blocks {
        let last = (first + BLOCK).min(expected) - 1;
        if let Err(error) = hash::next_block(&mut from.by_ref().take(last - first + 1), &mut block) {
            return fault(None, &format!("can't be read from byte {first} on: {error}"));
        }
        if Digest::of(&block) != *digest {
            let what = match block.len() as u64 == last - first + 1 {
                true => "altered; this is the first block that does not fit",
                false => "ends within this block, too early",
            };
            return fault(Some(first..=last), what);
        }
        first = last + 1;
    }
    match hash::next_block(&mut from, &mut block) {
        Ok(()) if !block.is_empty() => {
            fault(Some(first..=first + block.len() as u64 - 1), "goes on after its end: something was added")
        }
        _ => fault(None, "altered"),
    }
}

/// The digest of a bag's tag manifest: names the bag among all others.
///
/// # Errors
/// Where it can't be read.
pub fn tag_manifest(path: &Path) -> Result<Digest, EvidenceError> {
    let mut bag = Bag::open(path)?;
    check_version(&mut bag)?;
    Ok(Digest::of(&bag.bytes(TAG_MANIFEST)?))
}
