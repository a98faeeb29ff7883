//! What the encoder writes, the decoder reads; whatever happens on the way is found out.
#![allow(clippy::unwrap_used, reason = "tests")]

mod common;

use common::{any_frame, any_id, collect, sample_stream};
use foldwatch_wire::{Damage, DamageKind, Decoded, Decoder, Encoding, Frame};
use proptest::prelude::*;

const BOTH: [Encoding; 2] = [Encoding::Packed, Encoding::Text];

fn encodings() -> impl Strategy<Value = Encoding> {
    prop::sample::select(BOTH.to_vec())
}

/// A stretch of a stream: frames, rubbish, delimiters.
fn any_stream() -> impl Strategy<Value = Vec<u8>> {
    let piece = prop_oneof![
        6 => (any_id(), any_frame(), encodings()).prop_map(|(id, frame, e)| frame.encode(id, e).unwrap()),
        2 => prop::collection::vec(any::<u8>(), 0..300),
        1 => prop::collection::vec(prop::sample::select(b"\0\n\r,;#01A ".to_vec()), 0..60),
        1 => (any::<u8>(), 3000usize..9000).prop_map(|(byte, n)| vec![byte; n]),
        1 => "([0-9.]{1,6};[0-9]{1,3}\n){0,4}".prop_map(String::into_bytes),
    ];
    (prop::collection::vec(piece, 0..8)).prop_map(|pieces| pieces.concat())
}

fn decoders() -> [Decoder; 3] {
    [Decoder::auto(), Decoder::of(Encoding::Packed), Decoder::of(Encoding::Text)]
}

/// Everything a decoder says, one line each.
fn told(mut decoder: Decoder, pieces: &[&[u8]]) -> Vec<String> {
    let mut told = Vec::new();
    let mut columns = Vec::new();
    let mut out = |decoded: Decoded<'_>| match decoded {
        Decoded::Columns(bytes) => columns.extend_from_slice(bytes),
        other => told.push(format!("{other:?}")),
    };
    for piece in pieces {
        decoder.push(piece, &mut out);
    }
    decoder.finish(&mut out);
    told.push(format!("columns {columns:?}"));
    told
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

    #[test]
    fn the_size_of_the_pieces_makes_no_difference(stream in any_stream(), cuts in prop::collection::vec(any::<prop::sample::Index>(), 0..6)) {
        let mut cuts: Vec<usize> = cuts.iter().map(|cut| cut.index(stream.len() + 1)).collect();
        cuts.sort_unstable();
        let mut pieces = Vec::new();
        let mut from = 0;
        for cut in cuts {
            pieces.push(&stream[from..cut]);
            from = cut;
        }
        pieces.push(&stream[from..]);
        let bytes: Vec<&[u8]> = stream.chunks(1).collect();
        for ((whole, cut), single) in decoders().into_iter().zip(decoders()).zip(decoders()) {
            let expected = told(whole, &[&stream]);
            prop_assert_eq!(&told(cut, &pieces), &expected);
            prop_assert_eq!(&told(single, &bytes), &expected);
        }
    }

    #[test]
    fn every_byte_is_accounted_for(stream in prop_oneof![1 => Just(vec![0, 44]), 1 => Just(b"\0\n.;0\n".to_vec()), 30 => any_stream()]) {
        for mut decoder in decoders() {
            let mut at = 0u64;
            let mut lost = None;
            let mut out = |decoded: Decoded<'_>| {
                let range = match decoded {
                    Decoded::Frame(received) => received.at..received.at + received.raw.len() as u64,
                    // These two speak of bytes that are also reported by themselves.
                    Decoded::Damage(Damage { kind: DamageKind::Speed | DamageKind::OnlyZeros, .. }, _) => return,
                    Decoded::Damage(damage, _) => damage.bytes,
                    Decoded::Columns(bytes) => {
                        // They tell no place: separators may stand before them that belong to no line, and some that do.
                        let rest = &stream[at as usize..];
                        let apart = rest.iter().take_while(|b| matches!(b, 0 | b'\r' | b'\n')).count();
                        let from = at + (0..=apart).find(|n| rest[*n..].starts_with(bytes)).unwrap_or(apart) as u64;
                        if !stream[from as usize..].starts_with(bytes) {
                            lost.get_or_insert(at..from);
                        }
                        from..from + bytes.len() as u64
                    }
                };
                let between = at.min(range.start) as usize..range.start as usize;
                if range.start < at || !stream[between].iter().all(|b| matches!(b, 0 | b'\r' | b'\n')) {
                    lost.get_or_insert(at..range.start);
                }
                at = range.end;
            };
            decoder.push(&stream, &mut out);
            decoder.finish(&mut out);
            prop_assert_eq!(lost, None);
            // The last frame may have been given a line feed that was not there.
            let rest = stream.get(at as usize..).unwrap_or(&[]);
            prop_assert!(rest.iter().all(|b| matches!(b, 0 | b'\r' | b'\n')), "{:?} at the end", rest);
        }
    }

    #[test]
    fn frames_behind_rubbish_are_found(rubbish in prop::collection::vec(any::<u8>(), 0..6000), encoding in encodings()) {
        let (stream, expected) = sample_stream(encoding);
        let mut bytes = rubbish;
        bytes.push(if encoding == Encoding::Packed { 0 } else { b'\n' });
        bytes.extend(&stream);
        let (frames, _) = collect(Decoder::of(encoding), &[&bytes]);
        prop_assert_eq!(frames, expected);
    }

    #[test]
    fn raw_bytes_put_together_are_the_stream_again(stream in any_stream(), encoding in encodings()) {
        let mut raw = Vec::new();
        let mut frames = Vec::new();
        let mut decoder = Decoder::of(encoding);
        let mut out = |decoded: Decoded<'_>| if let Decoded::Frame(received) = decoded {
            raw.extend_from_slice(received.raw);
            frames.push((received.id, received.frame));
        };
        decoder.push(&stream, &mut out);
        decoder.finish(&mut out);
        let (again, damages) = collect(Decoder::of(encoding), &[&raw]);
        prop_assert_eq!(again, frames);
        prop_assert_eq!(damages, vec![]);
    }
}

#[test]
fn the_sample_stream_is_whole_in_both_encodings() {
    for encoding in BOTH {
        let (stream, expected) = sample_stream(encoding);
        let (frames, damages) = collect(Decoder::auto(), &[&stream]);
        assert_eq!(damages, []);
        assert_eq!(frames, expected);
    }
}

#[test]
fn no_wrong_bit_makes_a_wrong_frame() {
    for encoding in BOTH {
        let (mut stream, expected) = sample_stream(encoding);
        for bit in 0..8 * stream.len() {
            stream[bit / 8] ^= 1 << (bit % 8);
            let (frames, damages) = collect(Decoder::of(encoding), &[&stream]);
            assert!(frames.iter().all(|frame| expected.contains(frame)), "{encoding} bit {bit}: {frames:?}");
            assert!(
                frames.len() + 2 >= expected.len(),
                "{encoding} bit {bit}: more than two frames are gone"
            );
            assert!(frames == expected || !damages.is_empty(), "{encoding} bit {bit}: lost silently");
            stream[bit / 8] ^= 1 << (bit % 8);
        }
    }
}

#[test]
fn a_cut_at_any_byte_costs_the_frame_it_falls_in() {
    for encoding in BOTH {
        let (stream, expected) = sample_stream(encoding);
        for cut in 0..=stream.len() {
            let (before, _) = collect(Decoder::of(encoding), &[&stream[..cut]]);
            let (after, _) = collect(Decoder::of(encoding), &[&stream[cut..]]);
            assert_eq!(before, expected[..before.len()]);
            assert_eq!(after, expected[expected.len() - after.len()..]);
            assert!(before.len() + after.len() + 1 >= expected.len(), "{encoding} cut at {cut}");
        }
    }
}

#[test]
fn the_text_lines_are_as_they_are_documented() {
    let documented = [
        "hello 0000002A.3.0 v=1 t=0 clock=ms32 epoch=1790000000000000 dt=10 name=bench-07 firmware=1.4 lid-latched:state::1e0 pump:state::1e0 pressure:number:bar:1e-2 oil-temp:number:degC:1e-1 #D834",
        "block 0000002A.3.1 t=1000 dt=10 levels=1 812,215 815,215 809,215 20000,- #B7BE",
        "edge 0000002A.3.2 t=1034 signal=1 level=1 #64EF",
        "mark 0000002A.3.3 t=1036 #90BE",
        "health 0000002A.3.4 t=1040 fill=12 dropped=0 supply=12600 temp=-45 #C175",
        "time 0000002A.3.5 t=1050 echo=1040 utc=1790000001045000 #EBA9",
        "end 0000002A.3.6 t=1060 #BA4D",
    ];
    let (stream, _) = sample_stream(Encoding::Text);
    let text = String::from_utf8(stream).unwrap();
    assert_eq!(text.lines().collect::<Vec<_>>(), documented);
}

/// The worked example of the documentation. These bytes were made by another program, in another language, from the
/// byte tables alone.
#[test]
fn the_packed_bytes_are_as_they_are_documented() {
    let documented = [
        "03 01 2A 01 01 02 03 02 01 01 19 01 80 80 AF A2 DB FF AD 06 0A 08 62 65 6E 63 68 2D 30 37 03 31 2E 34 04 0D 0B 6C 69 64 2D 6C 61 74 63 68 65 64 02 02 01 06 04 70 75 6D 70 02 02 26 01 08 70 72 65 73 73 75 72 65 03 62 61 72 02 FE 01 08 6F 69 6C 2D 74 65 6D 70 04 64 65 67 43 02 FF DC 87 42 28 00",
        "03 02 2A 01 01 0D 03 01 E8 07 0A 01 02 04 10 D8 0C 06 02 0B 06 EE 95 20 AE 03 01 01 01 01 01 01 01 09 52 FE FF FF AA DD AD 7C 00",
        "03 03 2A 01 01 0B 03 02 8A 08 01 01 0A 63 A5 B4 00",
        "03 04 2A 01 01 09 03 03 8C 08 FE 75 4D 5A 00",
        "03 05 2A 01 01 06 03 04 90 08 0C 0B 01 F0 C4 01 01 59 23 0A 7F 44 00",
        "03 06 2A 01 01 13 03 05 9A 08 90 08 90 C8 AE A3 DB FF AD 06 E3 15 E5 56 00",
        "03 07 2A 01 01 09 03 06 A4 08 7A 25 56 38 00",
    ];
    let (stream, _) = sample_stream(Encoding::Packed);
    let hex = |bytes: &[u8]| bytes.iter().map(|b| format!("{b:02X}")).collect::<Vec<_>>().join(" ");
    let frames: Vec<_> = stream.split_inclusive(|b| *b == 0).map(hex).collect();
    assert_eq!(frames, documented);
}

/// From the corner cases of Cheshire and Baker 1999: a zero within a run is no stuffed frame.
#[test]
fn a_zero_within_a_run_parts_two_damaged_frames() {
    let (frames, damages) = collect(Decoder::of(Encoding::Packed), &[&[0x05, 0x31, 0x32, 0x00, 0x34, 0x00]]);
    assert_eq!(frames, []);
    assert_eq!(damages.iter().map(|d| d.bytes.clone()).collect::<Vec<_>>(), [0..4, 4..6]);
}

#[test]
fn frames_that_no_decoder_reads_are_not_encoded() {
    let id = foldwatch_wire::FrameId { logger: 1, boot: 1, sequence: 1 };
    let block = |columns, rows, values: Vec<i32>| {
        Frame::Block(foldwatch_wire::Block { at: 0, period: 1, levels: 0, columns, rows, values })
    };
    for encoding in BOTH {
        assert!(block(2, 1, vec![1]).encode(id, encoding).is_err());
        assert!(block(0, 0, vec![]).encode(id, encoding).is_err());
        assert!(block(65, 1, vec![0; 65]).encode(id, encoding).is_err());
        assert!(
            block(1, 1024, (0..1024).map(|n: i32| n.wrapping_mul(0x9E37_79B9u32 as i32)).collect())
                .encode(id, encoding)
                .is_err()
        );
        assert!(block(0, 1, vec![]).encode(id, encoding).is_ok());
    }
    assert!(block(0, 1, vec![]).encode(id, Encoding::Columns).is_err());
}
