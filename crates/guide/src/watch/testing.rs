//! A roof whose signals are set by hand.

use std::sync::Arc;

use foldwatch_profile::{Profile, SignalIx, SignalKind};
use foldwatch_units::{Micros, Seconds};

use super::Watch;
use crate::{Answer, Seen};

pub(crate) const ROOF: &str = include_str!("../../../../config/profiles/hardtop-five.toml");

/// Everything at rest: no contact made, no pressure, no current, 12.6 V, 20 °C.
pub(crate) struct Bed {
    pub profile: Arc<Profile>,
    values: Vec<f32>,
    now: Micros,
}

impl Bed {
    pub fn new() -> Bed {
        let profile = Arc::new(foldwatch_profile::parse(ROOF).unwrap().profile);
        let value = |kind| match kind {
            SignalKind::Voltage => 12.6,
            SignalKind::Temperature => 20.0,
            _ => 0.0,
        };
        let values = profile.signals.iter().map(|s| value(s.kind)).collect();
        Bed { profile, values, now: Micros(0) }
    }

    pub fn ix(&self, id: &str) -> SignalIx {
        self.profile.find(id).unwrap()
    }

    pub fn set(&mut self, ix: SignalIx, value: f32) {
        self.values[ix.at()] = value;
    }

    pub fn put(&mut self, id: &str, value: f32) {
        let ix = self.ix(id);
        self.set(ix, value);
    }

    pub fn seen(&self) -> Seen<'_> {
        Seen { profile: &self.profile, values: &self.values, now: self.now }
    }

    /// Time goes by at 100 rows a second, up to an answer.
    pub fn hold(&mut self, watch: &mut dyn Watch, seconds: f64) -> Option<Answer> {
        self.hold_with(watch, seconds, &mut |_, _| {})
    }

    /// The same, `change` setting values by the seconds gone.
    pub fn hold_with(
        &mut self,
        watch: &mut dyn Watch,
        seconds: f64,
        change: &mut dyn FnMut(&mut Bed, f64),
    ) -> Option<Answer> {
        for n in 0..=(seconds * 100.0) as u32 {
            change(self, f64::from(n) / 100.0);
            self.now = self.now + Seconds(0.01);
            if let Some(answer) = watch.look(&self.seen()) {
                return Some(answer);
            }
        }
        None
    }
}
