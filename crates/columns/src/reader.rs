//! A log that comes in pieces.

use crate::blocks::{BLOCK, Blocks};
use crate::feed::Feed;
use crate::layout::Layout;
use crate::lead::{Lead, Search};
use crate::map::ColumnMap;
use crate::parse::{Batch, Parser};
use crate::report::{ColumnsError, Report};
use foldwatch_profile::Profile;
use foldwatch_samples::Sink;
use std::sync::Arc;

/// Reads a log that comes in pieces: a serial line, a pipe, a whole file. The size of the pieces makes no difference.
///
/// ```
/// use foldwatch_columns::{ColumnMap, Reader};
/// use foldwatch_samples::Item;
/// let profile = foldwatch_profile::parse(r#"
///     id = "flap"
///     name = "One flap"
///     [[signal]]
///     id = "pump"
///     kind = "pump"
///     [[signal]]
///     id = "pressure"
///     kind = "pressure"
///     unit = "bar"
///     [[signal]]
///     id = "is_open"
///     kind = "switch"
///     [[opening]]
///     name = "Raise"
///     confirm = "is_open"
///     expected_s = 5
///     [[closing]]
///     name = "Lower"
///     confirm = "not is_open"
///     expected_s = 4
/// "#).map_err(|problems| problems[0].clone())?.profile;
/// let mut rows = Vec::new();
/// let mut sink = |item: Item<'_>| if let Item::Row { at, values } = item { rows.push((at.0, values[1])) };
/// let mut reader = Reader::new(ColumnMap::default(), &profile);
/// reader.push(b"time_ms;pressure_bar\n0;1,5\n10", &mut sink)?;
/// reader.push(b";2,5\n", &mut sink)?;
/// let report = reader.finish(&mut sink)?;
/// assert_eq!(rows, [(0, 1.5), (10_000, 2.5)]);
/// assert_eq!(report.rows, 2);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Debug)]
pub struct Reader {
    search: Search,
    block: Vec<u8>,
    batch: Batch,
    rows: Option<Rows>,
}

/// Past the header.
#[derive(Debug)]
struct Rows {
    blocks: Blocks,
    parser: Parser,
    feed: Feed,
}

/// What reading goes on with once the beginning is understood.
pub(crate) fn start(lead: Lead) -> (Arc<Layout>, Blocks, Feed) {
    let layout = Arc::new(lead.layout.clone());
    let blocks = Blocks::new(layout.delimiter);
    let feed = Feed::new(layout.clone(), lead);
    (layout, blocks, feed)
}

impl Reader {
    /// For a log of this map and profile.
    pub fn new(map: ColumnMap, profile: &Profile) -> Self {
        Reader { search: Search::new(map, profile), block: Vec::new(), batch: Batch::default(), rows: None }
    }

    /// Takes the next bytes.
    ///
    /// # Errors
    /// Where the beginning of the log does not fit to the map and the profile. The reader is of no use then.
    pub fn push(&mut self, bytes: &[u8], sink: &mut impl Sink) -> Result<(), ColumnsError> {
        for piece in bytes.chunks(BLOCK / 2) {
            self.piece(piece, sink)?;
        }
        Ok(())
    }

    fn piece(&mut self, bytes: &[u8], sink: &mut impl Sink) -> Result<(), ColumnsError> {
        if let Some(rows) = &mut self.rows {
            rows.take(bytes, &mut self.block, &mut self.batch, sink);
            return Ok(());
        }
        self.block.extend_from_slice(bytes);
        // Nothing can be settled by half a line.
        if bytes.contains(&b'\n') || self.block.len() >= BLOCK {
            self.settle(false, sink)?;
        }
        Ok(())
    }

    fn settle(&mut self, last: bool, sink: &mut impl Sink) -> Result<(), ColumnsError> {
        let Some(lead) = self.search.look(&self.block, last)? else { return Ok(()) };
        let begun = self.block.split_off(lead.start);
        let (layout, blocks, feed) = start(lead);
        let rows = self.rows.insert(Rows { blocks, parser: Parser::new(layout), feed });
        rows.take(&begun, &mut self.block, &mut self.batch, sink);
        Ok(())
    }

    /// The account up to now; `None` before the first row.
    pub fn so_far(&self) -> Option<Report> {
        self.rows.as_ref().map(|rows| rows.feed.clone().finish())
    }

    /// The log is over.
    ///
    /// # Errors
    /// Where it held nothing that could be read.
    pub fn finish(mut self, sink: &mut impl Sink) -> Result<Report, ColumnsError> {
        if self.rows.is_none() {
            self.settle(true, sink)?;
        }
        let Some(mut rows) = self.rows else { return Err(ColumnsError::Empty) };
        rows.blocks.begin(&mut self.block);
        rows.cut(&mut self.block, true, &mut self.batch, sink);
        Ok(rows.feed.finish())
    }
}

impl Rows {
    fn take(&mut self, bytes: &[u8], block: &mut Vec<u8>, batch: &mut Batch, sink: &mut impl Sink) {
        self.blocks.begin(block);
        block.extend_from_slice(bytes);
        self.cut(block, false, batch, sink);
    }

    fn cut(&mut self, block: &mut Vec<u8>, last: bool, batch: &mut Batch, sink: &mut impl Sink) {
        let cut = self.blocks.cut(block, last);
        if !block.is_empty() {
            self.parser.block(block, last, batch);
        }
        self.feed.take(&cut, block, batch, sink);
    }
}
