//! One roof of many: sound roofs of a kind are not alike.

use foldwatch_profile::{Profile, SignalIx};
use foldwatch_units::Direction;
use rand::Rng;
use rand_distr::{Distribution, StandardNormal};

use crate::layout::side;
use crate::params::RigParams;

/// Standard deviations of the logarithms between sound roofs of one kind: of the load (weight, springs, the fabric's
/// tension), of a step's friction, and of what creeps past seats and seals. Judgment.
const LOAD: f64 = 0.06;
const FRICTION: f64 = 0.15;
const LEAK: f64 = 0.35;

impl RigParams {
    /// Another sound roof of the same kind: loads, each step's friction and the seats' leakage are off by chance. It takes
    /// about the same times, for a displacement pump keeps its pace. What hangs on the same valves is off together: of two
    /// mechanisms on one line the lighter one moves first, and a roof that moved in another order would not be sound.
    ///
    /// ```
    /// use foldwatch_rig::Scenario;
    /// use rand::SeedableRng;
    /// let text = include_str!("../../../config/profiles/hardtop-five.toml");
    /// let profile = foldwatch_profile::parse(text).unwrap().profile;
    /// let kind = Scenario::new(&profile, 1).params;
    /// let one = kind.clone().varied(&profile, &mut rand_pcg::Pcg64Mcg::seed_from_u64(7));
    /// assert!((one.leak / kind.leak).ln().abs() < 2.0 && one.leak != kind.leak);
    /// ```
    pub fn varied(mut self, profile: &Profile, rng: &mut impl Rng) -> RigParams {
        let mut factor = |sd: f64| {
            let z: f64 = StandardNormal.sample(rng);
            // Beyond three deviations it would be a fault.
            (sd * z.clamp(-3.0, 3.0)).exp()
        };
        self.leak *= factor(LEAK);
        let mut known: Vec<(&[SignalIx], f64)> = Vec::new();
        for direction in [Direction::Opening, Direction::Closing] {
            let steps = profile.sequence(direction).iter().zip(&mut self.moves[side(direction)]);
            for (step, moves) in steps {
                let drive = step.valves.as_slice();
                let of_drive = known.iter().find(|(valves, _)| *valves == drive).map(|(_, load)| *load);
                let load = of_drive.unwrap_or_else(|| {
                    let load = factor(LOAD);
                    known.push((drive, load));
                    load
                });
                let friction = factor(FRICTION);
                for one in moves {
                    one.load_pa.iter_mut().for_each(|pa| *pa *= load);
                    one.friction_pa *= load * friction;
                }
            }
        }
        self
    }
}
