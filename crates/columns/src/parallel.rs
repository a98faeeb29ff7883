//! A whole log through every core.
//!
//! Workers take blocks in turn from the one source and parse them; the caller's thread hands the rows on in order.
//! A block and its rows travel in one of a fixed number of loads, so memory does not grow with the log.

use crate::blocks::{BLOCK, Blocks, Cut};
use crate::feed::Feed;
use crate::layout::Layout;
use crate::lead::Search;
use crate::map::ColumnMap;
use crate::parse::{Batch, Parser};
use crate::reader::start;
use crate::report::{ColumnsError, Report};
use foldwatch_profile::Profile;
use foldwatch_samples::Sink;
use std::io::{self, Read};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex, PoisonError};

/// More do not help: the caller's thread is the narrow place then.
const MOST_WORKERS: usize = 4;

/// Reads a whole log, with as many threads as the machine has, and feeds it to a sink on the caller's thread. The
/// items are those of [`Reader`](crate::Reader), whatever the number of threads.
///
/// # Errors
/// Where the source fails, where the log does not fit to the map and the profile, and where it holds no row. Rows
/// before a failure have been handed on; the caller drops what it made of them.
pub fn read(
    input: impl Read + Send,
    map: &ColumnMap,
    profile: &Profile,
    sink: &mut impl Sink,
) -> Result<Report, ColumnsError> {
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    read_with_workers(input, map, profile, sink, cores.min(MOST_WORKERS))
}

/// A block and its rows.
#[derive(Default)]
struct Load {
    sequence: u64,
    cut: Cut,
    block: Vec<u8>,
    batch: Batch,
    /// Why there is nothing more.
    end: Option<io::Result<()>>,
}

/// What the workers share.
struct Source<R> {
    input: R,
    blocks: Blocks,
    sequence: u64,
    done: bool,
}

/// As [`read`], with so many threads beside the caller's.
///
/// # Errors
/// As [`read`].
pub fn read_with_workers(
    mut input: impl Read + Send,
    map: &ColumnMap,
    profile: &Profile,
    sink: &mut impl Sink,
    workers: usize,
) -> Result<Report, ColumnsError> {
    // The beginning is looked at by one thread until it is understood.
    let mut search = Search::new(map.clone(), profile);
    let mut begun = Vec::new();
    let lead = loop {
        let target = begun.len() + BLOCK / 4;
        let at_end = match fill(&mut input, &mut begun, target) {
            Ok(at_end) => at_end,
            Err(source) => {
                let line = memchr::memchr_iter(b'\n', &begun).count() as u64;
                return Err(ColumnsError::Read { byte: begun.len() as u64, line, source });
            }
        };
        if let Some(lead) = search.look(&begun, at_end)? {
            break lead;
        }
        if at_end {
            return Err(ColumnsError::Empty);
        }
    };
    let rest = begun.split_off(lead.start);
    let (layout, mut blocks, mut feed) = start(lead);
    blocks.keep(rest);

    let source = Mutex::new(Source { input, blocks, sequence: 0, done: false });
    let (full_out, full_in) = channel::<Load>();
    let (empty_out, empty_in) = channel::<Load>();
    for _ in 0..2 * workers + 1 {
        // The receiver lives as long as this function.
        let _ = empty_out.send(Load::default());
    }
    let empty_in = Mutex::new(empty_in);
    std::thread::scope(|scope| {
        for _ in 0..workers {
            let (full_out, source, empty_in, layout) = (full_out.clone(), &source, &empty_in, layout.clone());
            scope.spawn(move || work(source, empty_in, &full_out, layout));
        }
        drop(full_out);
        hand_on(&full_in, empty_out, &mut feed, sink)
    })?;
    Ok(feed.finish())
}

/// Reads until `buffer` holds `target` bytes or nothing comes any more; whether the latter.
fn fill(input: &mut impl Read, buffer: &mut Vec<u8>, target: usize) -> io::Result<bool> {
    let wanted = target.saturating_sub(buffer.len());
    buffer.reserve(wanted);
    input.take(wanted as u64).read_to_end(buffer)?;
    Ok(buffer.len() < target)
}

impl<R: Read> Source<R> {
    /// Fills a load with the next block; `false`: there is none.
    fn next(&mut self, load: &mut Load) -> bool {
        if self.done {
            return false;
        }
        self.blocks.begin(&mut load.block);
        let target = load.block.len().max(BLOCK / 2) + BLOCK / 2;
        load.end = match fill(&mut self.input, &mut load.block, target) {
            Ok(false) => None,
            Ok(true) => Some(Ok(())),
            Err(error) => Some(Err(error)),
        };
        self.done = load.end.is_some();
        load.cut = self.blocks.cut(&mut load.block, matches!(load.end, Some(Ok(()))));
        load.sequence = self.sequence;
        self.sequence += 1;
        true
    }
}

fn work<R: Read>(
    source: &Mutex<Source<R>>,
    empty: &Mutex<Receiver<Load>>,
    full: &Sender<Load>,
    layout: Arc<Layout>,
) {
    let mut parser = Parser::new(layout);
    let _alarm = Alarm(full);
    loop {
        // A poisoned lock means that another worker is gone; what it guards is whole all the same.
        let received = empty.lock().unwrap_or_else(PoisonError::into_inner).recv();
        let Ok(mut load) = received else { return };
        if !source.lock().unwrap_or_else(PoisonError::into_inner).next(&mut load) {
            return;
        }
        let last = matches!(load.end, Some(Ok(())));
        parser.block(&load.block, last, &mut load.batch);
        if full.send(load).is_err() {
            return;
        }
    }
}

/// A load that is lost with its worker would be waited for without end: this tells that it will not come.
struct Alarm<'a>(&'a Sender<Load>);

/// No load has this place.
const LOST: u64 = u64::MAX;

impl Drop for Alarm<'_> {
    fn drop(&mut self) {
        if std::thread::panicking() {
            let _ = self.0.send(Load { sequence: LOST, ..Load::default() });
        }
    }
}

/// Puts loads in order, hands their rows on, and gives the empty ones back.
fn hand_on(
    full: &Receiver<Load>,
    empty: Sender<Load>,
    feed: &mut Feed,
    sink: &mut impl Sink,
) -> Result<(), ColumnsError> {
    let mut early: Vec<Load> = Vec::new();
    let mut next = 0;
    while let Ok(load) = full.recv() {
        if load.sequence == LOST {
            // The scope passes the worker's panic on.
            return Ok(());
        }
        early.push(load);
        while let Some(at) = early.iter().position(|load| load.sequence == next) {
            let mut load = early.swap_remove(at);
            next += 1;
            feed.take(&load.cut, &load.block, &mut load.batch, sink);
            match load.end.take() {
                None => {
                    // No worker may be left to take it.
                    let _ = empty.send(load);
                }
                Some(Ok(())) => return Ok(()),
                Some(Err(source)) => {
                    let (line, byte) = feed.place();
                    return Err(ColumnsError::Read { byte, line, source });
                }
            }
        }
    }
    Ok(())
}
