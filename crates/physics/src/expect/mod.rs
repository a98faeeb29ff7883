//! How long a phase should take under given conditions, learned cycle by cycle.
//!
//! The model: ln t = ln t_ref + b_V (V_ref / V - 1) + b_nu z + c z², where z = ln nu(T) - ln nu_ref, nu the oil's
//! kinematic viscosity, T its temperature, V the supply. The error is normal for most cycles and anything at all for
//! the rest (a contaminated normal: Tukey, 1960, from memory), so a bad cycle teaches nothing. The coefficients start from a prior
//! ([`Prior`]) and are learned by Bayesian linear regression; the state has a fixed size however many cycles it has
//! seen, and can be stored and taken up again.
//!
//! What is learned is what this roof *does*. Whether that is *right* is another question: a phase that is slow from
//! the first cycle on is learned as its usual pace, so compare [`Expectation::at_reference`] with the profile's limit
//! as well.

mod fit;
mod prior;

pub use prior::{Belief, Prior, Reference};

use crate::stats::{normal_above, t_above, t_quantile};
use fit::{Learned, Posterior, Row, Seen};
use foldwatch_units::{Celsius, Seconds, Volts};

/// What a phase ran under. `None`: not recorded; then it is taken as uncertain, and predictions get wider.
#[derive(Debug, Clone, Copy, PartialEq, Default, serde::Serialize, serde::Deserialize)]
pub struct Conditions {
    /// Oil temperature.
    pub oil_temperature: Option<Celsius>,
    /// Supply voltage while the pump runs.
    pub supply: Option<Volts>,
}

/// What is expected of one phase of one roof.
///
/// ```
/// use foldwatch_physics::expect::{Conditions, Expectation, Influence, Reference};
/// use foldwatch_physics::oil::Walther;
/// use foldwatch_units::{Celsius, Seconds, Volts};
///
/// let oil = Walther::of_grade("VG 10").unwrap();
/// let reference = Reference { oil, oil_temperature: Celsius(20.0), supply: Volts(12.5) };
/// let mut phase = Expectation::prior(Seconds(6.7), reference);
///
/// // From the first cycle on: a cold morning and a weak battery explain a slow phase ...
/// let winter = Conditions { oil_temperature: Some(Celsius(-10.0)), supply: Some(Volts(11.2)) };
/// let predicted = phase.predict(winter);
/// assert!(predicted.median > Seconds(9.0));
/// assert!(predicted.tail(Seconds(9.4)) > 0.3);
/// assert_eq!(predicted.contributions[0].influence, Influence::ColdOil);
///
/// // ... and it gets sharper.
/// let spring = Conditions { oil_temperature: Some(Celsius(15.0)), supply: Some(Volts(12.6)) };
/// for _ in 0..20 {
///     phase.observe(spring, Seconds(6.9));
/// }
/// assert!(phase.predict(spring).tail(Seconds(9.1)) < 1e-3);
/// assert!(phase.predict(spring).tail(Seconds(7.0)) > 0.1);
/// ```
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Expectation {
    expected: Seconds,
    reference: Reference,
    prior: Prior,
    /// What has left `recent`: of all cycles, and of those with all conditions recorded.
    settled: Learned,
    /// The last cycles, oldest first, judged anew at every cycle.
    recent: Vec<Seen>,
    posterior: Posterior,
}

/// The distribution of the next duration: ln t is Student's t.
#[derive(Debug, Clone, PartialEq)]
pub struct Predictive {
    /// Half of the durations are longer.
    pub median: Seconds,
    /// Scale of ln t, about the relative standard uncertainty of one duration.
    pub scale: f64,
    /// Degrees of freedom.
    pub df: f64,
    /// What makes the difference between the profile's expected time and `median`, the largest first; they add up
    /// to it.
    pub contributions: Vec<Contribution>,
}

impl Predictive {
    /// The probability that a sound cycle takes longer than this.
    pub fn tail(&self, observed: Seconds) -> f64 {
        t_above((observed.value().ln() - self.median.value().ln()) / self.scale, self.df)
    }

    /// The duration that a sound cycle stays under with probability `p`; NaN unless 0 < p < 1.
    pub fn quantile(&self, p: f64) -> Seconds {
        self.median * (self.scale * t_quantile(p, self.df)).exp()
    }
}

/// Seconds that one influence adds (or takes off).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Contribution {
    /// Which.
    pub influence: Influence,
    /// How much.
    pub seconds: Seconds,
}

/// What makes a sound phase longer or shorter than the profile says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Influence {
    /// Oil colder than the reference.
    ColdOil,
    /// Oil warmer than the reference.
    WarmOil,
    /// Supply below the reference.
    LowSupply,
    /// Supply above the reference.
    HighSupply,
    /// This roof is slower or faster than its kind, at any temperature.
    OwnPace,
}

impl Influence {
    /// In the words of a sentence: "1.9 s are cold oil".
    pub fn as_str(self) -> &'static str {
        match self {
            Influence::ColdOil => "cold oil",
            Influence::WarmOil => "warm oil",
            Influence::LowSupply => "low supply",
            Influence::HighSupply => "high supply",
            Influence::OwnPace => "this roof's own pace",
        }
    }
}

/// A duration as it would have been at the reference conditions.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Corrected {
    /// The best estimate.
    pub time: Seconds,
    /// Relative standard uncertainty of the correction.
    pub relative_u: f64,
}

impl Corrected {
    /// The probability that the corrected time truly lies above a limit that holds at the reference conditions.
    pub fn above(&self, limit: Seconds) -> f64 {
        let distance = limit.value().ln() - self.time.value().ln();
        // Without any correction to make there is no uncertainty, and 0/0 would be NaN.
        normal_above(distance / self.relative_u.max(1e-9))
    }
}

impl Expectation {
    /// Before the first cycle: `expected` is the profile's time at `reference`.
    pub fn prior(expected: Seconds, reference: Reference) -> Self {
        Self::with_prior(expected, reference, Prior::default())
    }

    /// As [`Expectation::prior`], with beliefs of one's own.
    pub fn with_prior(expected: Seconds, reference: Reference, prior: Prior) -> Self {
        let posterior = Posterior::of_prior(&prior);
        Expectation {
            // A time that is none would make every prediction NaN; a profile's check refuses it before.
            expected: if expected.value() > 0.0 { expected } else { Seconds(1.0) },
            reference,
            prior,
            settled: Learned::default(),
            recent: Vec::new(),
            posterior,
        }
    }

    /// Whether this was begun for the same expected time and reference; if not, the profile has changed since.
    pub fn is_for(&self, expected: Seconds, reference: &Reference) -> bool {
        self.expected == expected && self.reference == *reference
    }

    /// How many sound cycles it has learned from; a doubtful one counts as its share.
    pub fn cycles(&self) -> f64 {
        self.settled.count() + self.recent.iter().map(|seen| seen.weight).sum::<f64>()
    }

    /// What a sound cycle takes under these conditions.
    pub fn predict(&self, conditions: Conditions) -> Predictive {
        let row = self.row(conditions);
        let post = &self.posterior;
        let [level, supply, viscosity, bend] = std::array::from_fn(|i| post.mean[i] * row.x[i]);
        let log_shift = level + supply + viscosity + bend;
        let median = self.expected * log_shift.exp();
        // Additive shares of a product by the logarithmic mean (Ang, Energy Policy 32, 2004, from memory).
        let mean = if log_shift.abs() < 1e-9 { self.expected } else { (median - self.expected) / log_shift };
        let cold = row.x[2] >= 0.0;
        let low = row.x[1] >= 0.0;
        let mut contributions: Vec<_> = [
            (if cold { Influence::ColdOil } else { Influence::WarmOil }, viscosity + bend),
            (if low { Influence::LowSupply } else { Influence::HighSupply }, supply),
            (Influence::OwnPace, level),
        ]
        .into_iter()
        .filter(|(_, log)| *log != 0.0)
        .map(|(influence, log)| Contribution { influence, seconds: mean * log })
        .collect();
        contributions.sort_by(|a, b| b.seconds.value().abs().total_cmp(&a.seconds.value().abs()));
        Predictive { median, scale: post.predictive_scale(&row), df: post.df(&row), contributions }
    }

    /// Learn from a cycle; answers how likely it was a sound one (0 to 1). What is no duration is left out.
    pub fn observe(&mut self, conditions: Conditions, duration: Seconds) -> f64 {
        let log = (duration / self.expected).ln();
        if !log.is_finite() {
            return 0.0;
        }
        self.recent.push(Seen { conditions, log, weight: 1.0 });
        self.learn();
        self.recent.last().map_or(0.0, |seen| seen.weight)
    }

    /// A duration as it would have been at the reference conditions.
    pub fn at_reference(&self, conditions: Conditions, duration: Seconds) -> Corrected {
        let mut row = self.row(conditions);
        row.x[0] = 0.0; // only the conditions are corrected for
        let log: f64 = (0..4).map(|i| self.posterior.mean[i] * row.x[i]).sum();
        Corrected { time: duration * (-log).exp(), relative_u: self.posterior.variance(&row).sqrt() }
    }

    /// The learned time at the reference conditions, with the relative standard uncertainty of that level.
    pub fn at_its_own_pace(&self) -> Corrected {
        let row = Row { x: [1.0, 0.0, 0.0, 0.0], unknown: [0.0; 4] };
        Corrected {
            time: self.expected * self.posterior.mean[0].exp(),
            relative_u: self.posterior.variance(&row).sqrt(),
        }
    }

    /// After a repair: the level is open again as on the first day, what was learned about cold and supply stays.
    pub fn after_repair(&self) -> Self {
        let post = &self.posterior;
        let mut prior = self.prior.clone();
        for (belief, i) in [(&mut prior.supply, 1), (&mut prior.viscosity, 2), (&mut prior.bend, 3)] {
            *belief = Belief { mean: post.mean[i], sd: post.cov[i][i].sqrt() };
        }
        prior.scatter = post.scatter2.sqrt();
        Self::with_prior(self.expected, self.reference.clone(), prior)
    }

    fn row(&self, conditions: Conditions) -> Row {
        Row::new(conditions, &self.reference, &self.prior)
    }
}
