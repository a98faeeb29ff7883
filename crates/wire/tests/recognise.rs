//! What a stream is, and what is wrong with a port.

mod common;

use common::{collect, sample_stream};
use foldwatch_wire::{Damage, DamageKind, Decoded, Decoder, Encoding};
use proptest::prelude::*;

fn recognised(bytes: &[u8]) -> Option<Encoding> {
    let mut decoder = Decoder::auto();
    decoder.push(bytes, &mut |_| {});
    decoder.finish(&mut |_| {});
    decoder.encoding()
}

#[test]
fn columns_are_recognised_and_passed_on_from_the_first_byte() {
    for log in [
        "time,p [bar],pump\n0.00,1.5,0\n0.01,1.6,0\n0.02,1.6,1\n",
        "\u{feff}Zeit;Druck;Öl °C\r\n0,00;1,5;21\r\n0,01;1,25;21\r\n0,02;1,5;21\r\n",
        "# a banner\n# of some logger\n\nt\tp\n1\t2\n2\t2\n3\t2\n",
        "t|p\n1|2\n",
        "1,2",
    ] {
        let mut decoder = Decoder::auto();
        let mut passed = Vec::new();
        let mut out = |decoded: Decoded<'_>| match decoded {
            Decoded::Columns(bytes) => passed.extend_from_slice(bytes),
            other => panic!("{other:?}"),
        };
        decoder.push(log.as_bytes(), &mut out);
        decoder.finish(&mut out);
        assert_eq!(decoder.encoding(), Some(Encoding::Columns), "{log}");
        assert_eq!(passed, log.as_bytes());
    }
}

#[test]
fn frames_are_recognised_from_the_first_whole_one() {
    for encoding in [Encoding::Packed, Encoding::Text] {
        let (stream, expected) = sample_stream(encoding);
        for cut in 0..stream.len() / 2 {
            let mut decoder = Decoder::auto();
            let mut found = None;
            let mut count = 0;
            decoder.push(&stream[cut..], &mut |decoded| {
                if let Decoded::Frame(received) = decoded {
                    found.get_or_insert(received.id);
                    count += 1;
                }
            });
            assert_eq!(decoder.encoding(), Some(encoding), "cut at {cut}");
            assert!(count > 0 && count <= expected.len());
        }
    }
}

#[test]
fn a_text_stream_with_a_banner_or_damaged_lines_is_text() {
    let (stream, _) = sample_stream(Encoding::Text);
    let mut log = b"logger ready\r\nwaiting, for, host\r\n".to_vec();
    log.extend(&stream);
    assert_eq!(recognised(&log), Some(Encoding::Text));
    // Every check wrong: still lines of ours, and the damage says so.
    let spoilt = String::from_utf8(stream).unwrap().replace("0000002A", "0000002B").replace('\n', "\r\n");
    let (frames, damages) = collect(Decoder::auto(), &[spoilt.as_bytes()]);
    assert_eq!(frames, []);
    assert_eq!(damages.iter().filter(|d| d.kind == DamageKind::Check).count(), 7);
    assert_eq!(damages[2].line, Some(3));
    assert!(damages[2].message.starts_with("line 3 (byte "), "{}", damages[2].message);
}

#[test]
fn nothing_and_rubbish_are_nothing_known() {
    assert_eq!(recognised(b""), None);
    assert_eq!(recognised(&[0; 5000]), None);
    assert_eq!(recognised(b"no log at all\n"), None);
    let (_, damages) = collect(Decoder::auto(), &[b"no log at all\n"]);
    assert_eq!(damages.len(), 1);
    assert_eq!((damages[0].kind, damages[0].bytes.clone()), (DamageKind::Unrecognised, 0..14));
}

#[test]
fn a_line_without_end_takes_no_memory_and_is_told_once() {
    for decoder in [Decoder::auto(), Decoder::of(Encoding::Packed), Decoder::of(Encoding::Text)] {
        let auto = decoder.encoding().is_none();
        let mut decoder = decoder;
        let mut damages = Vec::new();
        let mut longest = 0;
        let mut out = |decoded: Decoded<'_>| match decoded {
            Decoded::Damage(damage, raw) => {
                longest = longest.max(raw.len());
                damages.push(damage);
            }
            other => panic!("{other:?}"),
        };
        let chunk = vec![b'x'; 1 << 16];
        for _ in 0..256 {
            decoder.push(&chunk, &mut out);
        }
        decoder.finish(&mut out);
        assert!(longest <= 1 << 16);
        let accounted: u64 =
            damages.iter().filter(|d| d.kind != DamageKind::Speed).map(|d| d.bytes.end - d.bytes.start).sum();
        assert_eq!(accounted, 256 << 16);
        assert_eq!(damages.len(), if auto { 256 } else { 3 }, "{damages:?}");
    }
}

/// What a port set to `port` baud reads of bytes sent at `sender` baud: one start bit, eight data bits, lowest first,
/// one stop bit, sampled in the middle of each bit as the port sees it.
fn misread(bytes: &[u8], sender: f64, port: f64) -> Vec<u8> {
    let mut line = Vec::new();
    for byte in bytes {
        line.push(false);
        line.extend((0..8).map(|bit| byte >> bit & 1 == 1));
        line.extend([true; 2]);
    }
    let level = |time: f64| line.get((time * sender) as usize).copied().unwrap_or(true);
    let mut read = Vec::new();
    let (mut time, end, step) = (0.0, line.len() as f64 / sender, 0.05 / port.max(sender));
    while time < end {
        if level(time) {
            time += step;
            continue;
        }
        let bit = |n: f64| level(time + (n + 0.5) / port);
        read.push((0..8).fold(0, |byte, n| byte | u8::from(bit(f64::from(n) + 1.0)) << n));
        time += 9.5 / port;
        while time < end && !level(time) {
            time += step;
        }
    }
    read
}

#[test]
fn a_wrong_speed_is_suspected_in_words() {
    for encoding in [Encoding::Packed, Encoding::Text] {
        let repeated = |n| std::iter::repeat_n(sample_stream(encoding).0, n).flatten().collect::<Vec<u8>>();
        assert_eq!(misread(&repeated(2), 115_200.0, 115_200.0), repeated(2));
        for (sender, port) in [
            (9600.0, 115_200.0),
            (115_200.0, 9600.0),
            (57_600.0, 115_200.0),
            (115_200.0, 57_600.0),
            (19_200.0, 38_400.0),
        ] {
            // A slow port sees one byte of many.
            let bytes = misread(&repeated(if port < sender { 200 } else { 20 }), sender, port);
            for decoder in [Decoder::auto(), Decoder::of(encoding)] {
                let how = format!("{encoding} {sender} as {port} by {decoder:?}, {} bytes", bytes.len());
                let (frames, damages) = collect(decoder, &[&bytes]);
                assert_eq!(frames, [], "{how}");
                let told: Vec<_> = damages
                    .iter()
                    .filter(|d| matches!(d.kind, DamageKind::Speed | DamageKind::OnlyZeros))
                    .collect();
                assert!(!told.is_empty(), "{how}: {damages:?}");
                assert!(told[0].message.contains("same baud rate"), "{how}");
                let faster = told[0].message.contains("set faster than the logger");
                assert!(!faster || port > sender, "{how}: {}", told[0].message);
            }
        }
    }
}

#[test]
fn a_port_much_too_fast_is_told_by_its_pattern() {
    let stream: Vec<u8> = std::iter::repeat_n(sample_stream(Encoding::Text).0, 10).flatten().collect();
    let (_, damages) = collect(Decoder::auto(), &[&misread(&stream, 38_400.0, 115_200.0)]);
    assert!(damages[0].message.contains("set faster than the logger"), "{}", damages[0].message);
}

#[test]
fn nothing_but_zeros_is_told_once() {
    for decoder in [Decoder::auto(), Decoder::of(Encoding::Packed)] {
        let (_, damages) = collect(decoder, &[&[0; 10_000]]);
        let kinds: Vec<_> = damages.iter().map(|d| d.kind).collect();
        assert_eq!(kinds, [DamageKind::OnlyZeros]);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// A sound stream with a damaged frame now and then is no case of a wrong speed.
    #[test]
    fn a_little_damage_is_not_called_a_wrong_speed(bits in prop::collection::vec(any::<prop::sample::Index>(), 0..3)) {
        for encoding in [Encoding::Packed, Encoding::Text] {
            let mut stream = sample_stream(encoding).0;
            for bit in &bits {
                let bit = bit.index(8 * stream.len());
                stream[bit / 8] ^= 1 << (bit % 8);
            }
            let (_, damages) = collect(Decoder::auto(), &[&stream]);
            let told = damages.iter().find(|d: &&Damage| matches!(d.kind, DamageKind::Speed));
            prop_assert_eq!(told, None);
        }
    }
}
