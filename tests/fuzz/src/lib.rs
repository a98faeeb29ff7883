//! What the targets share: properties that hold for any bytes.

use foldwatch_encoder::{CRC_16, CRC_32};
use foldwatch_wire::{DamageKind, Decoded, Decoder, Encoding};

/// The checks can't be guessed by a fuzzer, so it writes units without them and they are put on here. The first byte
/// of a unit says whether it is left as it is.
pub fn with_checks(data: &[u8], encoding: Encoding) -> Vec<u8> {
    let mut stream = Vec::new();
    // Units of the fuzzer's own length: two bytes of it, then the unit.
    let mut rest = data;
    while let Some((head, after)) = rest.split_first_chunk::<2>() {
        let len = usize::from(u16::from_le_bytes(*head) & 0x3FF).min(after.len());
        let (unit, after) = after.split_at(len);
        rest = after;
        match encoding {
            _ if head[1] & 0x80 != 0 => stream.extend_from_slice(unit),
            Encoding::Packed => {
                let mut body = unit.to_vec();
                body.extend(CRC_32.checksum(unit).to_le_bytes());
                stream.extend(stuff(&body));
                stream.push(0);
            }
            _ => {
                stream.extend_from_slice(unit);
                stream.extend(format!(" #{:04X}\n", CRC_16.checksum(unit)).bytes());
            }
        }
    }
    stream
}

/// Stuffing by the rule, not by the library that the decoder uses.
fn stuff(body: &[u8]) -> Vec<u8> {
    let mut out = vec![0];
    let (mut place, mut code) = (0, 1);
    for byte in body {
        if *byte != 0 {
            out.push(*byte);
            code += 1;
        }
        if *byte == 0 || code == 0xFF {
            out[place] = code;
            (place, code) = (out.len(), 1);
            out.push(0);
        }
    }
    out[place] = code;
    out
}

/// All that a decoder says of a stream, in one piece and in two.
pub fn examine(new: impl Fn() -> Decoder, stream: &[u8], cut: usize) {
    let told = |pieces: &[&[u8]]| {
        let (mut told, mut columns) = (Vec::new(), Vec::new());
        let mut at = 0;
        let mut decoder = new();
        let mut out = |decoded: Decoded<'_>| {
            match &decoded {
                Decoded::Frame(received) => {
                    assert!(received.at >= at, "bytes are given twice");
                    at = received.at + received.raw.len() as u64;
                    survives(received.id, &received.frame);
                }
                Decoded::Damage(damage, _) => {
                    if !matches!(damage.kind, DamageKind::Speed | DamageKind::OnlyZeros) {
                        assert!(damage.bytes.start >= at, "bytes are given twice");
                        at = damage.bytes.end;
                    }
                }
                Decoded::Columns(bytes) => return columns.extend_from_slice(bytes),
            }
            told.push(format!("{decoded:?}"));
        };
        pieces.iter().for_each(|piece| decoder.push(piece, &mut out));
        decoder.finish(&mut out);
        (told, columns)
    };
    let (front, back) = stream.split_at(cut.min(stream.len()));
    assert_eq!(told(&[stream]), told(&[front, back]));
}

/// A frame that was read can be written in its encoding, and then reads the same; in the other encoding it may be too
/// long.
fn survives(id: foldwatch_wire::FrameId, frame: &foldwatch_wire::Frame) {
    let mut written = 0;
    for encoding in [Encoding::Packed, Encoding::Text] {
        let Ok(bytes) = frame.encode(id, encoding) else { continue };
        written += 1;
        let mut again = None;
        Decoder::of(encoding).push(&bytes, &mut |decoded| {
            if let Decoded::Frame(received) = decoded {
                again = Some((received.id, received.frame));
            }
        });
        assert_eq!(again.as_ref(), Some(&(id, frame.clone())));
    }
    assert!(written > 0, "{frame:?} can't be written");
}
