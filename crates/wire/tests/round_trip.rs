//! What the encoder writes, the decoder reads; whatever happens on the way is found out.

mod common;

use common::{any_frame, any_id, collect, sample_stream};
use foldwatch_wire::{Decoder, Encoding};
use proptest::prelude::*;

fn encodings() -> impl Strategy<Value = Encoding> {
    prop_oneof![Just(Encoding::Packed), Just(Encoding::Text)]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn every_frame_survives(id in any_id(), frame in any_frame(), encoding in encodings()) {
        let bytes = frame.encode(id, encoding).unwrap();
        let (frames, damages) = collect(Decoder::of(encoding), &[&bytes]);
        prop_assert_eq!(damages, vec![]);
        prop_assert_eq!(frames, vec![(id, frame.clone())]);
        let (frames, _) = collect(Decoder::auto(), &[&bytes]);
        prop_assert_eq!(frames, vec![(id, frame)]);
    }
}

#[test]
fn the_sample_stream_is_whole_in_both_encodings() {
    for encoding in [Encoding::Packed, Encoding::Text] {
        let (stream, expected) = sample_stream(encoding);
        let (frames, damages) = collect(Decoder::auto(), &[&stream]);
        assert_eq!(damages, []);
        assert_eq!(frames, expected);
    }
}
