//! A moment on a log's own time line.

use crate::Seconds;
use std::ops::{Add, Sub};

/// A moment, in microseconds.
///
/// Counted from the Unix epoch where the log knows the date, else from the log's own zero (a logger that never met
/// a clock, or a file whose time column starts at 0). Arithmetic saturates: a rubbish time stamp can't panic.
///
/// ```
/// use foldwatch_units::{Micros, Seconds};
/// let start = Micros::from_secs(2.0);
/// assert_eq!(start + Seconds(0.5), Micros(2_500_000));
/// assert_eq!(Micros(2_500_000) - start, Seconds(0.5));
/// ```
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Default, serde::Serialize, serde::Deserialize,
)]
pub struct Micros(pub i64);

impl Micros {
    /// The earliest moment there is.
    pub const MIN: Micros = Micros(i64::MIN);
    /// The latest moment there is.
    pub const MAX: Micros = Micros(i64::MAX);

    /// From seconds, to the nearest microsecond. NaN gives 0, what is out of range saturates.
    pub fn from_secs(secs: f64) -> Self {
        Micros((secs * 1e6).round() as i64)
    }

    /// In seconds.
    pub fn as_secs(self) -> f64 {
        self.0 as f64 * 1e-6
    }
}

impl Add<Seconds> for Micros {
    type Output = Micros;
    fn add(self, span: Seconds) -> Micros {
        Micros(self.0.saturating_add(Micros::from_secs(span.0).0))
    }
}

impl Sub<Seconds> for Micros {
    type Output = Micros;
    fn sub(self, span: Seconds) -> Micros {
        Micros(self.0.saturating_sub(Micros::from_secs(span.0).0))
    }
}

impl Sub<Micros> for Micros {
    type Output = Seconds;
    fn sub(self, earlier: Micros) -> Seconds {
        Seconds(Micros(self.0.saturating_sub(earlier.0)).as_secs())
    }
}
