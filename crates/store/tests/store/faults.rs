//! Errors at every write, and the power gone between any two: the system's calls are traced and made to fail by
//! `strace` (a Debian package). Where it is not there these tests say so and try nothing.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering::Relaxed};
use std::time::Duration;

use foldwatch_store::*;
use foldwatch_units::Micros;

use crate::frame;
#[cfg(feature = "archive")]
use crate::killed::sealing;

const CHILD: &str = "FOLDWATCH_STORE_TEST_FAULTS_CHILD";
/// Every how manieth write fails; each where it is not set.
const STEP: &str = "FOLDWATCH_STORE_TEST_FAULTS_STEP";
/// What changes a disk.
const CALLS: &[&str] =
    &["pwrite64", "write", "fsync", "fdatasync", "ftruncate", "openat", "rename", "unlink", "mkdir"];
/// How many frames the child has in the end.
const FRAMES: u64 = 60;
/// Children at a time.
const THREADS: usize = 3;

/// Not a test of its own: the process that meets the faults. As the daemon does, it says in words what failed and tries
/// again, and prints what is durable only after the store has said so.
#[test]
fn child_that_goes_on() {
    let Some(folder) = std::env::var_os(CHILD) else { return };
    let mut store = insist(|| SqliteStore::open(&folder));
    let car = Car { id: "oak".into(), name: "Oak".into(), profile: "p".into(), recorded: Micros(1) };
    insist(|| store.put_car(&car));
    insist(|| store.attach("L", "oak", Micros(2)));
    for (turn, first) in (0..FRAMES).step_by(10).enumerate() {
        // As a logger that repeats a little.
        let batch: Vec<_> = (first.saturating_sub(2)..first + 10).map(frame).collect();
        println!("durable {}", insist(|| store.append(&batch))[0].up_to);
        #[cfg(feature = "archive")]
        if turn % 2 == 1 {
            insist(|| sealing::seal_all(&mut store));
        }
        let _ = turn;
    }
    drop(store);
    println!("done");
}

fn insist<T>(mut what: impl FnMut() -> Result<T, StoreError>) -> T {
    for _ in 0..20 {
        match what() {
            Ok(done) => return done,
            // The words, and what the system said below them.
            Err(error) => println!("refused {error} ({})", error.is_passing()),
        }
        std::thread::sleep(Duration::from_millis(1));
    }
    panic!("it does not go on");
}

/// The child under `strace`; `None` where that is not there or may not trace.
fn traced(folder: &Path, arguments: &[String]) -> Option<String> {
    let done = Command::new("strace")
        .args(["-f", "-qq", "-e", "signal=none"])
        .args(arguments)
        .arg(std::env::current_exe().unwrap())
        .args(["--exact", "faults::child_that_goes_on", "--nocapture", "--test-threads=1"])
        .env(CHILD, folder)
        .env("POLARS_MAX_THREADS", "1")
        .stderr(Stdio::null())
        .output()
        .ok()?;
    let said = String::from_utf8_lossy(&done.stdout).into_owned();
    said.contains("running 1 test").then_some(said)
}

/// Opens what is there and looks whether all of it is: no frame that was acknowledged missing, none twice.
fn examine(folder: &Path, acknowledged: Option<u64>, when: &str) {
    let store = SqliteStore::open(folder).unwrap_or_else(|error| panic!("{when}: {error}"));
    let rows = store.catalogue().journal(None, Position(0), u32::MAX).unwrap();
    assert!(rows.iter().all(|row| row.frame == frame(row.frame.sequence)), "{when}");
    #[cfg(feature = "archive")]
    let mut sequences =
        if store.catalogue().car("oak").unwrap().is_some() { sealing::archived(&store) } else { Vec::new() };
    #[cfg(not(feature = "archive"))]
    let mut sequences = Vec::new();
    sequences.extend(rows.iter().map(|row| row.frame.sequence));
    assert_eq!(sequences, (0..sequences.len() as u64).collect::<Vec<_>>(), "{when}");
    assert!(sequences.last().copied() >= acknowledged, "{when}: {acknowledged:?} was acknowledged");
    assert_eq!(store.catalogue().verify_chain("oak").unwrap().broken, None, "{when}");
    let database = store.folder().database();
    drop(store);
    assert_eq!(verify_copy(&database).unwrap().faults, Vec::<String>::new(), "{when}");
    #[cfg(feature = "archive")]
    assert_eq!(SqliteReader::open(folder).unwrap().verify_archive().unwrap(), Vec::<String>::new(), "{when}");
}

fn acknowledged(said: &str) -> Option<u64> {
    said.lines().filter_map(|line| line.split_once("durable ")?.1.trim().parse().ok()).next_back()
}

/// In memory where there is room: of hundreds of folders most of the time would be spent on syncing them.
fn folder() -> tempfile::TempDir {
    const ROOM: u64 = 1 << 30;
    let memory = Path::new("/dev/shm");
    let roomy = fs4::available_space(memory).is_ok_and(|free| free > ROOM);
    roomy.then(|| tempfile::tempdir_in(memory).ok()).flatten().unwrap_or_else(|| tempfile::tempdir().unwrap())
}

/// One kind of call fails from its n-th on, so many times. Whether there is an n-th at all; `None`: it can't be tried here.
fn fails(call: &str, error: &str, n: usize, times: usize) -> Option<bool> {
    let dir = folder();
    let inside = ["", "catalogue.sqlite", "catalogue.sqlite-wal", "archive", "archive/oak"]
        .map(|name| dir.path().join(name))
        .into_iter()
        .chain((1..9).flat_map(|n| {
            ["", ".part"].map(|end| dir.path().join(format!("archive/oak/1970-01-01.{n}.parquet{end}")))
        }));
    let log = dir.path().join("strace");
    let mut arguments: Vec<String> =
        inside.flat_map(|path| ["-P".into(), path.to_str().unwrap().to_owned()]).collect();
    let when = format!("inject={call}:error={error}:when={n}..{}", n + times - 1);
    arguments.extend(["-e".into(), format!("trace={call}"), "-e".into(), when.clone()]);
    arguments.extend(["-o".into(), log.to_str().unwrap().to_owned()]);
    let said = traced(dir.path(), &arguments)?;
    assert!(said.contains("done"), "{when}: {said}");
    assert_eq!(acknowledged(&said), Some(FRAMES - 1), "{when}: {said}");
    for refused in said.lines().filter(|line| line.starts_with("refused")) {
        let words = refused.contains(dir.path().to_str().unwrap());
        let full = error != "ENOSPC" || call.starts_with('f') || refused.contains("full");
        assert!(words && refused.ends_with("(true)") && (full || call == "openat"), "{when}: {refused}");
    }
    examine(dir.path(), acknowledged(&said), &when);
    Some(fs::read_to_string(&log).unwrap().contains("INJECTED"))
}

#[test]
fn an_error_at_any_write_loses_nothing_and_it_goes_on_afterwards() {
    let step: usize = std::env::var(STEP).map_or(1, |step| step.parse().unwrap());
    let mut tried = BTreeMap::new();
    for (error, times) in [("ENOSPC", 3), ("EIO", 1)] {
        for call in CALLS {
            let (next, failed, over) = (AtomicUsize::new(0), AtomicUsize::new(0), AtomicBool::new(false));
            let tries = || {
                while !over.load(Relaxed) {
                    let n = 1 + step * next.fetch_add(1, Relaxed);
                    match fails(call, error, n, times) {
                        Some(true) => drop(failed.fetch_add(1, Relaxed)),
                        // There are no more of them.
                        Some(false) => over.store(true, Relaxed),
                        None => return false,
                    }
                }
                true
            };
            let could = std::thread::scope(|scope| {
                [(); THREADS].map(|()| scope.spawn(tries)).map(|thread| thread.join().unwrap())
            });
            if could.contains(&false) {
                println!("not tried: no strace here");
                return;
            }
            tried.insert(format!("{call} {error}"), failed.into_inner());
        }
    }
    println!("failed: {tried:?}, {} in all", tried.values().sum::<usize>());
    let kinds = tried.values().filter(|failed| **failed > 0).count();
    assert!(kinds > 8, "{tried:?}");
}

/// A file on a disk that forgets what was not synced.
#[derive(Clone, Default)]
struct Unsafe {
    synced: Vec<u8>,
    pending: Vec<Change>,
    end: usize,
}

#[derive(Clone)]
enum Change {
    Write(usize, Vec<u8>),
    Cut(usize),
}

impl Change {
    fn apply(&self, to: &mut Vec<u8>) {
        match self {
            Change::Write(at, bytes) => {
                to.resize(to.len().max(at + bytes.len()), 0);
                to[*at..at + bytes.len()].copy_from_slice(bytes);
            }
            Change::Cut(length) => to.resize(*length, 0),
        }
    }
}

/// What is on the disk after the power went: of what was not synced nothing, or some, in pieces of a sector.
fn leave(files: &BTreeMap<PathBuf, Unsafe>, from: &Path, to: &Path, chance: &mut Option<u64>) {
    for (path, file) in files {
        let Ok(inside) = path.strip_prefix(from) else { continue };
        let mut bytes = file.synced.clone();
        if let Some(seed) = chance {
            for change in &file.pending {
                let mut lucky = || {
                    *seed =
                        seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                    *seed >> 63 == 1
                };
                match change {
                    Change::Cut(_) if lucky() => change.apply(&mut bytes),
                    Change::Cut(_) => {}
                    Change::Write(at, written) => {
                        for (n, sector) in written.chunks(512).enumerate().filter(|_| lucky()) {
                            Change::Write(at + n * 512, sector.to_vec()).apply(&mut bytes);
                        }
                    }
                }
            }
        }
        let place = to.join(inside);
        fs::create_dir_all(place.parent().unwrap()).unwrap();
        fs::write(place, bytes).unwrap();
    }
}

/// A string of `strace -xx`.
fn bytes(hex: &str) -> Vec<u8> {
    hex.split("\\x").skip(1).map(|two| u8::from_str_radix(&two[..2], 16).unwrap()).collect()
}

fn path(hex: &str) -> PathBuf {
    String::from_utf8(bytes(hex)).unwrap().into()
}

#[test]
fn the_power_may_go_between_any_two_writes() {
    let dir = tempfile::tempdir().unwrap();
    let (folder, log) = (dir.path().join("data"), dir.path().join("strace"));
    fs::create_dir(&folder).unwrap();
    let arguments = ["-y", "-xx", "-s", "1000000", "-o", log.to_str().unwrap(), "-e"].map(str::to_owned);
    let mut arguments = arguments.to_vec();
    arguments.push(format!("trace={},close", CALLS.join(",")));
    if traced(&folder, &arguments).is_none() {
        println!("not tried: no strace here");
        return;
    }
    let log = fs::read_to_string(&log).unwrap();
    let mut files: BTreeMap<PathBuf, Unsafe> = BTreeMap::new();
    let (mut acknowledged, mut moments, mut seed) = (None, 0, 7);
    for line in log.lines() {
        assert!(!line.contains("unfinished"), "two threads write at once: {line}");
        let Some((head, rest)) = line.split_once('(') else { continue };
        let Some((rest, result)) = rest.rsplit_once(" = ") else { continue };
        if result.starts_with('-') {
            continue;
        }
        let call = head.rsplit(' ').next().unwrap();
        // The file that a descriptor means, and what stands in quotes.
        let of = rest.split_once('<').and_then(|(_, more)| more.split_once('>')).map(|(hex, _)| path(hex));
        let quoted: Vec<&str> = rest.split('"').skip(1).step_by(2).collect();
        let number =
            || rest.trim_end_matches(')').rsplit(", ").next().unwrap().trim().parse::<usize>().unwrap();
        match (call, of) {
            ("openat", _) if rest.contains("O_CREAT") => {
                let file = files.entry(path(quoted[0])).or_default();
                file.end = 0;
                if rest.contains("O_TRUNC") {
                    file.pending.push(Change::Cut(0));
                }
            }
            ("pwrite64", Some(of)) => {
                files.entry(of).or_default().pending.push(Change::Write(number(), bytes(quoted[0])));
            }
            ("write", Some(of)) if of.starts_with(&folder) => {
                let file = files.entry(of).or_default();
                let written = bytes(quoted[0]);
                file.end += written.len();
                file.pending.push(Change::Write(file.end - written.len(), written));
            }
            ("write", _) => {
                let said = quoted.first().map(|hex| bytes(hex)).unwrap_or_default();
                acknowledged = self::acknowledged(&String::from_utf8_lossy(&said)).max(acknowledged);
                continue;
            }
            ("ftruncate", Some(of)) => files.entry(of).or_default().pending.push(Change::Cut(number())),
            ("fsync" | "fdatasync", Some(of)) => {
                if let Some(file) = files.get_mut(&of) {
                    let pending = std::mem::take(&mut file.pending);
                    pending.iter().for_each(|change| change.apply(&mut file.synced));
                }
            }
            ("rename", _) => {
                let file = files.remove(&path(quoted[0])).unwrap();
                files.insert(path(quoted[1]), file);
            }
            ("unlink", _) => drop(files.remove(&path(quoted[0]))),
            _ => continue,
        }
        files.retain(|path, _| !path.to_string_lossy().ends_with("-shm")); // memory, no file
        moments += 1;
        for mut chance in [None, Some(seed)] {
            let after = tempfile::tempdir().unwrap();
            leave(&files, &folder, after.path(), &mut chance);
            examine(
                after.path(),
                acknowledged,
                &format!("moment {moments}, {chance:?}, after {}", &line[..line.len().min(80)]),
            );
            seed = chance.unwrap_or(seed);
        }
    }
    println!("the power went at {moments} moments, twice each; {acknowledged:?} acknowledged");
    assert_eq!(acknowledged, Some(FRAMES - 1));
}
