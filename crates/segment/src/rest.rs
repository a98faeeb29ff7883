//! What happens while nothing is recorded.

use std::collections::VecDeque;

use foldwatch_profile::SignalIx;
use serde::{Deserialize, Serialize};

use crate::gathering::{Before, MOST_EDGES};
use crate::model::{Edge, Glitch};

/// The newest of it, since the last recording ended.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(crate) struct Rest {
    initial: Vec<Option<bool>>,
    edges: VecDeque<Edge>,
    glitches: VecDeque<Glitch>,
    running: Option<bool>,
}

impl Rest {
    /// For so many signals, none of which is known.
    pub fn new(signals: usize) -> Self {
        Rest::from(vec![None; signals], None)
    }

    /// From the end of a recording on: the signals' states, and whether the motor runs.
    pub fn from(initial: Vec<Option<bool>>, running: Option<bool>) -> Self {
        Rest { initial, edges: VecDeque::new(), glitches: VecDeque::new(), running }
    }

    /// A signal's state became known.
    pub fn know(&mut self, signal: SignalIx, on: bool) {
        if let Some(slot) = self.initial.get_mut(signal.at()) {
            *slot = Some(on);
        }
    }

    /// Nothing that was known of a signal counts any more.
    pub fn forget(&mut self, signal: SignalIx) {
        if let Some(slot) = self.initial.get_mut(signal.at()) {
            *slot = None;
        }
    }

    /// Whether the motor runs; `None`: nobody knows.
    pub fn running(&mut self, on: Option<bool>) {
        self.running = on;
    }

    pub fn edge(&mut self, edge: Edge) {
        let place = self.edges.partition_point(|e| e.at <= edge.at);
        self.edges.insert(place, edge);
        if self.edges.len() > MOST_EDGES
            && let Some(dropped) = self.edges.pop_front()
        {
            self.know(dropped.signal, dropped.on);
        }
    }

    pub fn glitch(&mut self, glitch: Glitch) {
        self.glitches.push_back(glitch);
        if self.glitches.len() > MOST_EDGES {
            self.glitches.pop_front();
        }
    }

    /// All of it, for the recording that begins.
    pub fn take(&mut self) -> Before {
        Before {
            initial: std::mem::take(&mut self.initial),
            edges: self.edges.drain(..).collect(),
            glitches: self.glitches.drain(..).collect(),
            running_initial: self.running,
            running_edges: Vec::new(),
        }
    }
}
