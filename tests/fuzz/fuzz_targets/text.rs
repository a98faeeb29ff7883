//! Any bytes as a text stream, and any units with right checks.
#![no_main]

use foldwatch_wire::{Decoder, Encoding};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|data: &[u8]| {
    let Some((cut, data)) = data.split_first() else { return };
    let cut = usize::from(*cut) * data.len() / 256;
    foldwatch_fuzz::examine(|| Decoder::of(Encoding::Text), data, cut);
    let stream = foldwatch_fuzz::with_checks(data, Encoding::Text);
    foldwatch_fuzz::examine(|| Decoder::of(Encoding::Text), &stream, cut);
});
