//! One roof of many: sound roofs of a kind are not alike.

use rand::Rng;
use rand_distr::{Distribution, StandardNormal};

use crate::params::RigParams;

/// Standard deviations of the logarithms between sound roofs of one kind: of a step's load (weight, springs, the fabric's
/// tension), of its friction, and of what creeps past seats and seals. Judgment.
const LOAD: f64 = 0.06;
const FRICTION: f64 = 0.15;
const LEAK: f64 = 0.35;

impl RigParams {
    /// Another sound roof of the same kind: each step's load and friction and the seats' leakage off by chance. It takes
    /// about the same times, for a displacement pump keeps its pace.
    ///
    /// ```
    /// use foldwatch_rig::Scenario;
    /// use rand::SeedableRng;
    /// let text = include_str!("../../../config/profiles/hardtop-five.toml");
    /// let kind = Scenario::new(&foldwatch_profile::parse(text).unwrap().profile, 1).params;
    /// let one = kind.clone().varied(&mut rand_pcg::Pcg64Mcg::seed_from_u64(7));
    /// assert!((one.leak / kind.leak).ln().abs() < 2.0 && one.leak != kind.leak);
    /// ```
    pub fn varied(mut self, rng: &mut impl Rng) -> RigParams {
        let mut factor = |sd: f64| {
            let z: f64 = StandardNormal.sample(rng);
            // Beyond three deviations it would be a fault.
            (sd * z.clamp(-3.0, 3.0)).exp()
        };
        self.leak *= factor(LEAK);
        for step in self.moves.iter_mut().flatten().flatten() {
            let load = factor(LOAD);
            step.load_pa.iter_mut().for_each(|pa| *pa *= load);
            step.friction_pa *= factor(FRICTION);
        }
        self
    }
}
