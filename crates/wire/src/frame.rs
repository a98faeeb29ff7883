//! What a logger says, as it is kept on the host.

pub use foldwatch_encoder::{Clock, Edge, End, FrameId, Health, Kind, Mark, NO_READING, Scale, TimeNote};
use foldwatch_encoder::{EncodeError, MAX_PACKED};

use crate::Encoding;

/// One frame of a logger.
#[derive(Debug, Clone, PartialEq)]
pub enum Frame {
    /// Who the logger is and what it records.
    Hello(Hello),
    /// Samples at a regular pace.
    Block(Block),
    /// A binary signal changed its level.
    Edge(Edge),
    /// The operator pressed the logger's button.
    Mark(Mark),
    /// How the logger is doing.
    Health(Health),
    /// The host's time as it arrived.
    Time(TimeNote),
    /// All that was kept has been sent; what follows is live.
    End(End),
}

/// What the logger is and records, for a whole boot.
#[derive(Debug, Clone, PartialEq)]
pub struct Hello {
    /// Counter when the recording began.
    pub at: u64,
    /// Name for people.
    pub name: String,
    /// Version of the firmware.
    pub firmware: String,
    /// What the counter counts.
    pub clock: Clock,
    /// UTC in microseconds since 1970 at counter zero, by the logger's own clock.
    pub epoch: Option<i64>,
    /// Usual distance of two rows, in counts.
    pub period: u32,
    /// The channels. Numbers are the columns of a block, states the bits of its levels, each in this order.
    pub signals: Vec<Signal>,
}

impl Hello {
    /// The channels of one kind, in their order.
    pub fn of_kind(&self, kind: Kind) -> impl Iterator<Item = &Signal> {
        self.signals.iter().filter(move |signal| signal.kind == kind)
    }
}

/// One channel of a logger.
#[derive(Debug, Clone, PartialEq)]
pub struct Signal {
    /// The id that the roof profile knows it by.
    pub id: String,
    /// State or number.
    pub kind: Kind,
    /// Unit of the numbers; empty for a state.
    pub unit: String,
    /// Size of one count in that unit.
    pub scale: Scale,
}

/// Samples at a regular pace: row `i` was taken at `at + i * period`.
#[derive(Debug, Clone, PartialEq)]
pub struct Block {
    /// Counter at the first row.
    pub at: u64,
    /// Distance of two rows, in counts.
    pub period: u32,
    /// Levels of all states during the whole block: bit `n` is state `n` of the hello.
    pub levels: u64,
    /// Numbers in a row.
    pub columns: u8,
    /// Rows in the block, at least one.
    pub rows: u16,
    /// `rows` times `columns` numbers in counts, row by row; [`NO_READING`] where there is none.
    pub values: Vec<i32>,
}

impl Block {
    /// The numbers of one row; empty past the last row.
    pub fn row(&self, row: usize) -> &[i32] {
        let columns = usize::from(self.columns);
        self.values.get(row * columns..(row + 1) * columns).unwrap_or(&[])
    }

    /// Counter at a row.
    pub fn at_row(&self, row: usize) -> u64 {
        self.at.wrapping_add((row as u64).wrapping_mul(u64::from(self.period)))
    }
}

impl Frame {
    /// Counter at the frame's moment; of a block, at its first row.
    pub fn at(&self) -> u64 {
        match self {
            Frame::Hello(hello) => hello.at,
            Frame::Block(block) => block.at,
            Frame::Edge(edge) => edge.at,
            Frame::Mark(mark) => mark.at,
            Frame::Health(health) => health.at,
            Frame::Time(note) => note.at,
            Frame::End(end) => end.at,
        }
    }

    /// The latest count that the frame speaks of: what a host echoes with its time.
    pub fn latest(&self) -> u64 {
        match self {
            Frame::Block(block) => block.at_row(usize::from(block.rows).saturating_sub(1)),
            _ => self.at(),
        }
    }

    /// One word for people: `hello`, `block`, `edge`, `mark`, `health`, `time`, `end`.
    pub fn name(&self) -> &'static str {
        match self {
            Frame::Hello(_) => "hello",
            Frame::Block(_) => "block",
            Frame::Edge(_) => "edge",
            Frame::Mark(_) => "mark",
            Frame::Health(_) => "health",
            Frame::Time(_) => "time",
            Frame::End(_) => "end",
        }
    }

    /// The bytes of the frame, with check and delimiter.
    ///
    /// # Errors
    /// For columns, and where the format has no form for it: see [`foldwatch_encoder::Frame::encode`].
    pub fn encode(&self, id: FrameId, encoding: Encoding) -> Result<Vec<u8>, EncodeError> {
        let mut out = vec![0; MAX_PACKED];
        let signals: Vec<_> = match self {
            Frame::Hello(hello) => hello
                .signals
                .iter()
                .map(|s| foldwatch_encoder::Signal { id: &s.id, kind: s.kind, unit: &s.unit, scale: s.scale })
                .collect(),
            _ => Vec::new(),
        };
        let frame = match self {
            Frame::Hello(hello) => foldwatch_encoder::Frame::Hello(foldwatch_encoder::Hello {
                at: hello.at,
                name: &hello.name,
                firmware: &hello.firmware,
                clock: hello.clock,
                epoch: hello.epoch,
                period: hello.period,
                signals: &signals,
            }),
            Frame::Block(block) => foldwatch_encoder::Frame::Block(foldwatch_encoder::Block {
                at: block.at,
                period: block.period,
                levels: block.levels,
                columns: block.columns,
                rows: block.rows,
                values: &block.values,
            }),
            Frame::Edge(edge) => foldwatch_encoder::Frame::Edge(*edge),
            Frame::Mark(mark) => foldwatch_encoder::Frame::Mark(*mark),
            Frame::Health(health) => foldwatch_encoder::Frame::Health(*health),
            Frame::Time(note) => foldwatch_encoder::Frame::Time(*note),
            Frame::End(end) => foldwatch_encoder::Frame::End(*end),
        };
        let n = frame.encode(id, encoding.of_frames()?, &mut out)?;
        out.truncate(n);
        Ok(out)
    }
}
