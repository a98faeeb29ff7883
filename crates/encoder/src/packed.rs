//! The packed form: type, id, fields, CRC-32 low byte first; zero bytes stuffed away; one zero byte to close.

use crate::{
    Block, CRC_32, Clock, EncodeError, Frame, FrameId, Hello, Kind, MAX_FRAME, NO_READING, Reply, VERSION,
    varint,
};
use cobs::CobsEncoder;

/// First byte of a frame.
pub(crate) mod tag {
    pub const HELLO: u8 = 1;
    pub const BLOCK: u8 = 2;
    pub const EDGE: u8 = 3;
    pub const MARK: u8 = 4;
    pub const HEALTH: u8 = 5;
    pub const TIME: u8 = 6;
    pub const END: u8 = 7;
    pub const HOST_HELLO: u8 = 0x81;
    pub const HOST_TIME: u8 = 0x82;
    pub const HOST_ACKNOWLEDGE: u8 = 0x83;
    pub const HOST_RESEND: u8 = 0x84;
}

/// Width byte of a column without any reading.
const ABSENT: u8 = 0xFF;

/// Stuffs and checks what is put into it.
struct Sink<'a> {
    cobs: CobsEncoder<'a>,
    crc: crc::Digest<'static, u32>,
    len: usize,
    room: usize,
}

impl<'a> Sink<'a> {
    fn new(out: &'a mut [u8]) -> Self {
        let room = out.len();
        Sink { cobs: CobsEncoder::new(out), crc: CRC_32.digest(), len: 0, room }
    }

    fn put(&mut self, bytes: &[u8]) -> Result<(), EncodeError> {
        if bytes.is_empty() {
            return Ok(());
        }
        self.crc.update(bytes);
        self.len += bytes.len();
        self.cobs.push(bytes).map_err(|_| EncodeError::Full)
    }

    fn byte(&mut self, byte: u8) -> Result<(), EncodeError> {
        self.put(&[byte])
    }

    fn number(&mut self, value: impl Into<u64>) -> Result<(), EncodeError> {
        self.put(varint::write(value.into(), &mut [0; varint::MAX_LEN]))
    }

    fn signed(&mut self, value: impl Into<i64>) -> Result<(), EncodeError> {
        self.number(varint::fold(value.into()))
    }

    fn word(&mut self, word: &str) -> Result<(), EncodeError> {
        self.number(word.len() as u64)?;
        self.put(word.as_bytes())
    }

    /// Adds the CRC; gives the stuffed length without the delimiter.
    fn close(mut self) -> Result<usize, EncodeError> {
        let crc = self.crc.finalize().to_le_bytes();
        self.cobs.push(&crc).map_err(|_| EncodeError::Full)?;
        let stuffed = self.cobs.finalize();
        if self.len + crc.len() > MAX_FRAME || stuffed >= self.room {
            return Err(EncodeError::Full);
        }
        Ok(stuffed)
    }
}

fn delimit(out: &mut [u8], stuffed: usize) -> Result<usize, EncodeError> {
    *out.get_mut(stuffed).ok_or(EncodeError::Full)? = 0;
    Ok(stuffed + 1)
}

pub(crate) fn encode(id: FrameId, frame: &Frame<'_>, out: &mut [u8]) -> Result<usize, EncodeError> {
    let mut sink = Sink::new(out);
    let tag = match frame {
        Frame::Hello(_) => tag::HELLO,
        Frame::Block(_) => tag::BLOCK,
        Frame::Edge(_) => tag::EDGE,
        Frame::Mark(_) => tag::MARK,
        Frame::Health(_) => tag::HEALTH,
        Frame::Time(_) => tag::TIME,
        Frame::End(_) => tag::END,
    };
    sink.byte(tag)?;
    sink.put(&id.logger.to_le_bytes())?;
    sink.number(id.boot)?;
    sink.number(id.sequence)?;
    match frame {
        Frame::Hello(hello) => put_hello(&mut sink, hello)?,
        Frame::Block(block) => put_block(&mut sink, block)?,
        Frame::Edge(edge) => {
            sink.number(edge.at)?;
            sink.byte(edge.signal)?;
            sink.byte(u8::from(edge.high))?;
        }
        Frame::Mark(mark) => sink.number(mark.at)?,
        Frame::Health(health) => {
            sink.number(health.at)?;
            sink.number(health.fill_permille)?;
            sink.number(health.dropped)?;
            put_option(&mut sink, health.supply_mv.map(i64::from))?;
            put_option(&mut sink, health.temperature_dc.map(i64::from))?;
        }
        Frame::Time(note) => {
            sink.number(note.at)?;
            sink.number(note.echo)?;
            sink.signed(note.utc)?;
        }
        Frame::End(end) => sink.number(end.at)?,
    }
    let stuffed = sink.close()?;
    delimit(out, stuffed)
}

pub(crate) fn encode_reply(reply: &Reply, out: &mut [u8]) -> Result<usize, EncodeError> {
    let mut sink = Sink::new(out);
    match *reply {
        Reply::Hello => sink.byte(tag::HOST_HELLO)?,
        Reply::Time { logger, utc, echo } => {
            sink.byte(tag::HOST_TIME)?;
            sink.put(&logger.to_le_bytes())?;
            sink.signed(utc)?;
            sink.number(echo)?;
        }
        Reply::Acknowledge { logger, boot, up_to } => {
            sink.byte(tag::HOST_ACKNOWLEDGE)?;
            sink.put(&logger.to_le_bytes())?;
            sink.number(boot)?;
            sink.number(up_to)?;
        }
        Reply::Resend { logger, boot, from, to } => {
            sink.byte(tag::HOST_RESEND)?;
            sink.put(&logger.to_le_bytes())?;
            sink.number(boot)?;
            sink.number(from)?;
            sink.number(to)?;
        }
    }
    let stuffed = sink.close()?;
    delimit(out, stuffed)
}

/// The body of a reply, unstuffed and with its CRC taken off.
pub(crate) fn read_reply(mut body: &[u8]) -> Option<Reply> {
    fn logger(body: &mut &[u8]) -> Option<u32> {
        let (bytes, rest) = body.split_first_chunk::<4>()?;
        *body = rest;
        Some(u32::from_le_bytes(*bytes))
    }
    fn number(body: &mut &[u8]) -> Option<u32> {
        varint::read(body).and_then(|n| u32::try_from(n).ok())
    }
    let (tag, rest) = body.split_first()?;
    body = rest;
    let reply = match *tag {
        tag::HOST_HELLO => Reply::Hello,
        tag::HOST_TIME => Reply::Time {
            logger: logger(&mut body)?,
            utc: varint::unfold(varint::read(&mut body)?),
            echo: varint::read(&mut body)?,
        },
        tag::HOST_ACKNOWLEDGE => Reply::Acknowledge {
            logger: logger(&mut body)?,
            boot: number(&mut body)?,
            up_to: number(&mut body)?,
        },
        tag::HOST_RESEND => Reply::Resend {
            logger: logger(&mut body)?,
            boot: number(&mut body)?,
            from: number(&mut body)?,
            to: number(&mut body)?,
        },
        _ => return None,
    };
    body.is_empty().then_some(reply)
}

/// 0 for nothing, else 1 and the number.
fn put_option(sink: &mut Sink<'_>, value: Option<i64>) -> Result<(), EncodeError> {
    sink.byte(u8::from(value.is_some()))?;
    value.map_or(Ok(()), |value| sink.signed(value))
}

fn put_hello(sink: &mut Sink<'_>, hello: &Hello<'_>) -> Result<(), EncodeError> {
    sink.byte(VERSION)?;
    sink.number(hello.at)?;
    sink.byte(match hello.clock {
        Clock::Millis32 => 0,
        Clock::Micros32 => 1,
        Clock::Micros64 => 2,
    })?;
    put_option(sink, hello.epoch)?;
    sink.number(hello.period)?;
    sink.word(hello.name)?;
    sink.word(hello.firmware)?;
    sink.number(hello.signals.len() as u64)?;
    for signal in hello.signals {
        sink.byte(match signal.kind {
            Kind::State => 0,
            Kind::Number => 1,
        })?;
        sink.word(signal.id)?;
        sink.word(signal.unit)?;
        sink.signed(signal.scale.mantissa)?;
        sink.byte(signal.scale.exponent as u8)?;
    }
    Ok(())
}

fn put_block(sink: &mut Sink<'_>, block: &Block<'_>) -> Result<(), EncodeError> {
    sink.number(block.at)?;
    sink.number(block.period)?;
    sink.number(block.levels)?;
    sink.byte(block.columns)?;
    sink.number(block.rows)?;
    let columns = usize::from(block.columns);
    for column in 0..columns {
        put_column(sink, block.values.iter().skip(column).step_by(columns).copied())?;
    }
    Ok(())
}

/// The first number, then the folded differences, all in as many bits as the widest needs, lowest bit first. A number
/// that stands still costs two or three bytes whatever the length of the block.
fn put_column(sink: &mut Sink<'_>, values: impl Iterator<Item = i32> + Clone) -> Result<(), EncodeError> {
    if values.clone().all(|value| value == NO_READING) {
        return sink.byte(ABSENT);
    }
    let differences = || values.clone().zip(values.clone().skip(1)).map(|(a, b)| fold_32(b.wrapping_sub(a)));
    let width = 32 - differences().fold(0, |all, d| all | d).leading_zeros();
    sink.byte(width as u8)?;
    sink.signed(values.clone().next().unwrap_or(0))?;
    let (mut bits, mut held) = (0u64, 0);
    for difference in differences() {
        bits |= u64::from(difference) << held;
        held += width;
        while held >= 8 {
            sink.byte(bits as u8)?;
            bits >>= 8;
            held -= 8;
        }
    }
    if held > 0 {
        sink.byte(bits as u8)?;
    }
    Ok(())
}

/// As [`varint::fold`], within 32 bits: a difference wraps, and unwraps again when it is added.
fn fold_32(value: i32) -> u32 {
    ((value << 1) ^ (value >> 31)) as u32
}

#[cfg(test)]
mod tests {
    extern crate std;
    use std::vec::Vec;

    use super::*;

    fn run(from: u8, to: u8) -> Vec<u8> {
        (from..=to).collect()
    }

    /// Cheshire and Baker, Consistent Overhead Byte Stuffing, IEEE/ACM Transactions on Networking 7(2), 1999: the
    /// rules' corner cases, and the paper's packet example (figures from memory, recomputed).
    fn published() -> Vec<(Vec<u8>, Vec<u8>)> {
        let mut table: Vec<(Vec<u8>, Vec<u8>)> = [
            (&[][..], &[0x01][..]),
            (&[0x00], &[0x01, 0x01]),
            (&[0x00, 0x00], &[0x01, 0x01, 0x01]),
            (&[0x00, 0x11, 0x00], &[0x01, 0x02, 0x11, 0x01]),
            (&[0x11, 0x22, 0x00, 0x33], &[0x03, 0x11, 0x22, 0x02, 0x33]),
            (&[0x11, 0x22, 0x33, 0x44], &[0x05, 0x11, 0x22, 0x33, 0x44]),
            (&[0x11, 0x00, 0x00, 0x00], &[0x02, 0x11, 0x01, 0x01, 0x01]),
            (
                &[0x45, 0, 0, 0x2C, 0x4C, 0x79, 0, 0, 0x40, 0x06, 0x4F, 0x37],
                &[0x02, 0x45, 0x01, 0x04, 0x2C, 0x4C, 0x79, 0x01, 0x05, 0x40, 0x06, 0x4F, 0x37],
            ),
        ]
        .map(|(data, stuffed)| (data.to_vec(), stuffed.to_vec()))
        .into();
        let joined = |parts: &[&[u8]]| parts.concat();
        table.push((run(1, 0xFE), joined(&[&[0xFF], &run(1, 0xFE)])));
        table.push((joined(&[&[0], &run(1, 0xFE)]), joined(&[&[1, 0xFF], &run(1, 0xFE)])));
        table.push((run(1, 0xFF), joined(&[&[0xFF], &run(1, 0xFE), &[2, 0xFF]])));
        table.push((joined(&[&run(2, 0xFF), &[0]]), joined(&[&[0xFF], &run(2, 0xFF), &[1, 1]])));
        table.push((joined(&[&run(3, 0xFF), &[0, 1]]), joined(&[&[0xFE], &run(3, 0xFF), &[2, 1]])));
        table
    }

    #[test]
    fn stuffing_in_pieces_is_as_published() {
        for (data, stuffed) in published() {
            for piece in [1, 3, 254, 1000] {
                let mut out = [0; 300];
                let mut encoder = CobsEncoder::new(&mut out);
                data.chunks(piece).for_each(|piece| encoder.push(piece).unwrap());
                let n = encoder.finalize();
                assert_eq!(out[..n], stuffed, "{data:02X?} in pieces of {piece}");
            }
        }
    }

    #[test]
    fn checks_are_as_published() {
        // RevEng catalogue of parametrised CRC algorithms: the check value is that of these nine digits.
        assert_eq!(CRC_32.checksum(b"123456789"), 0xCBF4_3926);
        assert_eq!(crate::CRC_16.checksum(b"123456789"), 0x29B1);
        assert_eq!(crate::CRC_16.checksum(b"123456789\x29\xB1"), 0);
    }

    /// x^16 + x^12 + x^5 + 1 has the factor x + 1, so every odd number of wrong bits is found; and x has the order
    /// 32767 modulo it, so every two wrong bits up to that distance are. A line has at most 4096 bytes, 32768 bits, of
    /// which the last eight are the line feed.
    #[test]
    fn a_text_check_finds_three_wrong_bits_in_a_line() {
        assert_eq!(0x1_1021u32.count_ones() % 2, 0);
        let (mut power, mut order) = (2u32, 1);
        while power != 1 {
            power <<= 1;
            if power & 0x1_0000 != 0 {
                power ^= 0x1_1021;
            }
            order += 1;
        }
        assert_eq!(order, 32_767);
        assert!(crate::MAX_FRAME * 8 - 8 <= order);
    }
}
