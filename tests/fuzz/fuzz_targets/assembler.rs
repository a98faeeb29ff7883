//! Any frames, in any order, at the assembler: items are in order of time, and a checkpoint changes nothing.
#![no_main]

use std::sync::{Arc, LazyLock};

use foldwatch_profile::Profile;
use foldwatch_samples::{Assembler, Item};
use foldwatch_units::Micros;
use foldwatch_wire::{Decoded, Decoder, Encoding};
use libfuzzer_sys::fuzz_target;

static PROFILE: LazyLock<Arc<Profile>> = LazyLock::new(|| {
    let text = include_str!("../../../config/profiles/hardtop-five.toml");
    Arc::new(foldwatch_profile::parse(text).expect("a profile that is shipped").profile)
});

fuzz_target!(|data: &[u8]| {
    let stream = foldwatch_fuzz::with_checks(data, Encoding::Packed);
    let mut frames = Vec::new();
    Decoder::of(Encoding::Packed).push(&stream, &mut |decoded| {
        if let Decoded::Frame(received) = decoded {
            frames.push((received.id, received.frame));
        }
    });
    let mut assembler = Assembler::new(PROFILE.clone());
    let mut last = i64::MIN;
    let mut row = false;
    let mut rows = 0;
    let mut out = |item: Item<'_>| {
        let at = match item {
            Item::Row { at, values } => {
                assert_eq!(values.len(), PROFILE.signals.len());
                row = true;
                rows += 1;
                at
            }
            Item::Same { at } => {
                assert!(row, "nothing was there to be the same");
                rows += 1;
                at
            }
            Item::Edge { at, .. } => {
                row = false;
                at
            }
            Item::Mark { at } => at,
            Item::Gap { until, .. } => {
                row = false;
                until
            }
        };
        assert!(at.0 >= last, "time goes back");
        last = at.0;
    };
    for (id, frame) in frames {
        assembler.push(id, frame, &mut out);
        assert!(assembler.waiting() <= 32);
        let checkpoint = assembler.checkpoint();
        let resumed = Assembler::resume(PROFILE.clone(), &checkpoint).expect("a checkpoint that was just taken");
        assert_eq!(resumed.checkpoint(), checkpoint);
        assembler.take_notes().iter().for_each(|note| drop(note.to_string()));
    }
    assembler.flush(&mut out);
    assert_eq!(rows, assembler.counts().rows);
    let mut moments = [i64::MIN, -1, 0, 1_000_000, last, i64::MAX];
    moments.sort_unstable();
    let timeline = assembler.timeline();
    let dates: Vec<_> = moments.iter().filter_map(|at| timeline.utc(Micros(*at))).map(|utc| utc.at).collect();
    assert!(dates.is_sorted(), "UTC goes back: {dates:?}");
});
