//! Any bytes as a stream whose encoding is to be found.
#![no_main]

use foldwatch_wire::{Decoder, Encoding};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|data: &[u8]| {
    let Some((cut, data)) = data.split_first() else { return };
    let cut = usize::from(*cut) * data.len() / 256;
    foldwatch_fuzz::examine(Decoder::auto, data, cut);
    let (front, back) = data.split_at(cut);
    let mut stream = foldwatch_fuzz::with_checks(front, Encoding::Packed);
    stream.extend(foldwatch_fuzz::with_checks(back, Encoding::Text));
    foldwatch_fuzz::examine(Decoder::auto, &stream, cut);
});
