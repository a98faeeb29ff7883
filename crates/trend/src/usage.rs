//! How much a car is used: what turns cycles to come into dates.

use crate::point::{Point, days_between};

/// The pace over a coming stretch differs from that of the past by this part, beyond what the weeks show: seasons,
/// holidays, another driver. Judgement.
const SEASON: f64 = 0.25;

/// Cycles a day, and how sure that is for the time to come.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Usage {
    /// Cycles a day.
    pub per_day: f64,
    /// Spread of the weekly counts over their mean.
    weekly: f64,
    weeks: f64,
}

impl Usage {
    /// From the cycles there are; `None` where they span less than a day.
    pub fn of(points: &[Point]) -> Option<Self> {
        let (first, last) = (points.first()?, points.last()?);
        let days = days_between(first.at, last.at);
        // By the count that the car keeps, so that cycles which lack this number still count as use.
        let cycles = last.cycle.checked_sub(first.cycle)? as f64;
        if days < 1.0 || cycles < 1.0 {
            return None;
        }
        // Counted back from the newest cycle; a gap of years is no use to go by, so two years are enough.
        let weeks = ((days / 7.0).floor() as usize).min(104);
        let mut counts = vec![0.0; weeks];
        for pair in points.windows(2) {
            let week = (days_between(pair[1].at, last.at) / 7.0) as usize;
            if let Some(count) = counts.get_mut(week) {
                *count += (pair[1].cycle - pair[0].cycle) as f64;
            }
        }
        let mean = counts.iter().sum::<f64>() / weeks.max(1) as f64;
        let variance = counts.iter().map(|c| (c - mean) * (c - mean)).sum::<f64>() / weeks.max(2) as f64;
        // With less than a month there is nothing to see a spread in.
        let weekly = if weeks >= 4 && mean > 0.0 { variance.sqrt() / mean } else { 0.5 };
        Some(Usage { per_day: cycles / days, weekly, weeks: (days / 7.0).max(0.5) })
    }

    /// Relative standard uncertainty of the mean pace over so many days to come.
    pub fn u(&self, days: f64) -> f64 {
        let ahead = (days / 7.0).max(0.5);
        (self.weekly * self.weekly * (1.0 / self.weeks + 1.0 / ahead) + SEASON * SEASON).sqrt()
    }
}
