//! Any bytes as a table, whole and in two pieces: the same rows come of both. And any text as a column map.
#![no_main]

use std::sync::OnceLock;

use foldwatch_columns::{ColumnMap, Reader};
use foldwatch_profile::Profile;
use foldwatch_samples::Item;
use libfuzzer_sys::fuzz_target;

fn profile() -> &'static Profile {
    static PROFILE: OnceLock<Profile> = OnceLock::new();
    PROFILE.get_or_init(|| {
        let text = include_str!("../../../config/profiles/softtop-cover.toml");
        foldwatch_profile::parse(text).expect("a shipped profile").profile
    })
}

fn read(map: &ColumnMap, pieces: &[&[u8]]) -> Option<Vec<String>> {
    let mut items = Vec::new();
    let mut sink = |item: Item<'_>| items.push(format!("{item:?}"));
    let mut reader = Reader::new(map.clone(), profile());
    for piece in pieces {
        reader.push(piece, &mut sink).ok()?;
    }
    reader.finish(&mut sink).ok()?;
    Some(items)
}

fuzz_target!(|data: &[u8]| {
    let Some((cut, data)) = data.split_first() else { return };
    // A map may stand before the table, parted by a zero byte.
    let (map, table) = match data.iter().position(|byte| *byte == 0) {
        Some(end) => (std::str::from_utf8(&data[..end]).unwrap_or(""), &data[end + 1..]),
        None => ("", data),
    };
    let map = if map.is_empty() { Some(ColumnMap::default()) } else { ColumnMap::parse(map, profile()).ok() };
    let Some(map) = map else { return };
    let cut = usize::from(*cut) * table.len() / 256;
    assert_eq!(read(&map, &[table]), read(&map, &[&table[..cut], &table[cut..]]));
});
