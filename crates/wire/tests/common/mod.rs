//! Frames for tests.
#![allow(dead_code, clippy::unwrap_used, reason = "tests; and each file uses its own part")]

use foldwatch_wire::*;
use proptest::prelude::*;

/// All frames and damages that a decoder gives for pieces of a stream.
pub fn collect(mut decoder: Decoder, pieces: &[&[u8]]) -> (Vec<(FrameId, Frame)>, Vec<Damage>) {
    let (mut frames, mut damages) = (Vec::new(), Vec::new());
    let mut out = |decoded: Decoded<'_>| match decoded {
        Decoded::Frame(received) => frames.push((received.id, received.frame)),
        Decoded::Damage(damage, _) => damages.push(damage),
        Decoded::Columns(_) => {}
    };
    for piece in pieces {
        decoder.push(piece, &mut out);
    }
    decoder.finish(&mut out);
    (frames, damages)
}

/// Any frame's id.
pub fn any_id() -> impl Strategy<Value = FrameId> {
    any::<(u32, u32, u32)>().prop_map(|(logger, boot, sequence)| FrameId { logger, boot, sequence })
}

fn any_signal() -> impl Strategy<Value = Signal> {
    ("[a-z][a-z0-9-]{0,12}", any::<bool>(), "|bar|mV|degC|°C", any::<(i32, i8)>()).prop_map(
        |(id, number, unit, (mantissa, exponent))| Signal {
            id,
            kind: if number { Kind::Number } else { Kind::State },
            unit,
            scale: Scale { mantissa, exponent },
        },
    )
}

fn any_hello() -> impl Strategy<Value = Hello> {
    let clock = prop_oneof![Just(Clock::Millis32), Just(Clock::Micros32), Just(Clock::Micros64)];
    let signals = prop::collection::vec(any_signal(), 0..20);
    (any::<(u64, Option<i64>, u32)>(), "[!-9;-~]{0,12}", "[0-9.]{0,8}", clock, signals).prop_map(
        |((at, epoch, period), name, firmware, clock, signals)| Hello {
            at,
            name,
            firmware,
            clock,
            epoch,
            period,
            signals,
        },
    )
}

fn any_value() -> impl Strategy<Value = i32> {
    prop_oneof![6 => -200..200i32, 2 => any::<i32>(), 1 => Just(NO_READING), 1 => Just(i32::MAX)]
}

fn any_block() -> impl Strategy<Value = Block> {
    (any::<(u64, u32, u64)>(), 0u8..10, 1u16..20)
        .prop_flat_map(|(times, columns, rows)| {
            let n = usize::from(columns) * usize::from(rows);
            (Just((times, columns, rows)), prop::collection::vec(any_value(), n..=n))
        })
        .prop_map(|(((at, period, levels), columns, rows), values)| Block {
            at,
            period,
            levels,
            columns,
            rows,
            values,
        })
}

/// Any frame that the format can say.
pub fn any_frame() -> impl Strategy<Value = Frame> {
    prop_oneof![
        any_hello().prop_map(Frame::Hello),
        any_block().prop_map(Frame::Block),
        any::<(u64, u8, bool)>().prop_map(|(at, signal, high)| Frame::Edge(Edge { at, signal, high })),
        any::<u64>().prop_map(|at| Frame::Mark(Mark { at })),
        any::<(u64, u16, u32, Option<u16>, Option<i16>)>().prop_map(
            |(at, fill_permille, dropped, supply_mv, temperature_dc)| {
                Frame::Health(Health { at, fill_permille, dropped, supply_mv, temperature_dc })
            }
        ),
        any::<(u64, u64, i64)>().prop_map(|(at, echo, utc)| Frame::Time(TimeNote { at, echo, utc })),
        any::<u64>().prop_map(|at| Frame::End(End { at })),
    ]
}

/// A short stream with each kind of frame, and what it holds.
pub fn sample_stream(encoding: Encoding) -> (Vec<u8>, Vec<(FrameId, Frame)>) {
    let signal = |id: &str, kind, unit: &str, exponent| Signal {
        id: id.into(),
        kind,
        unit: unit.into(),
        scale: Scale { mantissa: 1, exponent },
    };
    let frames = [
        Frame::Hello(Hello {
            at: 0,
            name: "bench-07".into(),
            firmware: "1.4".into(),
            clock: Clock::Millis32,
            epoch: Some(1_790_000_000_000_000),
            period: 10,
            signals: vec![
                signal("lid-latched", Kind::State, "", 0),
                signal("pump", Kind::State, "", 0),
                signal("pressure", Kind::Number, "bar", -2),
                signal("oil-temp", Kind::Number, "degC", -1),
            ],
        }),
        Frame::Block(Block {
            at: 1000,
            period: 10,
            levels: 0b01,
            columns: 2,
            rows: 4,
            values: vec![812, 215, 815, 215, 809, 215, 20_000, NO_READING],
        }),
        Frame::Edge(Edge { at: 1034, signal: 1, high: true }),
        Frame::Mark(Mark { at: 1036 }),
        Frame::Health(Health {
            at: 1040,
            fill_permille: 12,
            dropped: 0,
            supply_mv: Some(12_600),
            temperature_dc: Some(-45),
        }),
        Frame::Time(TimeNote { at: 1050, echo: 1040, utc: 1_790_000_001_045_000 }),
        Frame::End(End { at: 1060 }),
    ];
    let expected: Vec<_> = frames
        .into_iter()
        .enumerate()
        .map(|(n, frame)| (FrameId { logger: 0x2A, boot: 3, sequence: n as u32 }, frame))
        .collect();
    let bytes = expected.iter().flat_map(|(id, frame)| frame.encode(*id, encoding).unwrap()).collect();
    (bytes, expected)
}
