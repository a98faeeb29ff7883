//! The text form: a readable line a frame, closed by `#` and a CRC-16.

use std::str::{FromStr, Split};

use foldwatch_encoder::{CRC_16, MAX_FRAME, MAX_ROWS, MAX_SIGNALS, VERSION};

use super::{Format, Likeness};
use crate::damage::Fault;
use crate::{
    Block, Clock, Edge, Encoding, End, Frame, FrameId, Health, Hello, Kind, Mark, NO_READING, Scale, Signal,
    TimeNote,
};

pub(crate) struct Text;

impl Format for Text {
    fn encoding(&self) -> Encoding {
        Encoding::Text
    }

    fn delimiter(&self) -> u8 {
        b'\n'
    }

    fn longest(&self) -> usize {
        // A terminal program may have put a carriage return before the line feed.
        MAX_FRAME
    }

    fn has_lines(&self) -> bool {
        true
    }

    fn read(&self, unit: &[u8], _: &mut Vec<u8>) -> Option<Result<(FrameId, Frame), Fault>> {
        Some(read(unit))
    }

    fn likeness(&self, unit: &[u8], _: &mut Vec<u8>) -> Likeness {
        match read(unit) {
            Ok(_) => Likeness::Sure,
            Err(_) if ending(unit).is_some() => Likeness::Like(0),
            Err(_) => Likeness::Unlike,
        }
    }
}

/// What the line says and the check it gives, where it ends as our lines do.
pub(super) fn ending(unit: &[u8]) -> Option<(&[u8], u16)> {
    let line = unit.strip_suffix(b"\r").unwrap_or(unit);
    let (said, check) = line.split_last_chunk::<6>()?;
    let digits = check.strip_prefix(b" #")?;
    // Only as the encoder writes it: a damaged letter must not pass as its other case.
    if !digits.iter().all(|b| b.is_ascii_digit() || (b'A'..=b'F').contains(b)) {
        return None;
    }
    let check = u16::from_str_radix(std::str::from_utf8(digits).ok()?, 16).ok()?;
    Some((said, check))
}

fn read(unit: &[u8]) -> Result<(FrameId, Frame), Fault> {
    let Some((said, found)) = ending(unit) else {
        return Err(Fault::form(format!("`{}` does not end in # and a check", shown(unit))));
    };
    let expected = CRC_16.checksum(said);
    if found != expected {
        return Err(Fault::check(found, expected, 4));
    }
    let said = std::str::from_utf8(said).map_err(|_| Fault::unknown("it is not UTF-8"))?;
    Words(said.split(' ')).frame().map_err(Fault::unknown)
}

/// The beginning of a line, fit to be printed.
fn shown(unit: &[u8]) -> String {
    const SHOWN: usize = 24;
    let mut shown: String =
        unit.iter().take(SHOWN).flat_map(|b| std::ascii::escape_default(*b)).map(char::from).collect();
    if unit.len() > SHOWN {
        shown.push('…');
    }
    shown
}

/// What is left of a line.
struct Words<'a>(Split<'a, char>);

type Part<T> = Result<T, String>;

impl<'a> Words<'a> {
    fn frame(mut self) -> Part<(FrameId, Frame)> {
        let name = self.word("a kind of frame")?;
        if !["hello", "block", "edge", "mark", "health", "time", "end"].contains(&name) {
            return Err(format!("frames called `{}` are not known", shown(name.as_bytes())));
        }
        let id = self.id()?;
        let frame = match name {
            "hello" => Frame::Hello(self.hello()?),
            "block" => Frame::Block(self.block()?),
            "edge" => Frame::Edge(Edge {
                at: self.number("t")?,
                signal: self.number("signal")?,
                high: match self.value("level")? {
                    "0" => false,
                    "1" => true,
                    _ => return Err("level is neither 0 nor 1".to_owned()),
                },
            }),
            "mark" => Frame::Mark(Mark { at: self.number("t")? }),
            "health" => Frame::Health(Health {
                at: self.number("t")?,
                fill_permille: self.number("fill")?,
                dropped: self.number("dropped")?,
                supply_mv: self.option("supply")?,
                temperature_dc: self.option("temp")?,
            }),
            "time" => Frame::Time(TimeNote {
                at: self.number("t")?,
                echo: self.number("echo")?,
                utc: self.number("utc")?,
            }),
            _ => Frame::End(End { at: self.number("t")? }),
        };
        match self.0.next() {
            None => Ok((id, frame)),
            Some(word) => Err(format!("`{}` is more than a {name} line has", shown(word.as_bytes()))),
        }
    }

    fn id(&mut self) -> Part<FrameId> {
        let word = self.word("the frame's number")?;
        let mut parts = word.split('.');
        let id = (|| {
            let logger = u32::from_str_radix(parts.next().filter(|hex| hex.len() == 8)?, 16).ok()?;
            let boot = parts.next()?.parse().ok()?;
            let sequence = parts.next()?.parse().ok()?;
            parts.next().is_none().then_some(FrameId { logger, boot, sequence })
        })();
        id.ok_or_else(|| format!("`{}` is no logger.boot.sequence", shown(word.as_bytes())))
    }

    fn hello(&mut self) -> Part<Hello> {
        let version: u8 = self.number("v")?;
        if version != VERSION {
            return Err(format!("format version {version} is not known, this program reads {VERSION}"));
        }
        let at = self.number("t")?;
        let clock = match self.value("clock")? {
            "ms32" => Clock::Millis32,
            "us32" => Clock::Micros32,
            "us64" => Clock::Micros64,
            _ => return Err("the clock is none of ms32, us32, us64".to_owned()),
        };
        let epoch = self.option("epoch")?;
        let period = self.number("dt")?;
        let name = super::word(self.value("name")?.as_bytes())?;
        let firmware = super::word(self.value("firmware")?.as_bytes())?;
        let signals: Vec<Signal> = self.0.by_ref().map(signal).collect::<Part<_>>()?;
        super::check_signals(&signals)?;
        Ok(Hello { at, name, firmware, clock, epoch, period, signals })
    }

    fn block(&mut self) -> Part<Block> {
        let (at, period) = (self.number("t")?, self.number("dt")?);
        let levels = u64::from_str_radix(self.value("levels")?, 16)
            .map_err(|_| "levels are not hexadecimal".to_owned())?;
        let mut values = Vec::new();
        let (mut rows, mut columns) = (0usize, None);
        for row in self.0.by_ref() {
            let before = values.len();
            if row != "." {
                for number in row.split(',') {
                    values.push(match number {
                        "-" => NO_READING,
                        number => number
                            .parse()
                            .map_err(|_| format!("`{}` is no number", shown(number.as_bytes())))?,
                    });
                }
            }
            let width = values.len() - before;
            if width != *columns.get_or_insert(width) {
                return Err(format!("row {rows} has {width} numbers, the rows before had another count"));
            }
            rows += 1;
        }
        let columns = columns.unwrap_or(0);
        if columns > MAX_SIGNALS || !(1..=MAX_ROWS).contains(&rows) {
            return Err(format!("a block of {rows} rows and {columns} columns can't be"));
        }
        // Both were just found to be small.
        Ok(Block { at, period, levels, columns: columns as u8, rows: rows as u16, values })
    }

    fn word(&mut self, what: &str) -> Part<&'a str> {
        self.0.next().ok_or_else(|| format!("the line ends where {what} should stand"))
    }

    /// The value of the next word, which must be `key=value`.
    fn value(&mut self, key: &str) -> Part<&'a str> {
        let word = self.word(key)?;
        word.strip_prefix(key)
            .and_then(|rest| rest.strip_prefix('='))
            .ok_or_else(|| format!("`{}` stands where {key}= should", shown(word.as_bytes())))
    }

    fn number<T: FromStr>(&mut self, key: &str) -> Part<T> {
        let value = self.value(key)?;
        value.parse().map_err(|_| format!("{key}={} is no number, or too large", shown(value.as_bytes())))
    }

    fn option<T: FromStr>(&mut self, key: &str) -> Part<Option<T>> {
        let value = self.value(key)?;
        if value == "-" {
            return Ok(None);
        }
        let number = value
            .parse()
            .map_err(|_| format!("{key}={} is no number, or too large", shown(value.as_bytes())))?;
        Ok(Some(number))
    }
}

/// `id:state|number:unit:MANTISSAeEXPONENT`
fn signal(word: &str) -> Part<Signal> {
    let wrong = || format!("`{}` is no id:kind:unit:scale", shown(word.as_bytes()));
    let mut parts = word.split(':');
    let mut part = || parts.next().ok_or_else(wrong);
    let id = super::word(part()?.as_bytes())?;
    let kind = match part()? {
        "state" => Kind::State,
        "number" => Kind::Number,
        _ => return Err(wrong()),
    };
    let unit = super::word(part()?.as_bytes())?;
    let (mantissa, exponent) = part()?.split_once('e').ok_or_else(wrong)?;
    let scale = Scale {
        mantissa: mantissa.parse().map_err(|_| wrong())?,
        exponent: exponent.parse().map_err(|_| wrong())?,
    };
    if parts.next().is_some() {
        return Err(wrong());
    }
    Ok(Signal { id, kind, unit, scale })
}
