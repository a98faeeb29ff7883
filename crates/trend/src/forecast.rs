//! When a series will reach its limit.

use crate::point::Worse;
use crate::stats::correlated::{self, Fit};
use crate::usage::Usage;
use foldwatch_units::{Micros, Seconds};

/// Both ends of a stated interval leave out this much: the interval holds 90 %, "not before" holds 95 %.
pub const TAIL: f64 = 0.05;

/// A date is named only if it lies no further ahead than this many times the stretch of cycles it is drawn from, and
/// [`FURTHEST_DAYS`]. Judgement: a line drawn further says more about the line than about the roof.
pub const FURTHEST_STRETCHES: f64 = 4.0;
/// See [`FURTHEST_STRETCHES`].
pub const FURTHEST_DAYS: f64 = 730.0;

/// Until when a limit is not reached is said no further ahead than the stretch is long: what has been straight for so
/// long is trusted to hold for as long again. Judgement.
pub const NOT_BEFORE_STRETCHES: f64 = 1.0;

/// The rate of wear is not one number: over 50 cycles it differs from its mean by this part. Judgement, to be learned
/// from real cars.
pub const WANDER: f64 = 0.2;
/// See [`WANDER`].
const WANDER_CYCLES: f64 = 50.0;

/// Before the values are looked at, a rate of wear that grows or falls steadily is taken to be as likely as one that
/// stays. Judgement.
const CURVED: f64 = 0.5;

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

/// A stretch without a change, and where it is going.
pub(crate) struct Stretch {
    straight: Fit<2>,
    /// Level, slope and curvature; the weight of this against the straight line.
    curved: Option<(Fit<3>, f64)>,
    /// The cycle that the first coefficients belong to.
    centre: f64,
    /// Cycles in the stretch.
    count: usize,
    /// Cycles from its first to its last.
    span: f64,
    /// The newest cycle.
    newest: f64,
    now: Micros,
    usage: Usage,
    worse: Worse,
    limit: f64,
}

/// What a stretch is made from.
pub(crate) struct Given<'a> {
    /// Level at the centre and slope a cycle.
    pub straight: &'a Fit<2>,
    /// The cycle that the line's first coefficient belongs to.
    pub centre: f64,
    /// The cycles of the stretch.
    pub cycles: &'a [f64],
    /// Their moments.
    pub days: &'a [f64],
    /// Their values, outliers pulled in.
    pub calm: &'a [f64],
    /// The moment from which on is looked ahead.
    pub now: Micros,
    /// The car's use.
    pub usage: Usage,
    /// Which way is worse.
    pub worse: Worse,
    /// The limit.
    pub limit: f64,
}

impl Stretch {
    /// `None`: no cycles.
    pub fn new(given: &Given<'_>) -> Option<Self> {
        let (first, newest) = (*given.cycles.first()?, *given.cycles.last()?);
        let mut stretch = Stretch {
            straight: given.straight.clone(),
            curved: None,
            centre: given.centre,
            count: given.cycles.len(),
            span: (newest - first).max(1.0),
            newest,
            now: given.now,
            usage: given.usage,
            worse: given.worse,
            limit: given.limit,
        };
        let rows: Vec<[f64; 3]> = given.cycles.iter().map(|c| stretch.at3(c - newest)).collect();
        if stretch.count >= FEWEST
            && let Some(free) = correlated::fit(&rows, given.days, given.calm)
        {
            // The slope may change over the stretch by as much as itself, or by the least that would matter.
            let slope = stretch.straight.value([0.0, 1.0]).abs().max(stretch.slope_to_see());
            let (fit, better) = free.with_prior(2, slope * stretch.span);
            let weight =
                if better.is_finite() { CURVED * better / (CURVED * better + 1.0 - CURVED) } else { 1.0 };
            stretch.curved = Some((fit, weight));
        }
        Some(stretch)
    }

    fn at2(&self, ahead: f64) -> [f64; 2] {
        [1.0, self.newest + ahead - self.centre]
    }

    /// As [`Stretch::at2`], with the square in units of the span, so that all coefficients are of one size.
    fn at3(&self, ahead: f64) -> [f64; 3] {
        let off = self.newest + ahead - self.centre;
        [1.0, off, (off / self.span).powi(2)]
    }

    /// A slope that would use up what is left to the limit within [`SHOULD_SEE_DAYS`].
    fn slope_to_see(&self) -> f64 {
        let level = self.straight.value(self.at2(0.0));
        (self.limit - level).abs() / (SHOULD_SEE_DAYS * self.usage.per_day).max(1.0)
    }

    /// Probability that the level so many cycles after the newest is past the limit.
    fn past(&self, ahead: f64) -> f64 {
        // Wandering rates make the slope of the past uncertain, and add up on the way ahead.
        let rate = WANDER * self.straight.value([0.0, 1.0]);
        let wander = rate * (WANDER_CYCLES * ahead * (1.0 + 1.2 * ahead / self.span)).sqrt();
        let mut beyond = self.beyond(self.straight.below_with(self.at2(ahead), self.limit, wander));
        if let Some((curved, weight)) = &self.curved {
            // A curve is followed where it bends towards the limit. One that bends away is left at its tangent: wear
            // that slows down is not trusted to go on slowing.
            let [_, off, square] = self.at3(ahead);
            let (end, end_square) = (self.newest - self.centre, self.at3(0.0)[2]);
            let tangent = end_square + 2.0 * end * (off - end) / (self.span * self.span);
            let along = |square: f64| self.beyond(curved.below_with([1.0, off, square], self.limit, wander));
            beyond += weight * (along(square).max(along(tangent)) - beyond);
        }
        beyond
    }

    fn beyond(&self, below: f64) -> f64 {
        match self.worse {
            Worse::Higher => 1.0 - below,
            Worse::Lower => below,
        }
    }

    /// Probability that the limit is passed within some days; what the use may be is not averaged over.
    pub fn risk(&self, days: f64) -> f64 {
        self.past(0.0).max(self.past(days * self.usage.per_day))
    }

    /// Cycles ahead at which the limit is passed with probability `p`; `None`: not within `furthest`.
    ///
    /// Far ahead doubts grow faster than the level: the first passing counts, so the way is walked in growing steps.
    fn ahead(&self, p: f64, furthest: f64) -> Option<f64> {
        if self.past(0.0) >= p {
            return Some(0.0);
        }
        let mut low = 0.0;
        let mut step = 0.02 * self.span;
        loop {
            let high = f64::min(low + step, furthest);
            if self.past(high) >= p {
                return Some(self.close_in(p, low, high));
            }
            if high >= furthest {
                return None;
            }
            low = high;
            step *= 1.3;
        }
    }

    fn close_in(&self, p: f64, mut low: f64, mut high: f64) -> f64 {
        // Halving so often is enough for any count; a count so large that halves are lost to rounding ends here, too.
        for _ in 0..64 {
            if high - low <= 0.5 {
                break;
            }
            let middle = 0.5 * (low + high);
            if self.past(middle) < p { low = middle } else { high = middle }
        }
        high
    }

    fn when(&self, cycles: f64, days: f64) -> When {
        When {
            cycle: (self.newest + cycles).round() as u64,
            at: self.now + Seconds(days * crate::point::DAY),
        }
    }

    /// What can be said.
    pub fn forecast(&self) -> Forecast {
        let past_now = self.past(0.0);
        if past_now > 0.5 {
            return Forecast::Past { probability: past_now };
        }
        if self.count < FEWEST {
            return Forecast::TooEarly { more_cycles: (FEWEST - self.count) as u64 };
        }
        let per_day = self.usage.per_day;
        let furthest = (FURTHEST_DAYS * per_day).min(FURTHEST_STRETCHES * self.span).max(1.0);
        let low = self.ahead(TAIL, furthest);
        if let (Some(low), Some(middle), Some(high)) =
            (low, self.ahead(0.5, furthest), self.ahead(1.0 - TAIL, furthest))
        {
            return Forecast::Likely {
                earliest: self.when(low, self.days(low, middle, -1.0)),
                middle: self.when(middle, middle / per_day),
                latest: self.when(high, self.days(high, middle, 1.0)),
            };
        }
        // Found with 80 %, at the two-sided level of 5 %: 1.96 + 0.84 standard uncertainties. The uncertainty of a slope
        // falls with the count to the power of 3/2.
        let u_slope = self.straight.u([0.0, 1.0]);
        let growth = (2.8 * u_slope / self.slope_to_see().max(f64::MIN_POSITIVE)).powf(2.0 / 3.0);
        let more = (self.count as f64 * (growth - 1.0)).ceil();
        if more >= 1.0 {
            // More than a year's use is no answer to wait for.
            let year = (SHOULD_SEE_DAYS * per_day).max(1.0);
            return Forecast::TooEarly { more_cycles: more.min(year) as u64 };
        }
        let low = low.unwrap_or(f64::INFINITY).min(NOT_BEFORE_STRETCHES * self.span).min(furthest);
        Forecast::NotBefore { earliest: self.when(low, self.days(low, low, -1.0)) }
    }

    /// Days to an end of the interval: cycles and pace are uncertain apart from each other, so their parts add as
    /// squares, on the scale of logarithms since neither can be negative.
    fn days(&self, end: f64, middle: f64, side: f64) -> f64 {
        let days = middle.max(0.5) / self.usage.per_day;
        let cycles = (end.max(0.5) / middle.max(0.5)).ln();
        days * (side * cycles.hypot(1.645 * self.usage.u(days))).exp()
    }
}
