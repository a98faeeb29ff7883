//! How far a bag is, and that it may be stopped.

use std::sync::atomic::{AtomicBool, AtomicU32, AtomicU64, Ordering};

use anyhow::{Result, bail};
use foldwatch_store::{Samples, Span};

/// How far the reading is, and the wish that it end: shared with whoever waits for it.
#[derive(Debug, Default)]
pub struct Pace {
    rows: AtomicU64,
    permille: AtomicU32,
    stopped: AtomicBool,
}

/// A bag is read through so often: to be judged, and to be written.
const READINGS: u32 = 2;

impl Pace {
    /// Rows of samples that were read.
    pub fn rows(&self) -> u64 {
        self.rows.load(Ordering::Relaxed)
    }

    /// How much of all readings is done, 0 to 1, by the time that the samples are of.
    pub fn done(&self) -> f64 {
        f64::from(self.permille.load(Ordering::Relaxed)) / 1000.0
    }

    /// It is to end; the next batch is not read any more.
    pub fn stop(&self) {
        self.stopped.store(true, Ordering::Relaxed);
    }

    /// Whether it is to end.
    pub fn is_stopped(&self) -> bool {
        self.stopped.load(Ordering::Relaxed)
    }

    pub(super) fn goes_on(&self) -> Result<()> {
        if self.is_stopped() {
            bail!("it was stopped");
        }
        Ok(())
    }

    pub(super) fn read(&self, batch: &Samples, reading: u32, all: Span) -> Result<()> {
        self.rows.fetch_add(batch.times.len() as u64, Ordering::Relaxed);
        if let Some(at) = batch.times.last() {
            let share = ((*at - all.from).0 / (all.until - all.from).0.max(1e-6)).clamp(0.0, 1.0);
            let done = 1000.0 * (f64::from(reading) + share) / f64::from(READINGS);
            self.permille.store(done.min(1000.0) as u32, Ordering::Relaxed);
        }
        self.goes_on()
    }
}
