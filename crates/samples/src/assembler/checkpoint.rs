//! What an assembler must remember.

use std::sync::Arc;

use foldwatch_profile::Profile;
use foldwatch_units::Micros;
use foldwatch_wire::{Decoded, Decoder, Encoding, Frame, FrameId, Hello};

use super::{Assembler, Boot, Counts};
use crate::binding::Binding;
use crate::counter::Counter;
use crate::item::GapCause;
use crate::timeline::Timeline;

/// All that an assembler must remember to go on later. Frames that it held back are not in it: give it all frames from
/// [`Checkpoint::next`] on again.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Checkpoint {
    logger: Option<u32>,
    boot: Option<BootCheckpoint>,
    /// As text lines.
    hellos: Vec<String>,
    last: Option<Micros>,
    gap: Option<GapCause>,
    damaged: bool,
    timeline: Timeline,
    counts: Counts,
}

#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
struct BootCheckpoint {
    next: u32,
    /// As a text line.
    hello: String,
    counter: Micros,
    anchor: Micros,
    levels: Option<u64>,
    dropped: u32,
}

impl Checkpoint {
    /// Start and sequence number of the first frame that is not in it.
    pub fn next(&self) -> Option<(u32, u32)> {
        let boot = self.boot.as_ref()?;
        let (id, _) = read_hello(&boot.hello)?;
        Some((id.boot, boot.next))
    }
}

impl Assembler {
    /// Goes on where a checkpoint was taken; `None` when it can't be read.
    pub fn resume(profile: Arc<Profile>, checkpoint: &Checkpoint) -> Option<Self> {
        let mut assembler = Assembler::new(profile);
        assembler.logger = checkpoint.logger;
        assembler.damaged = checkpoint.damaged;
        assembler.timeline = checkpoint.timeline.clone();
        assembler.counts = checkpoint.counts;
        assembler.rows.last = checkpoint.last;
        assembler.rows.gap = checkpoint.gap;
        for line in &checkpoint.hellos {
            let (id, hello) = read_hello(line)?;
            assembler.hellos.insert(id.boot, hello);
        }
        if let Some(boot) = &checkpoint.boot {
            let (id, hello) = read_hello(&boot.hello)?;
            assembler.boot = Some(Boot {
                number: id.boot,
                next: boot.next,
                binding: Binding::new(&hello, &assembler.profile).ok(),
                counter: Counter::at(hello.clock, boot.counter),
                hello,
                anchor: boot.anchor,
                levels: boot.levels,
                dropped: boot.dropped,
            });
        }
        Some(assembler)
    }

    /// What must be remembered to go on later.
    pub fn checkpoint(&self) -> Checkpoint {
        let logger = self.logger.unwrap_or(0);
        Checkpoint {
            logger: self.logger,
            boot: self.boot.as_ref().map(|boot| BootCheckpoint {
                next: boot.next,
                hello: write_hello(logger, boot.number, &boot.hello),
                counter: boot.counter.latest(),
                anchor: boot.anchor,
                levels: boot.levels,
                dropped: boot.dropped,
            }),
            hellos: self.hellos.iter().map(|(number, hello)| write_hello(logger, *number, hello)).collect(),
            last: self.rows.last,
            gap: self.rows.gap,
            damaged: self.damaged,
            timeline: self.timeline.clone(),
            counts: self.counts,
        }
    }
}

fn write_hello(logger: u32, boot: u32, hello: &Hello) -> String {
    let id = FrameId { logger, boot, sequence: 0 };
    // A hello that was decoded can be encoded; an empty line would be refused when it is read.
    let line = Frame::Hello(hello.clone()).encode(id, Encoding::Text).unwrap_or_default();
    String::from_utf8(line).unwrap_or_default()
}

fn read_hello(line: &str) -> Option<(FrameId, Hello)> {
    let mut found = None;
    let mut decoder = Decoder::of(Encoding::Text);
    decoder.push(line.as_bytes(), &mut |decoded| {
        if let Decoded::Frame(received) = decoded
            && let Frame::Hello(hello) = received.frame
        {
            found = Some((received.id, hello));
        }
    });
    found
}
