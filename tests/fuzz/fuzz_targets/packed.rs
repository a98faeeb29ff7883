//! Any bytes as a packed stream, and any units with right checks.
#![no_main]

use foldwatch_wire::{Decoder, Encoding};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|data: &[u8]| {
    let Some((cut, data)) = data.split_first() else { return };
    let cut = usize::from(*cut) * data.len() / 256;
    foldwatch_fuzz::examine(|| Decoder::of(Encoding::Packed), data, cut);
    let stream = foldwatch_fuzz::with_checks(data, Encoding::Packed);
    foldwatch_fuzz::examine(|| Decoder::of(Encoding::Packed), &stream, cut);
});
