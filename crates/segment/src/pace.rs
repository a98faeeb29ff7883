//! How fast rows come.

use foldwatch_units::{Micros, Seconds};
use serde::{Deserialize, Serialize};

/// Rows further apart than this during a drive are a gap, where the rows before came this much faster.
const SILENCE: Seconds = Seconds(0.5);
const SILENCE_PERIODS: f64 = 8.0;

/// The newest periods.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(crate) struct Pace {
    last: Micros,
    periods: [f64; Pace::PERIODS],
}

impl Pace {
    /// So many periods are kept.
    pub const PERIODS: usize = 4;

    pub fn new() -> Self {
        Pace { last: Micros::MIN, periods: [0.0; Pace::PERIODS] }
    }

    /// A row; the one before it where the time between was a silence during a drive, which is no pace.
    pub fn row(&mut self, at: Micros, driving: bool) -> Option<Micros> {
        let before = std::mem::replace(&mut self.last, at);
        if before == Micros::MIN {
            return None;
        }
        let period = (at - before).0;
        let usual = self.periods.iter().copied().fold(0.0, f64::max);
        if driving && usual > 0.0 && period > SILENCE.0 && period > SILENCE_PERIODS * usual {
            return Some(before);
        }
        if period > 0.0 {
            self.periods.rotate_left(1);
            self.periods[Pace::PERIODS - 1] = period;
        }
        None
    }

    /// The time up to here is no pace.
    pub fn skip_to(&mut self, at: Micros) {
        self.last = at;
    }

    /// The shortest of the periods; 0 where none is known.
    pub fn shortest(&self) -> Seconds {
        Seconds(self.periods.iter().copied().filter(|period| *period > 0.0).reduce(f64::min).unwrap_or(0.0))
    }
}
