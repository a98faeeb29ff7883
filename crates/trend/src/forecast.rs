//! When a series will reach its limit.

use crate::point::Worse;
use crate::stats::correlated::Fit;
use crate::usage::Usage;
use foldwatch_units::{Micros, Seconds};

/// Both ends of a stated interval leave out this much: the interval holds 90 %, "not before" holds 95 %.
pub const TAIL: f64 = 0.05;

/// A date is named only if it lies no further ahead than this many times the stretch of cycles it is drawn from, and
/// [`FURTHEST_DAYS`]. Judgement: a line drawn further says more about the line than about the roof.
pub const FURTHEST_STRETCHES: f64 = 4.0;
/// See [`FURTHEST_STRETCHES`].
pub const FURTHEST_DAYS: f64 = 730.0;

/// Fewest cycles since the last change for a forecast.
pub const FEWEST: usize = 20;

/// Risk is stated for so many days ahead.
pub const RISK_DAYS: f64 = 90.0;

/// A wear that would reach the limit within this many days should be seen; where it could not be, it is too early.
const SHOULD_SEE_DAYS: f64 = 365.0;

/// A cycle with its expected moment.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct When {
    /// The car's count.
    pub cycle: u64,
    /// The moment, by the car's use so far.
    pub at: Micros,
}

/// What can be said.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case", tag = "says")]
pub enum Forecast {
    /// There is no limit to reach.
    NoLimit,
    /// The level is past the limit.
    Past {
        /// Probability that it truly is.
        probability: f64,
    },
    /// The limit is reached within a stated interval.
    Likely {
        /// Not before this, with 95 %.
        earliest: When,
        /// As likely before as after.
        middle: When,
        /// Not after this, with 95 %.
        latest: When,
    },
    /// It can be said until when the limit will not be reached, and no more.
    NotBefore {
        /// Not before this, with 95 %.
        earliest: When,
    },
    /// Nothing useful can be said yet.
    TooEarly {
        /// About so many cycles more are needed.
        more_cycles: u64,
    },
}

/// A straight stretch and where it is going.
pub(crate) struct Stretch<'a> {
    /// Level at the centre and slope a cycle.
    pub line: &'a Fit<2>,
    /// The cycle that the line's first coefficient belongs to.
    pub centre: f64,
    /// Cycles in the stretch.
    pub count: usize,
    /// Cycles from its first to its last.
    pub span: f64,
    /// The newest cycle.
    pub newest: (u64, Micros),
    /// The moment from which on is looked ahead.
    pub now: Micros,
    /// The car's use.
    pub usage: Usage,
    /// Which way is worse.
    pub worse: Worse,
}

impl Stretch<'_> {
    /// Probability that the level so many cycles after the newest is past the limit.
    pub fn past(&self, limit: f64, ahead: f64) -> f64 {
        let below = self.line.below([1.0, self.newest.0 as f64 + ahead - self.centre], limit);
        match self.worse {
            Worse::Higher => 1.0 - below,
            Worse::Lower => below,
        }
    }

    /// Probability that the limit is passed within some days; what the use may be is not averaged over.
    pub fn risk(&self, limit: f64, days: f64) -> f64 {
        self.past(limit, 0.0).max(self.past(limit, days * self.usage.per_day))
    }

    /// Cycles ahead at which the limit is passed with probability `p`; `None`: not within `furthest`.
    fn ahead(&self, limit: f64, p: f64, furthest: f64) -> Option<f64> {
        if self.past(limit, 0.0) >= p {
            return Some(0.0);
        }
        if self.past(limit, furthest) < p {
            return None;
        }
        let (mut low, mut high) = (0.0, furthest);
        while high - low > 0.5 {
            let middle = 0.5 * (low + high);
            if self.past(limit, middle) < p { low = middle } else { high = middle }
        }
        Some(high)
    }

    fn when(&self, cycles: f64, days: f64) -> When {
        When {
            cycle: self.newest.0.saturating_add(cycles.round() as u64),
            at: self.now + Seconds(days * crate::point::DAY),
        }
    }

    /// What can be said about a limit.
    pub fn forecast(&self, limit: f64) -> Forecast {
        let past_now = self.past(limit, 0.0);
        if past_now > 0.5 {
            return Forecast::Past { probability: past_now };
        }
        if self.count < FEWEST {
            return Forecast::TooEarly { more_cycles: (FEWEST - self.count) as u64 };
        }
        let per_day = self.usage.per_day;
        let furthest = (FURTHEST_DAYS * per_day).min(FURTHEST_STRETCHES * self.span).max(1.0);
        let low = self.ahead(limit, TAIL, furthest);
        let middle = self.ahead(limit, 0.5, furthest);
        let high = self.ahead(limit, 1.0 - TAIL, furthest);
        // Cycles and pace are uncertain apart from each other: their parts add as squares, on the scale of logarithms
        // since neither can be negative.
        let early = |from: f64, to: f64| -> f64 {
            let days = to.max(0.5) / per_day;
            let cycles = (to.max(0.5) / from.max(0.5)).ln();
            days * (-(cycles * cycles + (1.645 * self.usage.u(days)).powi(2)).sqrt()).exp()
        };
        let late = |to: f64, from: f64| -> f64 {
            let days = from.max(0.5) / per_day;
            let cycles = (to.max(0.5) / from.max(0.5)).ln();
            days * (cycles * cycles + (1.645 * self.usage.u(days)).powi(2)).sqrt().exp()
        };
        match (low, middle, high) {
            (Some(low), Some(middle), Some(high)) => Forecast::Likely {
                earliest: self.when(low, early(low, middle)),
                middle: self.when(middle, middle / per_day),
                latest: self.when(high, late(high, middle)),
            },
            _ => {
                let should_see = (SHOULD_SEE_DAYS * per_day).max(1.0);
                let level = self.line.value([1.0, self.newest.0 as f64 - self.centre]);
                let needed = ((limit - level) * self.worse.sign() / should_see).abs();
                let u_slope = self.line.u([0.0, 1.0]);
                // Found with 80 %, at the two-sided level of 5 %: 1.96 + 0.84 standard uncertainties.
                let growth = (2.8 * u_slope / needed.max(f64::MIN_POSITIVE)).powf(2.0 / 3.0);
                let more = (self.count as f64 * (growth - 1.0)).ceil();
                if more >= 1.0 {
                    // More than a year's use is no answer to wait for.
                    return Forecast::TooEarly { more_cycles: more.min(should_see).max(1.0) as u64 };
                }
                let low = low.unwrap_or(furthest);
                Forecast::NotBefore { earliest: self.when(low, early(low, low)) }
            }
        }
    }
}
