//! From the plant's true values to what a logger's inputs show: range, resolution, noise.

use foldwatch_profile::{Profile, Signal, SignalKind};
use rand::Rng;
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64Mcg;

use crate::fault::Sensor;

/// One analog input.
#[derive(Debug, Clone)]
pub(crate) struct Input {
    min: f64,
    max: f64,
    step: f64,
    noise: f64,
    held: Option<f64>,
}

/// Steps of the converter: 12 bits.
const STEPS: f64 = 4096.0;

impl Input {
    pub(crate) fn new(signal: &Signal, profile: &Profile, noise: f64) -> Input {
        let relief = profile.hydraulics.relief.map_or(160.0, |p| p.0);
        let inrush = profile.electrics.inrush.map_or(80.0, |a| a.0);
        // Range and noise (one standard deviation), where the profile gives no range: plausible inputs of our own.
        let (min, max, part) = match signal.kind {
            SignalKind::Pressure => (0.0, 1.6 * relief, 0.0008),
            SignalKind::Current => (-5.0, 1.8 * inrush, 0.0012),
            SignalKind::Voltage => (0.0, 2.0 * profile.reference.supply.0, 0.0006),
            SignalKind::Temperature => (-40.0, 150.0, 0.0005),
            _ => (0.0, 100.0, 0.0005),
        };
        let min = signal.calibration.min.unwrap_or(min);
        let max = signal.calibration.max.unwrap_or(max).max(min + 1e-6);
        Input { min, max, step: (max - min) / STEPS, noise: part * (max - min) * noise, held: None }
    }

    /// The range.
    pub(crate) fn range(&self) -> (f64, f64) {
        (self.min, self.max)
    }

    pub(crate) fn show(&mut self, truth: f64, fault: Option<Sensor>, rng: &mut Pcg64Mcg) -> f32 {
        let unit: f64 = StandardNormal.sample(rng);
        let noise = match fault {
            Some(Sensor::Noisy(factor)) => {
                // A bad contact also spikes now and then.
                let spike = if rng.random_bool(0.01) { 20.0 } else { 1.0 };
                self.noise * factor * spike
            }
            _ => self.noise,
        };
        let mut value = truth + noise * unit;
        match fault {
            Some(Sensor::Dead) => value = self.min,
            Some(Sensor::Stuck) => value = *self.held.get_or_insert(value),
            _ => self.held = None,
        }
        let steps = ((value - self.min) / self.step).round().clamp(0.0, STEPS - 1.0);
        (self.min + steps * self.step) as f32
    }
}
