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

#[cfg(test)]
mod tests {
    extern crate std;
    use std::vec::Vec;

    use super::*;
    use crate::{Encoding, MAX_PACKED, Mark, NO_READING};

    fn shorthand(frame: &Frame<'_>) -> (char, u64, usize) {
        match frame {
            Frame::Block(block) => ('b', block.at, usize::from(block.rows)),
            Frame::Edge(edge) => ('e', edge.at, usize::from(edge.signal)),
            Frame::Mark(mark) => ('m', mark.at, 0),
            _ => ('?', 0, 0),
        }
    }

    #[test]
    fn frames_are_in_order_of_time_and_numbered() {
        let mut frames = Vec::new();
        let mut emit = |id: FrameId, frame: &Frame<'_>| frames.push((id.sequence, shorthand(frame)));
        let mut stream = Stream::<8>::new(1, 1, 2, 10);
        let mut row =
            |stream: &mut Stream<8>, at, levels| stream.row(at, levels, &[1, 2], &mut emit).unwrap();
        row(&mut stream, 100, 0b00);
        row(&mut stream, 110, 0b00);
        row(&mut stream, 120, 0b11);
        // A pause of the clock begins a new block; so does a full one.
        row(&mut stream, 140, 0b11);
        for n in 1..5 {
            row(&mut stream, 140 + 10 * n, 0b11);
        }
        stream.edge(183, 1, false, &mut emit);
        // The level that the edge has told is not told again.
        stream.row(190, 0b01, &[1, 2], &mut emit).unwrap();
        stream.say(&Frame::Mark(Mark { at: 195 }), &mut emit);
        stream.flush(&mut emit);
        let expected = [
            ('b', 100, 2),
            ('e', 120, 0),
            ('e', 120, 1),
            ('b', 120, 1),
            ('b', 140, 4),
            ('b', 180, 1),
            ('e', 183, 1),
            ('b', 190, 1),
            ('m', 195, 0),
        ];
        let numbered: Vec<_> = (0..).zip(expected).collect();
        assert_eq!(frames, numbered);
    }

    #[test]
    fn rows_of_the_wrong_size_are_refused() {
        let mut emit = |_: FrameId, _: &Frame<'_>| panic!("nothing to say");
        let mut stream = Stream::<3>::new(1, 1, 2, 10);
        assert!(matches!(stream.row(0, 0, &[1], &mut emit), Err(EncodeError::Content(_))));
        let mut stream = Stream::<3>::new(1, 1, 4, 10);
        assert_eq!(stream.row(0, 0, &[1, 2, 3, 4], &mut emit), Err(EncodeError::Full));
    }

    /// The sizes that the documentation of [`Stream`] promises.
    #[test]
    fn the_widest_block_fits() {
        fn fits<const VALUES: usize>(columns: u8, encoding: Encoding) {
            let mut buf = [0; MAX_PACKED];
            let mut emit = |id: FrameId, frame: &Frame<'_>| {
                frame.encode(id, encoding, &mut buf).unwrap();
            };
            let mut stream = Stream::<VALUES>::new(u32::MAX, u32::MAX, columns, u32::MAX);
            stream.next.sequence = u32::MAX - 1;
            let start = u64::MAX - u64::from(u32::MAX) * 1000;
            for row in 0..VALUES / usize::from(columns) {
                let value = if row % 2 == 0 { NO_READING + 1 } else { i32::MAX };
                let at = start + row as u64 * u64::from(u32::MAX);
                stream.row(at, u64::MAX, &[value; 64][..usize::from(columns)], &mut emit).unwrap();
            }
            stream.flush(&mut emit);
        }
        for columns in [1, 3, 16, 64] {
            fits::<240>(columns, Encoding::Text);
            fits::<240>(columns, Encoding::Packed);
            fits::<900>(columns, Encoding::Packed);
        }
    }
}
