//! From rows to frames.

use crate::{Block, Edge, EncodeError, Frame, FrameId, MAX_ROWS};

/// Gathers rows into blocks, numbers the frames, and keeps the rule of the stream: frames are in order of time, so
/// whatever is said closes the open block first.
///
/// `VALUES` is how many numbers a block may hold (rows times columns): the memory it takes. Up to 240 fits the longest
/// text line whatever the numbers are, up to 900 the longest packed frame.
///
/// ```
/// use foldwatch_encoder::{Frame, FrameId, Stream};
/// let mut frames = 0;
/// let mut count = |_: FrameId, _: &Frame<'_>| frames += 1;
/// let mut stream = Stream::<240>::new(0x2A, 3, 2, 10);
/// stream.row(1000, 0b01, &[812, 130], &mut count)?; // opens a block
/// stream.row(1010, 0b01, &[813, 131], &mut count)?; // goes on with it
/// stream.row(1020, 0b11, &[814, 131], &mut count)?; // closes it, says an edge, opens the next
/// stream.flush(&mut count);
/// assert_eq!(frames, 3);
/// # Ok::<(), foldwatch_encoder::EncodeError>(())
/// ```
#[derive(Debug, Clone)]
pub struct Stream<const VALUES: usize> {
    next: FrameId,
    columns: u8,
    period: u32,
    levels: Option<u64>,
    at: u64,
    rows: u16,
    held: [i32; VALUES],
}

impl<const VALUES: usize> Stream<VALUES> {
    /// The stream of one boot: `columns` numbers a row, rows `period` counts apart.
    pub fn new(logger: u32, boot: u32, columns: u8, period: u32) -> Self {
        let next = FrameId { logger, boot, sequence: 0 };
        Stream { next, columns, period, levels: None, at: 0, rows: 0, held: [0; VALUES] }
    }

    /// Takes a row, with the levels of all states at that moment. A level that is not as it was is said as an edge at
    /// `at`; an input with an interrupt knows the moment better and calls [`Stream::edge`] before.
    ///
    /// # Errors
    /// [`EncodeError::Content`] when `values` has not as many numbers as a row; [`EncodeError::Full`] when `VALUES` is
    /// too small for one row.
    pub fn row(
        &mut self,
        at: u64,
        levels: u64,
        values: &[i32],
        emit: &mut impl FnMut(FrameId, &Frame<'_>),
    ) -> Result<(), EncodeError> {
        if values.len() != usize::from(self.columns) {
            return Err(EncodeError::Content("a row has another number of values than the stream"));
        }
        let mut changed = self.levels.map_or(0, |before| before ^ levels);
        while changed != 0 {
            let signal = changed.trailing_zeros() as u8;
            changed &= changed - 1;
            self.edge(at, signal, levels >> signal & 1 == 1, emit);
        }
        self.levels = Some(levels);
        let due = self.at.wrapping_add(u64::from(self.period) * u64::from(self.rows));
        if at != due || usize::from(self.rows) == MAX_ROWS || self.len() + values.len() > VALUES {
            self.flush(emit);
        }
        if self.rows == 0 {
            self.at = at;
        }
        let from = self.len();
        self.held.get_mut(from..from + values.len()).ok_or(EncodeError::Full)?.copy_from_slice(values);
        self.rows += 1;
        Ok(())
    }

    /// Says that a state changed its level.
    pub fn edge(&mut self, at: u64, signal: u8, high: bool, emit: &mut impl FnMut(FrameId, &Frame<'_>)) {
        self.say(&Frame::Edge(Edge { at, signal, high }), emit);
        if let Some(levels) = &mut self.levels {
            let bit = 1u64.checked_shl(u32::from(signal)).unwrap_or(0);
            *levels = if high { *levels | bit } else { *levels & !bit };
        }
    }

    /// Says anything else: the open block first, then this.
    pub fn say(&mut self, frame: &Frame<'_>, emit: &mut impl FnMut(FrameId, &Frame<'_>)) {
        self.flush(emit);
        emit(self.next, frame);
        self.next.sequence = self.next.sequence.wrapping_add(1);
    }

    /// Closes the open block, so that what was measured goes out now. Call it a few times a second while live.
    pub fn flush(&mut self, emit: &mut impl FnMut(FrameId, &Frame<'_>)) {
        if self.rows == 0 {
            return;
        }
        let len = self.len();
        let block = Block {
            at: self.at,
            period: self.period,
            levels: self.levels.unwrap_or(0),
            columns: self.columns,
            rows: self.rows,
            values: &self.held[..len],
        };
        emit(self.next, &Frame::Block(block));
        self.rows = 0;
        self.next.sequence = self.next.sequence.wrapping_add(1);
    }

    fn len(&self) -> usize {
        usize::from(self.rows) * usize::from(self.columns)
    }
}
