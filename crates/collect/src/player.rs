//! A logger made of recorded frames: the other end of the line, for the demo and for tests.

use std::collections::{BTreeMap, VecDeque};
use std::io::{self, Read, Write};
use std::time::Duration;

use foldwatch_encoder::{Encoding, FrameId, Reply, ReplyReader};
use foldwatch_wire::{Decoded, Decoder};

/// Keeps recorded frames as a logger keeps them: sends them oldest first, forgets none before it is acknowledged,
/// sends again what is asked for, and begins anew at the first that is not acknowledged when it is greeted.
#[derive(Debug)]
pub struct Player {
    reader: ReplyReader,
    frames: BTreeMap<(u32, u32), Vec<u8>>,
    logger: u32,
    /// The next frame to send; `None`: not greeted yet.
    next: Option<(u32, u32)>,
    /// Asked for again.
    again: VecDeque<(u32, u32)>,
    progress: Progress,
}

/// How far it is.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Progress {
    /// Frames in the recording.
    pub frames: usize,
    /// Frames that the host has acknowledged.
    pub acknowledged: usize,
    /// Frames sent again because the host asked for them.
    pub sent_again: u64,
}

impl Player {
    /// From the frames of one logger with their bytes.
    pub fn new(encoding: Encoding, frames: impl IntoIterator<Item = (FrameId, Vec<u8>)>) -> Self {
        let mut player = Player {
            reader: ReplyReader::new(encoding),
            frames: BTreeMap::new(),
            logger: 0,
            next: None,
            again: VecDeque::new(),
            progress: Progress::default(),
        };
        for (id, raw) in frames {
            player.add(id, raw);
        }
        player
    }

    /// Records one more frame.
    pub fn add(&mut self, id: FrameId, raw: Vec<u8>) {
        self.logger = id.logger;
        self.frames.insert((id.boot, id.sequence), raw);
        self.progress.frames += 1;
    }

    /// How far it is.
    pub fn progress(&self) -> Progress {
        self.progress
    }

    /// Everything was acknowledged.
    pub fn is_done(&self) -> bool {
        self.progress.acknowledged == self.progress.frames
    }

    /// Takes what the host says.
    pub fn hear(&mut self, bytes: &[u8]) {
        for byte in bytes {
            if let Some(reply) = self.reader.push(*byte) {
                self.answer(reply);
            }
        }
    }

    fn answer(&mut self, reply: Reply) {
        match reply {
            Reply::Hello => {
                self.again.clear();
                self.next = self.frames.keys().next().copied();
            }
            Reply::Acknowledge { logger, boot, up_to } if logger == self.logger => {
                let hello = self.frames.get(&(boot, 0)).cloned();
                let kept = self.frames.split_off(&(boot, up_to.saturating_add(1)));
                self.progress.acknowledged = self.progress.frames - kept.len();
                let more_of_it = kept.keys().next().is_some_and(|(b, _)| *b == boot);
                self.frames = kept;
                // A start keeps its hello as long as any other of its frames.
                if let (true, Some(hello)) = (more_of_it, hello) {
                    self.frames.insert((boot, 0), hello);
                }
            }
            Reply::Resend { logger, boot, from, to } if logger == self.logger => {
                let asked: Vec<_> =
                    self.frames.range((boot, from)..=(boot, to)).map(|(key, _)| *key).collect();
                self.progress.sent_again += asked.len() as u64;
                self.again.extend(asked);
            }
            // Its clock is the recording's: the host's time says nothing about it.
            Reply::Time { .. } | Reply::Acknowledge { .. } | Reply::Resend { .. } => {}
        }
    }

    /// The next bytes to send; `None`: nothing to say now.
    pub fn next_bytes(&mut self) -> Option<&[u8]> {
        while let Some(key) = self.again.pop_front() {
            if self.frames.contains_key(&key) {
                return self.frames.get(&key).map(Vec::as_slice);
            }
        }
        let (key, raw) = self.frames.range(self.next?..).next()?;
        self.next = Some((key.0, key.1.saturating_add(1)));
        Some(raw)
    }
}

/// The frames of a log, each with its bytes, in the order in which they stand there.
///
/// # Errors
/// What was damaged last, or that the log has lines of columns instead: neither can be played as it was recorded.
pub fn recorded(log: &[u8]) -> Result<Vec<(FrameId, Vec<u8>)>, String> {
    let mut frames = Vec::new();
    let mut fault = None;
    let mut take = |decoded: Decoded<'_>| match decoded {
        Decoded::Frame(received) => frames.push((received.id, received.raw.to_vec())),
        Decoded::Damage(damage, _) => fault = Some(damage.message),
        Decoded::Columns(_) => fault = Some("these are columns, not frames".to_owned()),
    };
    let mut decoder = Decoder::auto();
    decoder.push(log, &mut take);
    decoder.finish(&mut take);
    fault.map_or(Ok(frames), Err)
}

/// Plays over a line as long as `go_on` says so; it may add frames. The line's reads must not block for long.
///
/// # Errors
/// When the line fails.
pub fn play(
    player: &mut Player,
    line: &mut (impl Read + Write),
    go_on: &mut dyn FnMut(&mut Player) -> bool,
) -> io::Result<()> {
    let mut heard = [0; 1024];
    let mut pending: Vec<u8> = Vec::new();
    while go_on(player) {
        let passing = |error: &io::Error| {
            matches!(
                error.kind(),
                io::ErrorKind::TimedOut | io::ErrorKind::WouldBlock | io::ErrorKind::Interrupted
            )
        };
        match line.read(&mut heard) {
            Ok(n) => player.hear(heard.get(..n).unwrap_or_default()),
            Err(error) if passing(&error) => {}
            Err(error) => return Err(error),
        }
        // A handful at a time, so that answers are heard in between.
        while pending.len() < 2048
            && let Some(raw) = player.next_bytes()
        {
            pending.extend_from_slice(raw);
        }
        if pending.is_empty() {
            std::thread::sleep(Duration::from_millis(2));
            continue;
        }
        match line.write(&pending) {
            Ok(n) => drop(pending.drain(..n)),
            Err(error) if passing(&error) => {}
            Err(error) => return Err(error),
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn player(boots: &[(u32, u32)]) -> Player {
        let frames = boots.iter().flat_map(|(boot, count)| {
            (0..*count).map(move |sequence| {
                (FrameId { logger: 7, boot: *boot, sequence }, vec![*boot as u8, sequence as u8])
            })
        });
        Player::new(Encoding::Text, frames)
    }

    fn say(player: &mut Player, reply: Reply) {
        let mut out = [0; Reply::MAX_LEN];
        let n = reply.encode(Encoding::Text, &mut out).unwrap();
        player.hear(&out[..n]);
    }

    fn all(player: &mut Player) -> Vec<(u8, u8)> {
        std::iter::from_fn(|| player.next_bytes().map(|raw| (raw[0], raw[1]))).collect()
    }

    #[test]
    fn keeps_the_rules_of_the_stream() {
        let mut player = player(&[(1, 3), (2, 4)]);
        assert!(all(&mut player).is_empty(), "not greeted");
        say(&mut player, Reply::Hello);
        assert_eq!(all(&mut player), [(1, 0), (1, 1), (1, 2), (2, 0), (2, 1), (2, 2), (2, 3)]);
        say(&mut player, Reply::Resend { logger: 7, boot: 2, from: 1, to: 2 });
        assert_eq!(all(&mut player), [(2, 1), (2, 2)]);
        say(&mut player, Reply::Acknowledge { logger: 8, boot: 2, up_to: 3 });
        assert_eq!(player.progress().acknowledged, 0, "meant for another");
        say(&mut player, Reply::Acknowledge { logger: 7, boot: 2, up_to: 1 });
        say(&mut player, Reply::Hello);
        assert_eq!(all(&mut player), [(2, 0), (2, 2), (2, 3)], "the hello goes before");
        say(&mut player, Reply::Acknowledge { logger: 7, boot: 2, up_to: 3 });
        assert!(player.is_done());
    }
}
