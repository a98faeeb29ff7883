//! A logger in one page: it makes up a second of samples and writes the stream to standard output, packed, or as text
//! with `--text`. Also what the size of the encoder is measured on; the command stands in the project's notes for
//! developers.

use std::io::Write;

use foldwatch_encoder::{
    Clock, EncodeError, Encoding, End, Frame, FrameId, Health, Hello, Kind, MAX_PACKED, Reply, ReplyReader,
    Scale, Signal, Stream, TimeNote,
};

const SIGNALS: [Signal<'_>; 4] = [
    Signal { id: "lid-latched", kind: Kind::State, unit: "", scale: Scale::ONE },
    Signal { id: "pump", kind: Kind::State, unit: "", scale: Scale::ONE },
    Signal { id: "pressure", kind: Kind::Number, unit: "bar", scale: Scale { mantissa: 1, exponent: -2 } },
    Signal { id: "oil-temp", kind: Kind::Number, unit: "degC", scale: Scale { mantissa: 1, exponent: -1 } },
];

fn main() {
    let text = std::env::args().any(|arg| arg == "--text");
    let encoding = if text { Encoding::Text } else { Encoding::Packed };
    let mut port = std::io::stdout().lock();
    let mut buf = [0; MAX_PACKED];
    // A real logger keeps the frame until the host has acknowledged it.
    let mut emit = |id: FrameId, frame: &Frame<'_>| match encode(id, frame, encoding, &mut buf) {
        Ok(n) => {
            if port.write_all(&buf[..n]).is_err() {
                std::process::exit(1);
            }
        }
        Err(error) => eprintln!("{error}"),
    };
    let mut stream = Stream::<240>::new(0x2A, 1, 2, 10);
    let hello = Hello {
        at: 0,
        name: "bench-07",
        firmware: "1.4",
        clock: Clock::Millis32,
        epoch: None,
        period: 10,
        signals: &SIGNALS,
    };
    stream.say(&Frame::Hello(hello), &mut emit);
    for n in 0..100 {
        let at = 10 * n;
        let pump = n >= 50;
        let pressure = if pump { 800 + 40 * (n as i32 - 50) } else { 0 };
        if row(&mut stream, at, u64::from(pump) << 1, &[pressure, 215], &mut emit).is_err() {
            return;
        }
    }
    let health =
        Health { at: 1000, fill_permille: 3, dropped: 0, supply_mv: Some(12_600), temperature_dc: None };
    stream.say(&Frame::Health(health), &mut emit);
    stream.say(&Frame::End(End { at: 1000 }), &mut emit);

    // What the host might answer: here the answer is made on the spot.
    let mut answer = [0; Reply::MAX_LEN];
    let reply = Reply::Time { logger: 0x2A, utc: 1_790_000_000_000_000, echo: 1000 };
    let n = reply.encode(encoding, &mut answer).unwrap_or(0);
    let mut reader = ReplyReader::new(encoding);
    for byte in &answer[..n] {
        if let Some(Reply::Time { logger: 0x2A, utc, echo }) = hear(&mut reader, *byte) {
            stream.say(&Frame::Time(TimeNote { at: 1004, echo, utc }), &mut emit);
        }
    }
}

// Each by itself, so that its size can be told from the program's.

#[inline(never)]
fn encode(id: FrameId, frame: &Frame<'_>, encoding: Encoding, out: &mut [u8]) -> Result<usize, EncodeError> {
    frame.encode(id, encoding, out)
}

#[inline(never)]
fn row(
    stream: &mut Stream<240>,
    at: u64,
    levels: u64,
    values: &[i32],
    emit: &mut impl FnMut(FrameId, &Frame<'_>),
) -> Result<(), EncodeError> {
    stream.row(at, levels, values, emit)
}

#[inline(never)]
fn hear(reader: &mut ReplyReader, byte: u8) -> Option<Reply> {
    reader.push(byte)
}
