//! What a logger says.

use crate::{EncodeError, Encoding, MAX_ROWS, MAX_SIGNALS, packed, text};

/// Who said it, and which of its frames it is. Two frames with one id are one frame sent twice.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct FrameId {
    /// The logger's number, its own among all loggers of a shop.
    pub logger: u32,
    /// Counts the starts of the logger; never used twice.
    pub boot: u32,
    /// Counts the frames of a boot from 0, in order of their time.
    pub sequence: u32,
}

/// One frame. Times are readings of the logger's counter, as they are: see [`Clock`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Frame<'a> {
    /// Who I am and what I record: frame 0 of every boot.
    Hello(Hello<'a>),
    /// Samples at a regular pace.
    Block(Block<'a>),
    /// A binary signal changed its level.
    Edge(Edge),
    /// The operator pressed the logger's button.
    Mark(Mark),
    /// How the logger is doing.
    Health(Health),
    /// The host's time arrived.
    Time(TimeNote),
    /// All that was kept has been sent; what follows is live.
    End(End),
}

impl Frame<'_> {
    /// Writes the frame with its check and its delimiter, and gives the number of bytes.
    ///
    /// # Errors
    /// [`EncodeError::Full`] when it does not fit `out`; [`EncodeError::Content`] for what the format can't say.
    pub fn encode(&self, id: FrameId, encoding: Encoding, out: &mut [u8]) -> Result<usize, EncodeError> {
        self.check()?;
        match encoding {
            Encoding::Packed => packed::encode(id, self, out),
            Encoding::Text => text::encode(id, self, out),
        }
    }

    fn check(&self) -> Result<(), EncodeError> {
        match self {
            Frame::Hello(hello) => hello.check(),
            Frame::Block(block) => block.check(),
            _ => Ok(()),
        }
    }
}

/// What the logger is and records. It holds for the whole boot; another signal list needs a new boot number.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hello<'a> {
    /// Counter when the recording began.
    pub at: u64,
    /// Name for people, without spaces.
    pub name: &'a str,
    /// Version of the firmware, without spaces.
    pub firmware: &'a str,
    /// What the counter counts.
    pub clock: Clock,
    /// UTC in microseconds since 1970 at counter zero, by the logger's own clock, if it has one that is set.
    pub epoch: Option<i64>,
    /// Usual distance of two rows, in counts.
    pub period: u32,
    /// The channels. Numbers are the columns of a block, states the bits of its levels, each in this order.
    pub signals: &'a [Signal<'a>],
}

impl Hello<'_> {
    fn check(&self) -> Result<(), EncodeError> {
        let count = |kind| self.signals.iter().filter(|s| s.kind == kind).count();
        if count(Kind::State) > MAX_SIGNALS || count(Kind::Number) > MAX_SIGNALS {
            return Err(EncodeError::Content("a logger has up to 64 states and up to 64 numbers"));
        }
        let words =
            [self.name, self.firmware].into_iter().chain(self.signals.iter().flat_map(|s| [s.id, s.unit]));
        for word in words {
            // A word must survive the text form, where blanks and colons part one from the next.
            if word.len() > 255 || word.bytes().any(|b| b <= b' ' || b == 0x7F || b == b':') {
                return Err(EncodeError::Content(
                    "a name, id or unit has a blank, colon or control character",
                ));
            }
        }
        if self.signals.iter().any(|s| s.id.is_empty()) {
            return Err(EncodeError::Content("a signal has an empty id"));
        }
        Ok(())
    }
}

/// One channel of a logger.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Signal<'a> {
    /// The id that the roof profile knows it by.
    pub id: &'a str,
    /// State or number.
    pub kind: Kind,
    /// Unit of the numbers, as `bar`, `mV`, `degC`; empty for a state.
    pub unit: &'a str,
    /// Size of one count in that unit.
    pub scale: Scale,
}

/// What a channel carries.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Kind {
    /// Low or high: an input's electrical level, before any meaning.
    State,
    /// A measured number, in counts.
    Number,
}

/// Size of one count: `mantissa * 10^exponent` units. Exact, unlike a binary fraction.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Scale {
    /// Factor.
    pub mantissa: i32,
    /// Power of ten.
    pub exponent: i8,
}

impl Scale {
    /// One count is one unit.
    pub const ONE: Scale = Scale { mantissa: 1, exponent: 0 };
}

/// What the logger's counter counts. It never goes back within a boot, except that it wraps.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Clock {
    /// Milliseconds in 32 bits: wraps after 49.7 days.
    Millis32,
    /// Microseconds in 32 bits: wraps after 71.6 minutes.
    Micros32,
    /// Microseconds in 64 bits: does not wrap.
    Micros64,
}

/// Samples at a regular pace: row `i` was taken at `at + i * period`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Block<'a> {
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
    pub values: &'a [i32],
}

/// Stands in a block for a number that could not be read.
pub const NO_READING: i32 = i32::MIN;

impl Block<'_> {
    fn check(&self) -> Result<(), EncodeError> {
        if usize::from(self.columns) > MAX_SIGNALS {
            return Err(EncodeError::Content("a block has up to 64 columns"));
        }
        if self.rows == 0 || usize::from(self.rows) > MAX_ROWS {
            return Err(EncodeError::Content("a block has 1 to 1024 rows"));
        }
        if usize::from(self.rows) * usize::from(self.columns) != self.values.len() {
            return Err(EncodeError::Content("a block's numbers are not rows times columns"));
        }
        Ok(())
    }
}

/// A binary signal changed its level. The block before ends at the edge, so blocks and edges stay in order of time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Edge {
    /// Counter at the change.
    pub at: u64,
    /// Which state, counted from 0 in the order of the hello.
    pub signal: u8,
    /// The level from now on.
    pub high: bool,
}

/// The operator pressed the logger's button.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Mark {
    /// Counter at the press.
    pub at: u64,
}

/// How the logger is doing: at least every ten minutes, and at once after rows were dropped.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Health {
    /// Counter now.
    pub at: u64,
    /// How full the memory for unsent frames is, in thousandths.
    pub fill_permille: u16,
    /// Rows dropped since the boot because there was no room for them.
    pub dropped: u32,
    /// Supply of the logger in millivolts, if measured.
    pub supply_mv: Option<u16>,
    /// Temperature of the logger in tenths of a degree Celsius, if measured.
    pub temperature_dc: Option<i16>,
}

/// The host's time as it arrived. The moment `utc` lies between the counts `echo` and `at`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TimeNote {
    /// Counter when the host's time arrived.
    pub at: u64,
    /// Count that the host had last seen when it sent its time.
    pub echo: u64,
    /// The host's UTC, in microseconds since 1970.
    pub utc: i64,
}

/// All that was kept has been sent; what follows is live.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct End {
    /// Counter now.
    pub at: u64,
}
