//! How a logger's converter counts an analog signal. The sensor model and the writers share it, so that what is
//! written is exactly what was seen.

use foldwatch_profile::{Profile, Signal, SignalKind};

/// One analog channel: counts times `mantissa * 10^exponent` are the recorded number, which the profile's
/// calibration turns into the working unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Channel {
    /// Range in the working unit.
    pub min: f64,
    /// See there.
    pub max: f64,
    /// One count is this times ten to the exponent: 1, 2 or 5.
    pub mantissa: i32,
    /// See there.
    pub exponent: i8,
    gain: f64,
    offset: f64,
    /// Usual noise, one standard deviation, in the working unit.
    pub noise: f64,
    /// The recorded number is not in the working unit: the profile's calibration has work to do.
    pub raw: bool,
}

/// Steps of the converter: 12 bits.
const STEPS: f64 = 4096.0;

impl Channel {
    /// For a signal; range and noise from the profile, or plausible ones of our own.
    pub fn of(signal: &Signal, profile: &Profile) -> Channel {
        let relief = profile.hydraulics.relief.map_or(160.0, |p| p.0);
        let inrush = profile.electrics.inrush.map_or(80.0, |a| a.0);
        let (min, max, part) = match signal.kind {
            SignalKind::Pressure => (0.0, 1.6 * relief, 0.0008),
            SignalKind::Current => (-5.0, 1.8 * inrush, 0.0012),
            SignalKind::Voltage => (0.0, 2.0 * profile.reference.supply.0, 0.0006),
            SignalKind::Temperature => (-40.0, 150.0, 0.0005),
            _ => (0.0, 100.0, 0.0005),
        };
        let min = signal.calibration.min.unwrap_or(min);
        let max = signal.calibration.max.unwrap_or(max).max(min + 1e-6);
        let (gain, offset) = (signal.calibration.gain, signal.calibration.offset);
        let gain = if gain.is_finite() && gain != 0.0 { gain } else { 1.0 };
        // The next step up in the row 1, 2, 5, 10 ...: exact in decimal, so that text and binary logs agree.
        let finest = (max - min) / gain.abs() / STEPS;
        let exponent = finest.log10().floor().clamp(-9.0, 6.0);
        let mantissa = [1, 2, 5]
            .into_iter()
            .find(|m| f64::from(*m) * 10f64.powf(exponent) >= finest * 0.999)
            .unwrap_or(10);
        let (mantissa, exponent) = if mantissa == 10 { (1, exponent + 1.0) } else { (mantissa, exponent) };
        let raw = gain != 1.0 || offset != 0.0;
        Channel { min, max, mantissa, exponent: exponent as i8, gain, offset, noise: part * (max - min), raw }
    }

    fn step(&self) -> f64 {
        f64::from(self.mantissa) * 10f64.powi(i32::from(self.exponent))
    }

    /// Counts for a value in the working unit, within the range.
    pub fn counts(&self, value: f64) -> i32 {
        ((value.clamp(self.min, self.max) - self.offset) / self.gain / self.step()).round() as i32
    }

    /// The recorded number for counts.
    pub fn number(&self, counts: i32) -> f64 {
        f64::from(counts) * self.step()
    }

    /// The value in the working unit for counts.
    pub fn value(&self, counts: i32) -> f64 {
        self.number(counts) * self.gain + self.offset
    }

    /// Decimals that the recorded number needs.
    pub fn decimals(&self) -> usize {
        usize::from(self.exponent.min(0).unsigned_abs())
    }
}
