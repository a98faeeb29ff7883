//! The recording under way: what is kept of it, and how much at most.

use foldwatch_profile::SignalIx;
use foldwatch_units::Micros;
use serde::{Deserialize, Serialize};

use crate::drive::RunningEdge;
use crate::model::{Edge, Glitch, Recording, Trace};
use crate::outcome::Ending;

/// Rows that a recording holds; a longer one keeps every second row, then every fourth.
const MOST_ROWS: usize = 400_000;
/// Edges and glitches that a rest or a recording holds.
pub(crate) const MOST_EDGES: usize = 20_000;

/// A recording with what is needed to judge it.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(crate) struct Gathering {
    pub recording: Recording,
    pub running_initial: Option<bool>,
    pub running_edges: Vec<RunningEdge>,
    pub start: Micros,
    pub end: Micros,
    pub ending: Ending,
    stride: u32,
    skipped: u32,
}

/// What switched before a recording begins and belongs to it.
pub(crate) struct Before {
    pub initial: Vec<Option<bool>>,
    pub edges: Vec<Edge>,
    pub glitches: Vec<Glitch>,
    pub running_initial: Option<bool>,
    pub running_edges: Vec<RunningEdge>,
}

impl Gathering {
    /// Begins with a drive.
    pub fn new(start: Micros, before: Before, analog: &[SignalIx]) -> Self {
        let Before { initial, edges, glitches, running_initial, running_edges } = before;
        let analog = analog.iter().map(|ix| Trace { signal: *ix, values: Vec::new() }).collect();
        Gathering {
            recording: Recording { initial, edges, glitches, analog, ..Recording::default() },
            running_initial,
            running_edges,
            start,
            end: start,
            ending: Ending::Quiet,
            stride: 1,
            skipped: 0,
        }
    }

    /// Gives away what switched from `cut` on, with the states as they stood then.
    pub fn split_off(&mut self, cut: Micros) -> Before {
        let recording = &mut self.recording;
        let edges = recording.edges.extract_if(.., |edge| edge.at >= cut).collect();
        let glitches = recording.glitches.extract_if(.., |glitch| glitch.at >= cut).collect();
        let running_edges = self.running_edges.extract_if(.., |edge| edge.at >= cut).collect();
        let mut initial = recording.initial.clone();
        for edge in &recording.edges {
            initial[edge.signal.at()] = Some(edge.on);
        }
        let running_initial = self.running_edges.last().map(|edge| edge.on).or(self.running_initial);
        Before { initial, edges, glitches, running_initial, running_edges }
    }

    pub fn edge(&mut self, edge: Edge) {
        let edges = &mut self.recording.edges;
        if edges.len() < MOST_EDGES {
            edges.insert(edges.partition_point(|e| e.at <= edge.at), edge);
        }
    }

    pub fn glitch(&mut self, glitch: Glitch) {
        if self.recording.glitches.len() < MOST_EDGES {
            self.recording.glitches.push(glitch);
        }
    }

    pub fn running(&mut self, edge: RunningEdge) {
        if self.running_edges.len() < MOST_EDGES {
            self.running_edges.push(edge);
        }
    }

    /// A row, if it is one of those that are kept.
    pub fn row(&mut self, at: Micros, values: impl Iterator<Item = f32>) {
        self.skipped += 1;
        if self.skipped < self.stride {
            return;
        }
        self.skipped = 0;
        self.append(at, values);
        if self.recording.times.len() >= MOST_ROWS {
            keep_every_second(&mut self.recording.times);
            self.recording.analog.iter_mut().for_each(|trace| keep_every_second(&mut trace.values));
            self.stride *= 2;
        }
    }

    /// A row, kept in any case.
    pub fn append(&mut self, at: Micros, values: impl Iterator<Item = f32>) {
        self.recording.times.push(at);
        for (trace, value) in self.recording.analog.iter_mut().zip(values) {
            trace.values.push(value);
        }
    }
}

fn keep_every_second<T>(rows: &mut Vec<T>) {
    let mut n = 0;
    rows.retain(|_| {
        n += 1;
        n % 2 == 1
    });
}
