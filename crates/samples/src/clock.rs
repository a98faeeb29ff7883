//! The map from a logger's time to UTC.

use foldwatch_units::{Micros, Seconds};

/// One exchange of time: the host's `utc` fell within `half_width` of the logger's `logger`.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Exchange {
    /// Middle of the span on the logger's clock.
    pub logger: Micros,
    /// The host's UTC.
    pub utc: Micros,
    /// Half the span: how far the two may be apart.
    pub half_width: Seconds,
}

/// A straight line through exchanges of time, not bent by single bad ones.
///
/// The slope is the weighted median of the slopes of all pairs, each weighted with its distance, and the offset is the
/// median of what remains (after Sen, Estimates of the regression coefficient based on Kendall's tau, 1968; the weights
/// because a pair twice as far apart has half the error).
#[derive(Debug, Clone, PartialEq, Default, serde::Serialize, serde::Deserialize)]
pub struct ClockFit {
    exchanges: Vec<Exchange>,
    /// Exchanges that did not fit, until it is known whether they or the line are wrong.
    doubted: Vec<Exchange>,
    count: u32,
    rejected: u32,
    line: Option<Line>,
}

/// What became of an exchange.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Added {
    /// It was taken into the line.
    Kept,
    /// It does not fit the line and waits for others that agree with it.
    Doubted,
    /// Three in a row agree with one another and not with the line: a clock was set. The line begins anew with them.
    Jump {
        /// By how much UTC as mapped goes forward.
        by: Seconds,
    },
}

/// The line: UTC against the logger's time.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Line {
    /// A moment of the logger amid the exchanges, and
    pub logger: Micros,
    /// UTC at that moment.
    pub utc: Micros,
    /// How fast the logger's clock runs against UTC, in parts per million; positive: it gains.
    pub drift_ppm: f64,
    /// Standard uncertainty of the drift, in parts per million.
    pub u_drift_ppm: f64,
    /// Standard uncertainty of the map at that moment: scatter around the line, and the width of the exchanges.
    pub residual: Seconds,
    /// Exchanges that the line goes through.
    pub count: u32,
}

/// More exchanges are thinned out, older ones first.
const KEPT: usize = 48;
/// An exchange this far off the line is doubted.
const DOUBT: Seconds = Seconds(2.0);
/// So many doubted exchanges that agree are believed.
const BELIEVED: usize = 3;
/// A quartz clock keeps time within this, in parts per million (common practice, no source). It is the uncertainty of
/// a drift that can't be told yet.
const QUARTZ_PPM: f64 = 100.0;
/// No clock is off by so much (a resistor-capacitor oscillator keeps within a few percent; common practice, no source):
/// a steeper line goes through rubbish.
const STEEPEST: f64 = 0.05;

impl ClockFit {
    /// Takes an exchange.
    pub fn add(&mut self, exchange: Exchange) -> Added {
        let off = |line: Line| exchange.utc - line.utc(exchange.logger);
        let fits = |line: Line| {
            let allowed = DOUBT.0.max(10.0 * line.u(exchange.logger).0) + exchange.half_width.0;
            off(line).0.abs() <= allowed
        };
        let added = match self.line {
            Some(line) if !fits(line) => {
                // Doubted ones that disagree with this one are single bad ones.
                let agree = fit(&self.doubted, 0).is_none_or(fits);
                if !agree {
                    self.rejected = self.rejected.saturating_add(self.doubted.len() as u32);
                    self.doubted.clear();
                }
                self.doubted.push(exchange);
                if self.doubted.len() < BELIEVED {
                    return Added::Doubted;
                }
                self.exchanges = std::mem::take(&mut self.doubted);
                self.count = self.exchanges.len() as u32;
                Added::Jump { by: off(line) }
            }
            _ => {
                self.rejected = self.rejected.saturating_add(self.doubted.len() as u32);
                self.doubted.clear();
                self.exchanges.push(exchange);
                self.count = self.count.saturating_add(1);
                if self.exchanges.len() > KEPT {
                    let mut ix = 0;
                    self.exchanges.retain(|_| {
                        ix += 1;
                        ix > KEPT / 2 || ix % 2 == 1
                    });
                }
                Added::Kept
            }
        };
        self.line = fit(&self.exchanges, self.count);
        added
    }

    /// The line so far; `None` before the first exchange.
    pub fn line(&self) -> Option<Line> {
        self.line
    }

    /// Exchanges that were left out as single bad ones.
    pub fn rejected(&self) -> u32 {
        self.rejected
    }

    /// The exchanges that a jump has just made the beginning of a new line; where it begins.
    pub(crate) fn begins(&self) -> Option<Micros> {
        self.exchanges.first().map(|exchange| exchange.logger)
    }
}

impl Line {
    /// UTC at a moment of the logger. Never goes back when the moment goes on.
    pub fn utc(&self, logger: Micros) -> Micros {
        let since = (logger - self.logger).0;
        // Whole microseconds are kept whole: only the correction is a rounded product. Bounded once, at the end: a sum
        // that had reached its bound would go back with the correction.
        let whole = i128::from(self.utc.0) + i128::from(logger.0) - i128::from(self.logger.0);
        let utc = whole + (since * self.correction() * 1e6).round() as i128;
        Micros(i64::try_from(utc).unwrap_or(if utc < 0 { i64::MIN } else { i64::MAX }))
    }

    /// Standard uncertainty of [`Line::utc`].
    pub fn u(&self, logger: Micros) -> Seconds {
        Seconds(self.residual.0.hypot((logger - self.logger).0 * self.u_drift_ppm * 1e-6))
    }

    /// UTC goes on by `1 + correction` seconds a second of the logger.
    fn correction(&self) -> f64 {
        1.0 / (1.0 + self.drift_ppm * 1e-6) - 1.0
    }
}

fn fit(exchanges: &[Exchange], count: u32) -> Option<Line> {
    let middle = exchanges.get(exchanges.len() / 2)?;
    // Relative to one exchange, so that microseconds since 1970 lose nothing in floating point.
    let apart = |e: &Exchange| e.utc.0.saturating_sub(e.logger.0);
    let points: Vec<(f64, f64)> = exchanges
        .iter()
        .map(|e| ((e.logger - middle.logger).0, apart(e).saturating_sub(apart(middle)) as f64 * 1e-6))
        .collect();
    let mut slopes = Vec::new();
    for (ix, (x, y)) in points.iter().enumerate() {
        for (later_x, later_y) in &points[ix + 1..] {
            if later_x != x {
                slopes.push(((later_y - y) / (later_x - x), (later_x - x).abs()));
            }
        }
    }
    let width = median(&mut exchanges.iter().map(|e| e.half_width.0).collect::<Vec<_>>());
    let with_slope = |slope: f64| {
        let mut rest: Vec<f64> = points.iter().map(|(x, y)| y - slope * x).collect();
        let offset = median(&mut rest);
        let mut scatter: Vec<f64> = rest.iter().map(|r| (r - offset).abs()).collect();
        // The median deviation of a normal distribution times 1.4826 is its standard deviation; a span of known width
        // in which the truth lies anywhere has the standard uncertainty of its half over the root of three (JCGM 100,
        // 4.3.7).
        (offset, (1.4826 * median(&mut scatter)).hypot(width / 3f64.sqrt()))
    };
    let slope = weighted_median(&mut slopes);
    let (offset, residual) = with_slope(slope);
    let n = points.len() as f64;
    let spread = (points.iter().map(|(x, _)| x * x).sum::<f64>() / n
        - (points.iter().map(|(x, _)| x).sum::<f64>() / n).powi(2))
    .max(0.0)
    .sqrt();
    let u_slope_ppm = 1e6 * residual / (spread * n.sqrt());
    // What exchanges so close together say of the drift is less than what is known of any quartz.
    let told = points.len() >= 3 && u_slope_ppm < QUARTZ_PPM && slope.abs() < STEEPEST;
    let (slope, offset, residual, u_drift_ppm) = if told {
        (slope, offset, residual, u_slope_ppm)
    } else {
        let (offset, residual) = with_slope(0.0);
        (0.0, offset, residual, QUARTZ_PPM)
    };
    Some(Line {
        logger: middle.logger,
        utc: Micros(middle.utc.0.saturating_add(Micros::from_secs(offset).0)),
        drift_ppm: (1.0 / (1.0 + slope) - 1.0) * 1e6,
        u_drift_ppm,
        residual: Seconds(residual),
        count,
    })
}

fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    match values {
        [] => 0.0,
        _ if values.len() % 2 == 1 => values[values.len() / 2],
        _ => (values[values.len() / 2 - 1] + values[values.len() / 2]) / 2.0,
    }
}

/// The value at which half of the weight is reached; 0 for none.
fn weighted_median(values: &mut [(f64, f64)]) -> f64 {
    values.sort_by(|a, b| a.0.total_cmp(&b.0));
    let half = values.iter().map(|(_, weight)| weight).sum::<f64>() / 2.0;
    let mut reached = 0.0;
    for (value, weight) in values.iter() {
        reached += weight;
        if reached >= half {
            return *value;
        }
    }
    0.0
}
