//! The conversation with the logger at one port: what was heard, what is to be said, what to tell a person.

use std::fmt;
use std::time::{Duration, Instant};

use foldwatch_units::Micros;
use foldwatch_wire::{DamageKind, Decoded, Decoder, Encoding, Frame, FrameId, Reply, encode_reply};

/// A frame as it came.
#[derive(Debug, Clone, PartialEq)]
pub struct Arrived {
    /// Which frame of which logger.
    pub id: FrameId,
    /// What it says.
    pub frame: Frame,
    /// Its bytes, untouched, with the delimiter.
    pub raw: Vec<u8>,
}

/// Something heard, in the order of the bytes.
#[derive(Debug, Clone, PartialEq)]
pub enum Heard {
    /// A whole frame.
    Frame(Arrived),
    /// A stretch that gave none.
    Damage {
        /// Where, and what to do.
        words: String,
        /// How long it is.
        bytes: u64,
    },
    /// Bytes of a stream of columns, as they are.
    Columns(Vec<u8>),
}

/// How it stands at a port, for a person.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Condition {
    /// Open, and nothing has come yet.
    Quiet,
    /// Something came once, and nothing for so long.
    Silent(Duration),
    /// Bytes come, but no frame is in them; why that may be.
    Rubbish(String),
    /// The logger sends what it kept while nobody listened.
    Draining,
    /// What comes is happening now.
    Live,
    /// Delimited lines of another logger come.
    Columns,
}

impl Condition {
    /// Nobody needs to do anything.
    pub fn is_well(&self) -> bool {
        matches!(self, Condition::Draining | Condition::Live | Condition::Columns)
    }
}

impl fmt::Display for Condition {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Condition::Quiet => f.write_str("open, nothing has come yet; is the logger powered?"),
            Condition::Silent(since) => write!(
                f,
                "silent for {} s; look at the logger's power and at the plug; nothing is lost, it keeps what it records",
                since.as_secs()
            ),
            Condition::Rubbish(why) => f.write_str(why),
            Condition::Draining => f.write_str("taking over what the logger kept"),
            Condition::Live => f.write_str("recording"),
            Condition::Columns => {
                f.write_str("recording lines of columns (no checksum: damage can't be seen)")
            }
        }
    }
}

/// The host's greeting is repeated so often until something is understood.
const GREET_EVERY: Duration = Duration::from_secs(2);
/// A port without a byte for so long is called silent: a live logger speaks several times a second, and a sleeping
/// one every ten minutes at the least.
const SILENT_AFTER: Duration = Duration::from_secs(20);
/// So long may a sleeping logger say nothing (the stream's rule 4, with a margin).
const ASLEEP_AFTER: Duration = Duration::from_secs(660);
/// Rubbish without a frame for so long is told as the port's condition.
const RUBBISH_AFTER: Duration = Duration::from_secs(3);

/// The last acknowledgement is said again after so long.
const REPEAT_AFTER: Duration = Duration::from_secs(5);

fn delimiter(encoding: Encoding) -> u8 {
    if encoding == Encoding::Packed { 0 } else { b'\n' }
}

/// One conversation, from the opening of a port to its end.
#[derive(Debug)]
pub struct Session {
    decoder: Decoder,
    greeted: Option<Instant>,
    last_byte: Option<Instant>,
    last_frame: Option<Instant>,
    rubbish: Option<(Instant, String)>,
    columns: bool,
    /// Whose frames came last.
    who: Option<FrameId>,
    live: bool,
    /// The count to echo with the host's time, once that is due.
    time_due: Option<u64>,
    /// The acknowledgement that was said last, and when.
    acknowledged: Option<(Reply, Instant)>,
}

impl Session {
    /// A conversation that begins now, in an encoding that is given or found out.
    pub fn new(encoding: Option<Encoding>) -> Self {
        Session {
            decoder: encoding.map_or_else(Decoder::auto, Decoder::of),
            greeted: None,
            last_byte: None,
            last_frame: None,
            rubbish: None,
            columns: false,
            who: None,
            live: false,
            time_due: None,
            acknowledged: None,
        }
    }

    /// The frame that came last.
    pub fn last_heard(&self) -> Option<FrameId> {
        self.who
    }

    /// Takes bytes as they came.
    pub fn take(&mut self, bytes: &[u8], now: Instant) -> Vec<Heard> {
        let mut heard = Vec::new();
        if bytes.is_empty() {
            return heard;
        }
        self.last_byte = Some(now);
        // Apart from `self`, which the decoder is in.
        let mut decoder = std::mem::replace(&mut self.decoder, Decoder::auto());
        decoder.push(bytes, &mut |decoded| match decoded {
            Decoded::Frame(received) => {
                self.frame(received.id, &received.frame, now);
                heard.push(Heard::Frame(Arrived {
                    id: received.id,
                    frame: received.frame,
                    raw: received.raw.to_vec(),
                }));
            }
            Decoded::Damage(damage, _) => {
                let suspicion = matches!(
                    damage.kind,
                    DamageKind::Speed | DamageKind::OnlyZeros | DamageKind::Unrecognised
                );
                let first = self.rubbish.is_none();
                if suspicion || first {
                    let since = self.rubbish.take().map_or(now, |(since, _)| since);
                    self.rubbish = Some((since, damage.message.clone()));
                }
                let bytes = damage.bytes.end.saturating_sub(damage.bytes.start);
                heard.push(Heard::Damage { words: damage.message, bytes });
            }
            Decoded::Columns(bytes) => {
                self.columns = true;
                self.rubbish = None;
                heard.push(Heard::Columns(bytes.to_vec()));
            }
        });
        self.decoder = decoder;
        heard
    }

    fn frame(&mut self, id: FrameId, frame: &Frame, now: Instant) {
        self.last_frame = Some(now);
        self.rubbish = None;
        let same = self.who.is_some_and(|who| (who.logger, who.boot) == (id.logger, id.boot));
        if !same {
            self.live = false;
            self.time_due = None;
        }
        self.who = Some(id);
        match frame {
            Frame::End(_) => {
                self.live = true;
                self.time_due = Some(frame.latest());
            }
            Frame::Health(_) if self.live => self.time_due = Some(frame.latest()),
            _ => {}
        }
    }

    /// What is to be sent of its own accord: the greeting, the time.
    pub fn due(&mut self, now: Instant, utc: Micros) -> Vec<u8> {
        let mut out = Vec::new();
        let pause = if self.last_frame.is_none() { GREET_EVERY } else { ASLEEP_AFTER };
        let quiet = self.last_frame.is_none_or(|at| now.duration_since(at) >= pause);
        if !self.columns && quiet && self.greeted.is_none_or(|at| now.duration_since(at) >= pause) {
            self.greeted = Some(now);
            // As long as nobody has spoken nobody knows the encoding; what is not understood is skipped.
            for encoding in self.encodings().iter().copied() {
                out.push(delimiter(encoding));
                out.extend(encode_reply(&Reply::Hello, encoding).unwrap_or_default());
            }
        }
        if let Some(echo) = self.time_due.take()
            && let Some(who) = self.who
        {
            out.extend(self.say(&Reply::Time { logger: who.logger, utc: utc.0, echo }, now));
        }
        // An answer can be lost on the line, and a logger that has sent all it has would wait for it for ever.
        if let Some((reply, at)) = self.acknowledged
            && now.duration_since(at) >= REPEAT_AFTER
        {
            out.extend(self.say(&reply, now));
        }
        out
    }

    /// An answer in the logger's encoding, with a delimiter before it that closes whatever stood in the line; nothing
    /// while the encoding is not known.
    pub fn say(&mut self, reply: &Reply, now: Instant) -> Vec<u8> {
        let Some(encoding) = self.decoder.encoding() else { return Vec::new() };
        let Ok(bytes) = encode_reply(reply, encoding) else { return Vec::new() };
        if matches!(reply, Reply::Acknowledge { .. }) {
            self.acknowledged = Some((*reply, now));
        }
        [&[delimiter(encoding)], &bytes[..]].concat()
    }

    fn encodings(&self) -> &'static [Encoding] {
        match self.decoder.encoding() {
            None => &[Encoding::Packed, Encoding::Text],
            Some(Encoding::Packed) => &[Encoding::Packed],
            Some(Encoding::Text) => &[Encoding::Text],
            Some(Encoding::Columns) => &[],
        }
    }

    /// How it stands.
    pub fn condition(&self, now: Instant) -> Condition {
        if let Some((since, why)) = &self.rubbish
            && now.duration_since(*since) >= RUBBISH_AFTER
        {
            return Condition::Rubbish(why.clone());
        }
        let Some(last) = self.last_byte else { return Condition::Quiet };
        let patience = if self.live { ASLEEP_AFTER } else { SILENT_AFTER };
        let silent = now.duration_since(last);
        if silent >= patience {
            Condition::Silent(silent)
        } else if self.columns {
            Condition::Columns
        } else if self.live {
            Condition::Live
        } else if self.last_frame.is_some() {
            Condition::Draining
        } else {
            Condition::Quiet
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use foldwatch_wire::{End, Health};

    const ID: FrameId = FrameId { logger: 0x2A, boot: 3, sequence: 7 };

    fn raw(frame: &Frame, sequence: u32) -> Vec<u8> {
        frame.encode(FrameId { sequence, ..ID }, Encoding::Packed).unwrap()
    }

    fn health(at: u64) -> Frame {
        Frame::Health(Health { at, fill_permille: 1, dropped: 0, supply_mv: None, temperature_dc: None })
    }

    #[test]
    fn greets_in_both_encodings_until_it_is_understood() {
        let start = Instant::now();
        let mut session = Session::new(None);
        let greeting = session.due(start, Micros(0));
        assert!(greeting.windows(10).any(|w| w == b"host-hello"));
        assert!(session.due(start + Duration::from_secs(1), Micros(0)).is_empty());
        assert_eq!(session.due(start + Duration::from_secs(2), Micros(0)), greeting);
        let heard = session.take(&raw(&health(5), 7), start + Duration::from_secs(3));
        assert!(matches!(&heard[..], [Heard::Frame(arrived)] if arrived.id == ID));
        assert!(session.due(start + Duration::from_secs(30), Micros(0)).is_empty());
    }

    #[test]
    fn an_answer_gets_through_behind_a_greeting_in_another_encoding_and_is_repeated() {
        let start = Instant::now();
        let mut session = Session::new(None);
        let greeting = session.due(start, Micros(0));
        session.take(&raw(&health(5), 7), start);
        let reply = Reply::Acknowledge { logger: 0x2A, boot: 3, up_to: 7 };
        let said = session.say(&reply, start);
        let mut reader = foldwatch_encoder::ReplyReader::new(foldwatch_encoder::Encoding::Packed);
        let heard: Vec<Reply> =
            [greeting, said.clone()].concat().iter().filter_map(|byte| reader.push(*byte)).collect();
        assert_eq!(heard, [Reply::Hello, reply]);
        assert!(session.due(start + Duration::from_secs(4), Micros(0)).is_empty());
        assert_eq!(session.due(start + Duration::from_secs(5), Micros(0)), said);
        assert!(session.due(start + Duration::from_secs(6), Micros(0)).is_empty());
    }

    #[test]
    fn time_is_told_once_it_is_live_and_at_every_health_frame_then() {
        let now = Instant::now();
        let mut session = Session::new(Some(Encoding::Packed));
        session.due(now, Micros(0));
        session.take(&raw(&health(5), 1), now);
        assert!(session.due(now, Micros(9)).is_empty(), "a kept health frame is old");
        assert_eq!(session.condition(now), Condition::Draining);
        session.take(&raw(&Frame::End(End { at: 50 }), 2), now);
        let expected = Reply::Time { logger: 0x2A, utc: 9, echo: 50 };
        let with_delimiter = |reply| [vec![0], encode_reply(reply, Encoding::Packed).unwrap()].concat();
        assert_eq!(session.due(now, Micros(9)), with_delimiter(&expected));
        assert_eq!(session.condition(now), Condition::Live);
        session.take(&raw(&health(60), 3), now);
        let expected = Reply::Time { logger: 0x2A, utc: 10, echo: 60 };
        assert_eq!(session.due(now, Micros(10)), with_delimiter(&expected));
        assert!(session.due(now, Micros(11)).is_empty());
    }

    #[test]
    fn says_what_is_wrong() {
        let start = Instant::now();
        let later = |s| start + Duration::from_secs(s);
        let mut session = Session::new(None);
        assert_eq!(session.condition(later(5)), Condition::Quiet);
        // Bits of a line that is read at another speed.
        let noise: Vec<u8> = (0..4096u32).map(|n| [0xF8, 0x00, 0x3C, 0xE0, 0xFF][n as usize % 5]).collect();
        session.take(&noise, later(6));
        session.take(&noise, later(10));
        let condition = session.condition(later(10));
        assert!(condition.to_string().contains("speed"), "{condition}");
        assert!(!condition.is_well());
        // The first whole frame makes it well again.
        let mut session = Session::new(Some(Encoding::Packed));
        session.take(&noise, start);
        session.take(&[&[0], &raw(&health(1), 1)[..]].concat(), later(4));
        assert_eq!(session.condition(later(4)), Condition::Draining);
        assert!(matches!(session.condition(later(40)), Condition::Silent(_)));
    }
}
