//! The packed form: stuffed binary frames with a CRC-32, closed by a zero byte.

use foldwatch_encoder::{CRC_32, MAX_FRAME, MAX_PACKED, MAX_ROWS, MAX_SIGNALS, VERSION, varint};

use super::{Format, Likeness};
use crate::damage::Fault;
use crate::{
    Block, Clock, Edge, Encoding, End, Frame, FrameId, Health, Hello, Kind, Mark, NO_READING, Scale, Signal,
    TimeNote,
};

pub(crate) struct Packed;

impl Format for Packed {
    fn encoding(&self) -> Encoding {
        Encoding::Packed
    }

    fn delimiter(&self) -> u8 {
        0
    }

    fn longest(&self) -> usize {
        MAX_PACKED - 1
    }

    fn has_lines(&self) -> bool {
        false
    }

    fn read(&self, unit: &[u8], scratch: &mut Vec<u8>) -> Option<Result<(FrameId, Frame), Fault>> {
        Some(read(unit, scratch))
    }

    fn likeness(&self, unit: &[u8], scratch: &mut Vec<u8>) -> Likeness {
        match read(unit, scratch) {
            Ok(_) => Likeness::Sure,
            Err(_) => Likeness::Unlike,
        }
    }
}

fn read(unit: &[u8], scratch: &mut Vec<u8>) -> Result<(FrameId, Frame), Fault> {
    scratch.resize(MAX_FRAME, 0);
    let len = match cobs::decode(unit, scratch) {
        Ok(report) => report.frame_size(),
        Err(_) => {
            return Err(Fault::form(format!(
                "{} bytes are no stuffed frame: it is cut or damaged",
                unit.len()
            )));
        }
    };
    let Some((body, crc)) = scratch[..len].split_last_chunk::<4>() else {
        return Err(Fault::form(format!("{len} bytes are too few for a frame")));
    };
    let (found, expected) = (u32::from_le_bytes(*crc), CRC_32.checksum(body));
    if found != expected {
        return Err(Fault::check(found, expected, 8));
    }
    Body(body).frame().map_err(Fault::unknown)
}

/// What is left of a frame's body.
struct Body<'a>(&'a [u8]);

type Part<T> = Result<T, String>;

impl<'a> Body<'a> {
    fn frame(mut self) -> Part<(FrameId, Frame)> {
        let tag = self.byte()?;
        if !(1..=7).contains(&tag) {
            return Err(format!("frame type {tag} is not known"));
        }
        let id =
            FrameId { logger: u32::from_le_bytes(self.chunk()?), boot: self.fits()?, sequence: self.fits()? };
        let frame = match tag {
            1 => Frame::Hello(self.hello()?),
            2 => Frame::Block(self.block()?),
            3 => Frame::Edge(Edge { at: self.number()?, signal: self.byte()?, high: self.flag()? }),
            4 => Frame::Mark(Mark { at: self.number()? }),
            5 => Frame::Health(Health {
                at: self.number()?,
                fill_permille: self.fits()?,
                dropped: self.fits()?,
                supply_mv: self.option()?.map(fit).transpose()?,
                temperature_dc: self.option()?.map(fit).transpose()?,
            }),
            6 => Frame::Time(TimeNote { at: self.number()?, echo: self.number()?, utc: self.signed()? }),
            _ => Frame::End(End { at: self.number()? }),
        };
        if self.0.is_empty() {
            Ok((id, frame))
        } else {
            Err(format!("the {} frame has {} bytes more than it should", frame.name(), self.0.len()))
        }
    }

    fn hello(&mut self) -> Part<Hello> {
        let version = self.byte()?;
        if version != VERSION {
            return Err(format!("format version {version} is not known, this program reads {VERSION}"));
        }
        let at = self.number()?;
        let clock = match self.byte()? {
            0 => Clock::Millis32,
            1 => Clock::Micros32,
            2 => Clock::Micros64,
            other => return Err(format!("clock kind {other} is not known")),
        };
        let epoch = self.option()?;
        let period = self.fits()?;
        let name = self.word()?;
        let firmware = self.word()?;
        let count: usize = self.fits()?;
        if count > 2 * MAX_SIGNALS {
            return Err(format!("{count} signals are more than a logger can have"));
        }
        let mut signals = Vec::with_capacity(count);
        for _ in 0..count {
            signals.push(Signal {
                kind: if self.flag()? { Kind::Number } else { Kind::State },
                id: self.word()?,
                unit: self.word()?,
                scale: Scale { mantissa: fit(self.signed()?)?, exponent: self.byte()? as i8 },
            });
        }
        super::check_signals(&signals)?;
        Ok(Hello { at, name, firmware, clock, epoch, period, signals })
    }

    fn block(&mut self) -> Part<Block> {
        let (at, period, levels) = (self.number()?, self.fits()?, self.number()?);
        let columns = self.byte()?;
        let rows: u16 = self.fits()?;
        if usize::from(columns) > MAX_SIGNALS || !(1..=MAX_ROWS).contains(&usize::from(rows)) {
            return Err(format!("a block of {rows} rows and {columns} columns can't be"));
        }
        let mut values = vec![NO_READING; usize::from(rows) * usize::from(columns)];
        for column in 0..usize::from(columns) {
            self.column(values.iter_mut().skip(column).step_by(usize::from(columns)))?;
        }
        Ok(Block { at, period, levels, columns, rows, values })
    }

    fn column<'v>(&mut self, mut slots: impl ExactSizeIterator<Item = &'v mut i32>) -> Part<()> {
        let width = u32::from(self.byte()?);
        if width == 0xFF {
            return Ok(());
        }
        if width > 32 {
            return Err(format!("a column of {width} bits can't be"));
        }
        let mut value: i32 = fit(self.signed()?)?;
        if let Some(slot) = slots.next() {
            *slot = value;
        }
        let bytes = (slots.len() * width as usize).div_ceil(8);
        let mut packed = self.take(bytes)?.iter();
        let (mut bits, mut held) = (0u64, 0);
        let mask = (1u64 << width) - 1;
        for slot in slots {
            while held < width {
                bits |= u64::from(packed.next().copied().unwrap_or(0)) << held;
                held += 8;
            }
            let folded = (bits & mask) as u32;
            bits >>= width;
            held -= width;
            value = value.wrapping_add(((folded >> 1) as i32) ^ -((folded & 1) as i32));
            *slot = value;
        }
        Ok(())
    }

    fn take(&mut self, n: usize) -> Part<&'a [u8]> {
        let (front, rest) = self.0.split_at_checked(n).ok_or("the frame ends too early")?;
        self.0 = rest;
        Ok(front)
    }

    fn chunk<const N: usize>(&mut self) -> Part<[u8; N]> {
        let (front, rest) = self.0.split_first_chunk::<N>().ok_or("the frame ends too early")?;
        self.0 = rest;
        Ok(*front)
    }

    fn byte(&mut self) -> Part<u8> {
        self.chunk::<1>().map(|[byte]| byte)
    }

    fn flag(&mut self) -> Part<bool> {
        match self.byte()? {
            0 => Ok(false),
            1 => Ok(true),
            other => Err(format!("{other} stands where 0 or 1 should")),
        }
    }

    fn number(&mut self) -> Part<u64> {
        varint::read(&mut self.0).ok_or_else(|| "a number is cut or too long".to_owned())
    }

    fn signed(&mut self) -> Part<i64> {
        self.number().map(varint::unfold)
    }

    fn fits<T: TryFrom<u64>>(&mut self) -> Part<T> {
        self.number().and_then(fit)
    }

    fn option(&mut self) -> Part<Option<i64>> {
        if self.flag()? { self.signed().map(Some) } else { Ok(None) }
    }

    fn word(&mut self) -> Part<String> {
        let len = self.fits()?;
        let word = self.take(len)?;
        super::word(word)
    }
}

fn fit<N: Copy + std::fmt::Display, T: TryFrom<N>>(number: N) -> Part<T> {
    T::try_from(number).map_err(|_| format!("the number {number} is too large for its place"))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Frames are unstuffed before their check is looked at: the words tell which of the two refused them.
    fn kind(unit: &[u8]) -> crate::DamageKind {
        read(unit, &mut Vec::new()).unwrap_err().kind
    }

    #[test]
    fn what_is_not_stuffed_is_refused() {
        for unit in [&[][..], &[0x05, 0x31, 0x32, 0x33], &[0x05, 0x31, 0x32], &[0xFF, 1, 2]] {
            assert_eq!(kind(unit), crate::DamageKind::Form, "{unit:02X?}");
        }
    }

    #[test]
    fn a_full_last_run_may_be_followed_by_an_empty_one() {
        // 254 bytes without a zero: some encoders close them with one more code byte, 01.
        let mut stuffed = vec![0xFF];
        stuffed.extend(1..=0xFE);
        let (mut short, mut long) = (vec![0; 300], vec![0; 300]);
        let n = cobs::decode(&stuffed, &mut short).unwrap().frame_size();
        stuffed.push(0x01);
        assert_eq!(cobs::decode(&stuffed, &mut long).unwrap().frame_size(), n);
        assert_eq!(short[..n], (1..=0xFE).collect::<Vec<u8>>());
        assert_eq!(short, long);
    }

    #[test]
    fn a_frame_of_newer_firmware_is_called_unknown() {
        let mut body = vec![99, 0, 0, 0, 0, 0, 0];
        body.extend(CRC_32.checksum(&body).to_le_bytes());
        let mut unit = vec![0; 32];
        let n = cobs::encode(&body, &mut unit);
        let fault = read(&unit[..n], &mut Vec::new()).unwrap_err();
        assert_eq!(
            (fault.kind, fault.what.as_str()),
            (crate::DamageKind::Unknown, "frame type 99 is not known")
        );
    }
}
