//! Why a recording can't tell something.

use std::fmt;

/// Why a recording can't tell something. Printed, it is a clause for a person: "not observable: ...".
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NotObservable {
    /// Too few usable samples.
    TooFewSamples {
        /// How many there are.
        have: usize,
        /// How many are needed.
        need: usize,
    },
    /// The stretch is too short for what it should show, both in seconds.
    TooShort {
        /// How long it is.
        seconds: f64,
        /// How long it would have to be, about.
        need: f64,
    },
    /// The numbers hardly change: less than their own noise allows to see. Both in the numbers' unit.
    Flat {
        /// How far they changed in the expected direction.
        change: f64,
        /// The smallest change that could be told from noise.
        need: f64,
    },
    /// It changes, but too irregularly: the result would be uncertain by this share of itself.
    TooNoisy {
        /// Relative standard uncertainty that came out.
        relative: f64,
        /// The largest that is useful.
        limit: f64,
    },
    /// The sample rate is too low, both in hertz.
    RateTooLow {
        /// Samples a second.
        rate: f64,
        /// The lowest that would do.
        need: f64,
    },
    /// The samples are too unevenly spaced for a spectrum.
    UnevenSpacing,
    /// Nothing stands out of the noise where it was looked for.
    NothingThere,
    /// A value it needs is missing, or no possible one.
    BadInput,
}

impl fmt::Display for NotObservable {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooFewSamples { have, need } => write!(f, "{have} samples, at least {need} are needed"),
            Self::TooShort { seconds, need } => {
                write!(f, "{seconds:.1} s recorded, about {need:.1} s are needed")
            }
            Self::Flat { change, need } => {
                write!(f, "a change of {change:.2} can't be told from noise (from {need:.2} on it could)")
            }
            Self::TooNoisy { relative, limit } => {
                write!(f, "uncertain by {:.0} %, useful up to {:.0} %", relative * 100.0, limit * 100.0)
            }
            Self::RateTooLow { rate, need } => {
                write!(f, "{rate:.0} samples a second, at least {need:.0} are needed")
            }
            Self::UnevenSpacing => f.write_str("the samples are unevenly spaced"),
            Self::NothingThere => f.write_str("nothing stands out of the noise"),
            Self::BadInput => f.write_str("a value it needs is missing or impossible"),
        }
    }
}

impl std::error::Error for NotObservable {}
