//! From what a logger recorded to what is worked with, and back.

use crate::model::{Level, Signal};

impl Signal {
    /// A recorded number as it is worked with: calibrated, in the working unit; for an on/off signal 1 when on (made,
    /// energised, given) and 0 when off, a level of half or more being high. NaN stays NaN.
    ///
    /// ```
    /// # let profile = foldwatch_profile::parse("id = 'a'\nname = 'b'\nsignal = [\
    /// #   { id = 'p', kind = 'pressure', unit = 'bar', gain = 62.5, offset = -31.25 },\
    /// #   { id = 's', kind = 'switch', on_when = 'low' }]\n\
    /// #   opening = [{ name = 'o', confirm = 's', expected_s = 1 }]\n\
    /// #   closing = [{ name = 'c', confirm = 'not s', expected_s = 1 }]").unwrap().profile;
    /// let [pressure, switch] = &profile.signals[..] else { panic!() };
    /// assert_eq!(pressure.value_of(2.5), 125.0); // volts to bar
    /// assert_eq!(switch.value_of(0.0), 1.0); // a closed switch pulls the line low
    /// ```
    pub fn value_of(&self, recorded: f64) -> f64 {
        if !self.kind.is_binary() {
            return recorded * self.calibration.gain + self.calibration.offset;
        }
        if recorded.is_nan() {
            return recorded;
        }
        let level = if recorded >= 0.5 { Level::High } else { Level::Low };
        f64::from(u8::from(level == self.on_when))
    }

    /// The number that a logger would have recorded for a value that is worked with: the inverse of
    /// [`Signal::value_of`].
    pub fn recorded_of(&self, value: f64) -> f64 {
        if !self.kind.is_binary() {
            // A gain of 0 is refused when the profile is read.
            return (value - self.calibration.offset) / self.calibration.gain;
        }
        match (value.is_nan(), self.on_when) {
            (true, _) => value,
            (false, Level::High) => f64::from(u8::from(value >= 0.5)),
            (false, Level::Low) => f64::from(u8::from(value < 0.5)),
        }
    }
}

#[cfg(test)]
mod tests {
    #[test]
    fn there_and_back_is_the_same() {
        let profile = crate::parse(include_str!("../tests/full.toml")).unwrap().profile;
        for signal in &profile.signals {
            for value in if signal.kind.is_binary() { [0.0, 1.0] } else { [-3.5, 120.0] } {
                assert!((signal.value_of(signal.recorded_of(value)) - value).abs() < 1e-9, "{}", signal.id);
            }
            assert!(signal.value_of(f64::NAN).is_nan() && signal.recorded_of(f64::NAN).is_nan());
        }
    }
}
