//! From the plant's true values to what a logger's inputs show: range, resolution, noise.

use foldwatch_profile::{Profile, Signal};
use rand::Rng;
use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64Mcg;

use crate::channel::Channel;
use crate::fault::Sensor;

/// One analog input.
#[derive(Debug, Clone)]
pub(crate) struct Input {
    channel: Channel,
    noise: f64,
    held: Option<f64>,
}

impl Input {
    pub(crate) fn new(signal: &Signal, profile: &Profile, noise: f64) -> Input {
        let channel = Channel::of(signal, profile);
        Input { channel, noise: channel.noise * noise, held: None }
    }

    /// The range.
    pub(crate) fn range(&self) -> (f64, f64) {
        (self.channel.min, self.channel.max)
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
            Some(Sensor::Dead) => value = self.channel.min,
            Some(Sensor::Stuck) => value = *self.held.get_or_insert(value),
            _ => self.held = None,
        }
        self.channel.value(self.channel.counts(value)) as f32
    }
}
