//! The text form: one line a frame, closed by a blank, `#` and the CRC-16 of all before that blank.

use crate::{
    Block, CRC_16, Clock, EncodeError, Frame, FrameId, Hello, Kind, MAX_FRAME, NO_READING, Reply, VERSION,
};

/// Writes a line into the caller's buffer.
struct Line<'a> {
    out: &'a mut [u8],
    len: usize,
}

impl Line<'_> {
    fn put(&mut self, bytes: &[u8]) -> Result<(), EncodeError> {
        let end = self.len + bytes.len();
        self.out.get_mut(self.len..end).ok_or(EncodeError::Full)?.copy_from_slice(bytes);
        self.len = end;
        Ok(())
    }

    fn word(&mut self, word: &str) -> Result<(), EncodeError> {
        self.put(word.as_bytes())
    }

    fn number(&mut self, value: impl Into<u64>) -> Result<(), EncodeError> {
        let mut value = value.into();
        let mut digits = [0; 20];
        let mut first = digits.len();
        loop {
            first -= 1;
            digits[first] = b'0' + (value % 10) as u8;
            value /= 10;
            if value == 0 {
                break;
            }
        }
        self.put(&digits[first..])
    }

    fn signed(&mut self, value: impl Into<i64>) -> Result<(), EncodeError> {
        let value = value.into();
        if value < 0 {
            self.put(b"-")?;
        }
        self.number(value.unsigned_abs())
    }

    /// The lowest `digits` hexadecimal digits.
    fn hex(&mut self, value: u64, digits: u32) -> Result<(), EncodeError> {
        for place in (0..digits).rev() {
            let digit = (value >> (4 * place) & 0xF) as u8;
            self.put(&[digit + if digit < 10 { b'0' } else { b'A' - 10 }])?;
        }
        Ok(())
    }

    /// ` key=value`
    fn field(&mut self, key: &str, value: impl Into<u64>) -> Result<(), EncodeError> {
        self.key(key)?;
        self.number(value)
    }

    /// ` key=value`, or `-` for nothing.
    fn option(&mut self, key: &str, value: Option<i64>) -> Result<(), EncodeError> {
        self.key(key)?;
        match value {
            Some(value) => self.signed(value),
            None => self.put(b"-"),
        }
    }

    fn key(&mut self, key: &str) -> Result<(), EncodeError> {
        self.put(b" ")?;
        self.word(key)?;
        self.put(b"=")
    }

    fn close(mut self) -> Result<usize, EncodeError> {
        let crc = CRC_16.checksum(&self.out[..self.len]);
        self.put(b" #")?;
        self.hex(u64::from(crc), 4)?;
        self.put(b"\n")?;
        if self.len > MAX_FRAME { Err(EncodeError::Full) } else { Ok(self.len) }
    }
}

pub(crate) fn encode(id: FrameId, frame: &Frame<'_>, out: &mut [u8]) -> Result<usize, EncodeError> {
    let mut line = Line { out, len: 0 };
    line.word(match frame {
        Frame::Hello(_) => "hello ",
        Frame::Block(_) => "block ",
        Frame::Edge(_) => "edge ",
        Frame::Mark(_) => "mark ",
        Frame::Health(_) => "health ",
        Frame::Time(_) => "time ",
        Frame::End(_) => "end ",
    })?;
    line.hex(u64::from(id.logger), 8)?;
    line.put(b".")?;
    line.number(id.boot)?;
    line.put(b".")?;
    line.number(id.sequence)?;
    match frame {
        Frame::Hello(hello) => put_hello(&mut line, hello)?,
        Frame::Block(block) => put_block(&mut line, block)?,
        Frame::Edge(edge) => {
            line.field("t", edge.at)?;
            line.field("signal", edge.signal)?;
            line.field("level", u8::from(edge.high))?;
        }
        Frame::Mark(mark) => line.field("t", mark.at)?,
        Frame::Health(health) => {
            line.field("t", health.at)?;
            line.field("fill", health.fill_permille)?;
            line.field("dropped", health.dropped)?;
            line.option("supply", health.supply_mv.map(i64::from))?;
            line.option("temp", health.temperature_dc.map(i64::from))?;
        }
        Frame::Time(note) => {
            line.field("t", note.at)?;
            line.field("echo", note.echo)?;
            line.option("utc", Some(note.utc))?;
        }
        Frame::End(end) => line.field("t", end.at)?,
    }
    line.close()
}

fn put_hello(line: &mut Line<'_>, hello: &Hello<'_>) -> Result<(), EncodeError> {
    line.field("v", VERSION)?;
    line.field("t", hello.at)?;
    line.key("clock")?;
    line.word(match hello.clock {
        Clock::Millis32 => "ms32",
        Clock::Micros32 => "us32",
        Clock::Micros64 => "us64",
    })?;
    line.option("epoch", hello.epoch)?;
    line.field("dt", hello.period)?;
    line.key("name")?;
    line.word(hello.name)?;
    line.key("firmware")?;
    line.word(hello.firmware)?;
    for signal in hello.signals {
        line.put(b" ")?;
        line.word(signal.id)?;
        match signal.kind {
            Kind::State => line.word(":state:")?,
            Kind::Number => line.word(":number:")?,
        }
        line.word(signal.unit)?;
        line.put(b":")?;
        line.signed(signal.scale.mantissa)?;
        line.put(b"e")?;
        line.signed(signal.scale.exponent)?;
    }
    Ok(())
}

fn put_block(line: &mut Line<'_>, block: &Block<'_>) -> Result<(), EncodeError> {
    line.field("t", block.at)?;
    line.field("dt", block.period)?;
    line.key("levels")?;
    let digits = (64 - block.levels.leading_zeros()).div_ceil(4).max(1);
    line.hex(block.levels, digits)?;
    let columns = usize::from(block.columns);
    for row in 0..usize::from(block.rows) {
        line.put(b" ")?;
        if columns == 0 {
            line.put(b".")?;
        }
        for (ix, value) in block.values.iter().skip(row * columns).take(columns).enumerate() {
            if ix > 0 {
                line.put(b",")?;
            }
            match *value {
                NO_READING => line.put(b"-")?,
                value => line.signed(value)?,
            }
        }
    }
    Ok(())
}

pub(crate) fn encode_reply(reply: &Reply, out: &mut [u8]) -> Result<usize, EncodeError> {
    let mut line = Line { out, len: 0 };
    match *reply {
        Reply::Hello => line.word("host-hello")?,
        Reply::Time { logger, utc, echo } => {
            line.word("host-time ")?;
            line.hex(u64::from(logger), 8)?;
            line.option("utc", Some(utc))?;
            line.field("echo", echo)?;
        }
        Reply::Acknowledge { logger, boot, up_to } => {
            line.word("host-ack ")?;
            line.hex(u64::from(logger), 8)?;
            line.field("boot", boot)?;
            line.field("to", up_to)?;
        }
        Reply::Resend { logger, boot, from, to } => {
            line.word("host-resend ")?;
            line.hex(u64::from(logger), 8)?;
            line.field("boot", boot)?;
            line.field("from", from)?;
            line.field("to", to)?;
        }
    }
    line.close()
}

/// A reply's line without its line feed.
pub(crate) fn read_reply(line: &[u8]) -> Option<Reply> {
    let line = line.strip_suffix(b"\r").unwrap_or(line);
    let (said, crc) = line.split_last_chunk::<6>()?;
    let mut expected = [0; 6];
    let mut close = Line { out: &mut expected, len: 0 };
    close.put(b" #").and_then(|()| close.hex(u64::from(CRC_16.checksum(said)), 4)).ok()?;
    if *crc != expected {
        return None;
    }
    let mut words = core::str::from_utf8(said).ok()?.split(' ');
    fn logger(word: Option<&str>) -> Option<u32> {
        u32::from_str_radix(word?, 16).ok()
    }
    fn field<T: core::str::FromStr>(word: Option<&str>, key: &str) -> Option<T> {
        word?.strip_prefix(key)?.strip_prefix('=')?.parse().ok()
    }
    let reply = match words.next()? {
        "host-hello" => Reply::Hello,
        "host-time" => Reply::Time {
            logger: logger(words.next())?,
            utc: field(words.next(), "utc")?,
            echo: field(words.next(), "echo")?,
        },
        "host-ack" => Reply::Acknowledge {
            logger: logger(words.next())?,
            boot: field(words.next(), "boot")?,
            up_to: field(words.next(), "to")?,
        },
        "host-resend" => Reply::Resend {
            logger: logger(words.next())?,
            boot: field(words.next(), "boot")?,
            from: field(words.next(), "from")?,
            to: field(words.next(), "to")?,
        },
        _ => return None,
    };
    words.next().is_none().then_some(reply)
}
