//! The newest rows: what is kept of the time before a drive.

use std::collections::VecDeque;

use foldwatch_units::{Micros, Seconds};
use serde::{Deserialize, Serialize};

/// So much of the time before a drive is kept.
pub(crate) const LEAD: Seconds = Seconds(1.0);
/// Rows that are kept however old they are.
pub(crate) const FEWEST_ROWS: usize = 3;

/// Rows of the analog signals, the newest last.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(crate) struct Lead {
    width: usize,
    times: VecDeque<Micros>,
    values: VecDeque<f32>,
}

impl Lead {
    /// For rows of `width` values.
    pub fn new(width: usize) -> Self {
        Lead { width, times: VecDeque::new(), values: VecDeque::new() }
    }

    /// When the newest row was.
    pub fn newest(&self) -> Option<Micros> {
        self.times.back().copied()
    }

    /// The newest row; nothing before the first.
    pub fn newest_values(&self) -> impl Iterator<Item = f32> {
        self.values.range(self.values.len().saturating_sub(self.width)..).copied()
    }

    pub fn times(&self) -> impl Iterator<Item = Micros> {
        self.times.iter().copied()
    }

    /// The rows from `from` on; the newest in any case.
    pub fn rows_from(&self, from: Micros) -> impl Iterator<Item = (Micros, impl Iterator<Item = f32>)> {
        let rows = self.times.iter().copied().enumerate();
        rows.filter(move |(row, time)| *time >= from || row + 1 == self.times.len())
            .map(|(row, time)| (time, self.values.range(row * self.width..(row + 1) * self.width).copied()))
    }

    /// A row of `width` values.
    pub fn push(&mut self, at: Micros, values: impl Iterator<Item = f32>) {
        self.values.extend(values);
        self.times.push_back(at);
        let oldest = at - LEAD;
        while self.times.len() > FEWEST_ROWS && self.times.front().is_some_and(|time| *time < oldest) {
            self.times.pop_front();
            self.values.drain(..self.width);
        }
    }

    /// The newest row once more; before the first, nothing is known.
    pub fn repeat(&mut self, at: Micros) {
        for _ in 0..self.width {
            let value = self.values.len().checked_sub(self.width).and_then(|n| self.values.get(n).copied());
            self.values.push_back(value.unwrap_or(f32::NAN));
        }
        self.push(at, std::iter::empty());
    }
}
