//! Parquet files from elsewhere, whole and damaged.

use foldwatch_store::*;
use foldwatch_units::Micros;

use crate::archive::{samples, seal};
use crate::with_car;

/// Bytes of an archive file.
fn whole() -> Vec<u8> {
    let dir = tempfile::tempdir().unwrap();
    let mut store = with_car(dir.path());
    let sealed = store.seal(&seal(0), &mut [samples(0..20)].into_iter().map(Ok)).unwrap();
    std::fs::read(store.folder().archive().join(sealed.file)).unwrap()
}

/// Every row of every column that can be read.
fn read(path: &std::path::Path) -> Result<usize, StoreError> {
    let log = ParquetLog::open(path)?;
    let names: Vec<_> = log
        .columns()
        .iter()
        .filter(|column| column.kind != LogKind::Other)
        .map(|column| &*column.name)
        .collect();
    let mut rows = 0;
    for batch in log.batches(&names)? {
        rows += batch?.first().map_or(0, LogValues::len);
    }
    Ok(rows)
}

#[test]
fn what_is_no_parquet_file_is_said_to_be_none() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("log.parquet");
    assert!(matches!(ParquetLog::open(&path), Err(StoreError::Io { .. })));
    for bytes in [&b""[..], b"PAR1", b"PAR1PAR1", b"time,pressure\n0,1\n", &[0xFF; 4096]] {
        std::fs::write(&path, bytes).unwrap();
        let said = ParquetLog::open(&path).unwrap_err().to_string();
        assert!(said.contains("log.parquet: not a sound Parquet file"), "{said}");
    }
}

/// Cut off or with a byte altered anywhere: an error or other values, but never a panic that gets through.
#[test]
fn a_damaged_file_never_takes_the_program_along() {
    let whole = whole();
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("damaged.parquet");
    std::fs::write(&path, &whole).unwrap();
    assert_eq!(read(&path).unwrap(), 200);
    for cut in (0..whole.len()).step_by(97) {
        std::fs::write(&path, &whole[..cut]).unwrap();
        assert!(read(&path).is_err(), "cut at {cut}");
    }
    let mut refused = 0;
    for at in (0..whole.len()).step_by(3) {
        let mut bytes = whole.clone();
        bytes[at] ^= 1 << (at % 8);
        std::fs::write(&path, bytes).unwrap();
        refused += usize::from(read(&path).is_err());
    }
    assert!(refused > 100, "{refused}");
}

/// Written by another library (pyarrow 26.0.1, `tests/store/foreign.py`): every type that a log may have, and some
/// that it has no use for.
#[test]
fn a_log_from_elsewhere_is_read_by_its_columns() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/store/foreign.parquet");
    let log = ParquetLog::open(path).unwrap();
    assert_eq!(log.rows(), 3);
    let of = |kind| {
        let named = log.columns().iter().filter(|column| column.kind == kind).map(|column| &*column.name);
        named.collect::<Vec<_>>()
    };
    assert_eq!(of(LogKind::Moments), ["ms", "us", "ns", "utc"]);
    let whole = ["i8", "i16", "i32", "i64", "u8", "u16", "u32", "u64", "span", "nothing"];
    assert_eq!(of(LogKind::Integers), whole);
    assert_eq!(of(LogKind::Numbers), ["f32", "f64"]);
    assert_eq!(of(LogKind::States), ["bool"]);
    assert_eq!(of(LogKind::Texts), ["text", "large_text", "dictionary"]);
    let one = |name: &str| {
        let mut batches: Vec<_> = log.batches(&[name]).unwrap().map(Result::unwrap).collect();
        assert_eq!(batches.len(), 1);
        batches.remove(0).remove(0)
    };
    for name in ["ms", "us", "ns", "utc"] {
        let moments = vec![Some(Micros(1_764_000_000_000_000)), None, Some(Micros(-1_000))];
        assert_eq!(one(name), LogValues::Moments(moments), "{name}");
    }
    for name in ["i8", "i16", "i32", "i64", "u8", "u16", "u32"] {
        assert_eq!(one(name), LogValues::Integers(vec![Some(1), None, Some(100)]), "{name}");
    }
    assert_eq!(one("nothing"), LogValues::Integers(vec![None; 3]));
    assert_eq!(one("u64"), LogValues::Integers(vec![Some(1), None, None])); // 2^64 - 1
    for name in ["f32", "f64"] {
        let LogValues::Numbers(numbers) = one(name) else { panic!("{name}") };
        assert!(numbers[0] == 0.5 && numbers[1].is_nan() && numbers[2] == -2.25, "{name}: {numbers:?}");
    }
    assert_eq!(one("bool"), LogValues::States(vec![Some(true), None, Some(false)]));
    for name in ["text", "large_text", "dictionary"] {
        assert_eq!(one(name), LogValues::Texts(vec![Some("on".into()), None, Some("ä".into())]), "{name}");
    }
    for name in ["list", "day", "no such"] {
        let said = log.batches(&[name]).unwrap_err().to_string();
        assert!(said.contains(&format!("no column `{name}` that can be read; there are: ms, us")), "{said}");
    }
}
