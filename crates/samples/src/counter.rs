//! A logger's counter as a time that goes on.

use foldwatch_units::Micros;
use foldwatch_wire::Clock;

/// Unwraps a counter: a reading is taken for the moment nearest to the latest one.
///
/// So a logger must say something at least every half wrap: 24.8 days for 32 bits of milliseconds, 35.7 minutes for
/// 32 bits of microseconds. (The format's rule is ten minutes.)
///
/// ```
/// use foldwatch_samples::Counter;
/// use foldwatch_units::Micros;
/// use foldwatch_wire::Clock;
/// let counter = Counter::new(Clock::Millis32, 0xFFFF_FFFF);
/// assert_eq!(counter.resolve(4), Micros(0x1_0000_0004 * 1000));
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Counter {
    clock: Clock,
    /// The latest reading, with all wraps.
    latest: i64,
}

impl Counter {
    /// A counter that has wrapped never before it reads `first`.
    pub fn new(clock: Clock, first: u64) -> Self {
        let latest = match clock {
            Clock::Millis32 | Clock::Micros32 => i64::from(first as u32),
            Clock::Micros64 => i64::try_from(first).unwrap_or(i64::MAX),
        };
        Counter { clock, latest }
    }

    /// A counter that goes on from a moment.
    pub fn at(clock: Clock, latest: Micros) -> Self {
        Counter { clock, latest: latest.0 / micros_per_count(clock) }
    }

    /// The moment of a reading, in microseconds from counter zero before any wrap.
    pub fn resolve(&self, reading: u64) -> Micros {
        Micros(self.counts(reading).saturating_mul(micros_per_count(self.clock)))
    }

    /// Takes a reading for the latest, even when it is before the one that was.
    pub fn set(&mut self, reading: u64) {
        self.latest = self.counts(reading);
    }

    /// Length of a number of counts.
    pub fn span(&self, counts: u64) -> Micros {
        Micros(i64::try_from(counts).unwrap_or(i64::MAX).saturating_mul(micros_per_count(self.clock)))
    }

    /// The latest moment.
    pub fn latest(&self) -> Micros {
        Micros(self.latest.saturating_mul(micros_per_count(self.clock)))
    }

    fn counts(&self, reading: u64) -> i64 {
        match self.clock {
            Clock::Millis32 | Clock::Micros32 => {
                let ahead = (reading as u32).wrapping_sub(self.latest as u32) as i32;
                self.latest.saturating_add(i64::from(ahead))
            }
            Clock::Micros64 => i64::try_from(reading).unwrap_or(i64::MAX),
        }
    }
}

fn micros_per_count(clock: Clock) -> i64 {
    match clock {
        Clock::Millis32 => 1000,
        Clock::Micros32 | Clock::Micros64 => 1,
    }
}
