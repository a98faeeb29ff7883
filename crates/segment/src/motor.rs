//! Whether the pump's motor runs, by its current or by what stands in for it.

use foldwatch_units::{Micros, Seconds};
use serde::{Deserialize, Serialize};

use crate::condition::{Change, Conditioner};
use crate::drive::Thresholds;
use crate::scatter::Scatter;

/// It must stand beyond its threshold for this long and for so many rows: shorter is a disturbance. Long enough that a noisy
/// sensor at rest does not make movements of its own; the start's time is that of the first change all the same.
const DEBOUNCE: Seconds = Seconds(0.2);
const PERIODS: f64 = 2.5;
/// Where the pump's command is recorded, current alone must be surer: it can only mean that the relay hangs.
const SURER: f64 = 2.0;
/// And stand out from its scatter by so many deviations. Judgment: of normal noise one reading in 700 does.
const BEYOND_SCATTER: f64 = 3.0;

/// The motor's state.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(crate) struct Motor {
    conditioner: Conditioner,
    level: bool,
    /// How far the readings scatter from row to row.
    scatter: Scatter,
}

/// What is recorded of the pump's command beside the motor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Command {
    /// Nothing.
    Unknown,
    On,
    Off,
}

impl Motor {
    pub fn new() -> Self {
        Motor { conditioner: Conditioner::new(DEBOUNCE), level: false, scatter: Scatter::default() }
    }

    /// Takes in a reading; whether it was news. `row` is the time between two rows.
    pub fn see(
        &mut self,
        (at, value): (Micros, f64),
        limits: Thresholds,
        command: Command,
        (resolution, row): (Seconds, Seconds),
        out: &mut impl FnMut(Change),
    ) -> bool {
        let scatter = self.scatter.see(value);
        // Where the command itself is recorded, and is off, a reading that scatters so far starts nothing.
        let beyond = if command == Command::Off { BEYOND_SCATTER * scatter } else { 0.0 };
        self.level = value > beyond + if self.level { limits.off } else { limits.on };
        let news = self.conditioner.is_news(self.level);
        if news {
            let surer = if command == Command::Unknown { 1.0 } else { SURER };
            self.conditioner.set_debounce(Seconds(surer * DEBOUNCE.0.max(PERIODS * row.0)));
            self.conditioner.see(at, self.level, resolution, out);
        }
        news
    }

    /// Time has come so far.
    pub fn pass(&mut self, at: Micros, out: &mut impl FnMut(Change)) {
        self.conditioner.pass(at, out);
    }

    /// Nothing more comes that could decide what is pending.
    pub fn decide(&mut self, out: &mut impl FnMut(Change)) {
        self.conditioner.decide(out);
    }

    /// Time alone can still change it.
    pub fn is_pending(&self) -> bool {
        self.conditioner.is_pending()
    }

    /// It runs; `None`: not known.
    pub fn runs(&self) -> Option<bool> {
        self.conditioner.stable()
    }

    /// Whatever it did says nothing about now; its sensor is as it was.
    pub fn forget(&mut self) {
        self.conditioner = Conditioner::new(DEBOUNCE);
        self.level = false;
    }
}
