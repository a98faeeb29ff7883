//! The regression: weighted sums of the cycles, and what follows from them.
//!
//! Coefficients (normal) and scatter (inverse gamma) are held independent and found in turn, the mean-field
//! variational scheme (Bishop, Pattern Recognition and Machine Learning, 2006, section 10.3, from memory). The weight
//! of a cycle is the probability that it is a sound one. The last [`WINDOW`] cycles are weighed anew each time, so a
//! roof that starts with a bad cycle is not stuck with it; older ones keep their weight in the sums.

use super::{Conditions, Expectation, Prior, Reference};
use crate::stats::{median, t_density_at_0};
use nalgebra::{Matrix4, Vector4};

/// Cycles that are weighed anew: enough that a fifth of bad ones among the first can't pass for the rule.
const WINDOW: usize = 32;
/// Rounds of weighing and solving at the most; it is usually still after five.
const ROUNDS: usize = 30;
/// Degrees of freedom of the prediction at the most: no clock, hinge and hand scatter like a true normal.
const MAX_DF: f64 = 8.0;
/// A bad cycle may take anything from a tenth to ten times as long, each ratio alike: density of ln t.
const BAD_DENSITY: f64 = 1.0 / (2.0 * std::f64::consts::LN_10);
/// Below and above these multiples of the reference supply no pump motor runs: the reading is none (judgement).
const SUPPLY_SPAN: (f64, f64) = (0.4, 2.0);
/// Oil temperatures beyond are a broken sensor's.
const TEMPERATURE_SPAN: (f64, f64) = (-60.0, 150.0);

/// One cycle as it is remembered.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub(super) struct Seen {
    pub conditions: Conditions,
    /// ln of duration over expected time.
    pub log: f64,
    /// Probability that it was sound.
    pub weight: f64,
}

/// One line of the regression: 1, V_ref / V - 1, z, z².
#[derive(Debug, Clone, Copy)]
pub(super) struct Row {
    /// The regressors; where a condition isn't recorded, their expectation.
    pub x: [f64; 4],
    /// Variances of the regressors: 0 where recorded.
    pub unknown: [f64; 4],
}

impl Row {
    pub fn new(conditions: Conditions, reference: &Reference, prior: &Prior) -> Row {
        let mut row = Row { x: [1.0, 0.0, 0.0, 0.0], unknown: [0.0; 4] };
        let ratio = conditions.supply.map(|v| v / reference.supply);
        match ratio.filter(|r| (SUPPLY_SPAN.0..=SUPPLY_SPAN.1).contains(r)) {
            Some(r) => row.x[1] = 1.0 / r - 1.0,
            None => row.unknown[1] = prior.unknown_supply.powi(2),
        }
        let ln_nu = |t| reference.oil.viscosity(t).value().ln();
        let z = conditions
            .oil_temperature
            .filter(|t| (TEMPERATURE_SPAN.0..=TEMPERATURE_SPAN.1).contains(&t.value()))
            .map(|t| ln_nu(t) - ln_nu(reference.oil_temperature));
        match z.filter(|z| z.is_finite()) {
            Some(z) => (row.x[2], row.x[3]) = (z, z * z),
            None => {
                // Moments of a normal z: E z² = v, var z² = 2 v².
                let v = prior.unknown_viscosity.powi(2);
                row.x[3] = v;
                (row.unknown[2], row.unknown[3]) = (v, 2.0 * v * v);
            }
        }
        row
    }

    fn is_full(&self) -> bool {
        self.unknown == [0.0; 4]
    }
}

/// Weighted sums over cycles: all that the regression needs of them.
#[derive(Debug, Clone, Copy, PartialEq, Default, serde::Serialize, serde::Deserialize)]
pub(super) struct Sums {
    xx: [[f64; 4]; 4],
    xy: [f64; 4],
    yy: f64,
    n: f64,
}

impl Sums {
    /// `weight` in cycles; `precision` is the share of it that a full record would have.
    fn add(&mut self, x: &[f64; 4], y: f64, weight: f64, precision: f64) {
        let w = weight * precision;
        for i in 0..4 {
            for j in 0..4 {
                self.xx[i][j] += w * x[i] * x[j];
            }
            self.xy[i] += w * x[i] * y;
        }
        self.yy += w * y * y;
        self.n += weight;
    }
}

/// Sums over all cycles, and over those with and without a full record of the conditions.
#[derive(Debug, Clone, Copy, PartialEq, Default, serde::Serialize, serde::Deserialize)]
pub(super) struct Learned {
    all: Sums,
    full: Sums,
    partial: Sums,
}

impl Learned {
    /// How many cycles, by weight.
    pub fn count(&self) -> f64 {
        self.all.n
    }

    fn add(&mut self, post: &Posterior, row: &Row, seen: &Seen) {
        let precision = post.scatter2 / post.about(row);
        self.all.add(&row.x, seen.log, seen.weight, precision);
        let own = if row.is_full() { &mut self.full } else { &mut self.partial };
        own.add(&row.x, seen.log, seen.weight, 1.0);
    }
}

/// What is believed now.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub(super) struct Posterior {
    /// Coefficients.
    pub mean: [f64; 4],
    /// Their covariance.
    pub cov: [[f64; 4]; 4],
    /// Variance of a sound cycle about the line.
    pub scatter2: f64,
    /// Degrees of freedom of a prediction.
    pub df: f64,
    /// Squares of what is left of cycles of which not all conditions are recorded, and how many these are, by weight.
    partial: (f64, f64),
    /// The prior's scatter and the cycles that it counts for.
    prior: (f64, f64),
}

impl Posterior {
    pub fn of_prior(prior: &Prior) -> Self {
        let (mean, sd) = prior.coefficients();
        let cov = std::array::from_fn(|i| std::array::from_fn(|j| if i == j { sd[i] * sd[i] } else { 0.0 }));
        Posterior {
            mean,
            cov,
            scatter2: prior.scatter * prior.scatter,
            df: prior.scatter_cycles.min(MAX_DF),
            partial: (0.0, 0.0),
            prior: (prior.scatter, prior.scatter_cycles),
        }
    }

    fn line(&self, row: &Row) -> f64 {
        (0..4).map(|i| self.mean[i] * row.x[i]).sum()
    }

    /// Variance that the unrecorded conditions add to one cycle.
    fn unknown(&self, row: &Row) -> f64 {
        (0..4).map(|i| (self.mean[i].powi(2) + self.cov[i][i]) * row.unknown[i]).sum()
    }

    /// Variance of the line at a row, with what the unrecorded conditions add.
    pub fn variance(&self, row: &Row) -> f64 {
        self.line_variance(row) + self.unknown(row)
    }

    fn line_variance(&self, row: &Row) -> f64 {
        let mut line = 0.0;
        for i in 0..4 {
            for j in 0..4 {
                line += row.x[i] * self.cov[i][j] * row.x[j];
            }
        }
        line.max(0.0)
    }

    /// Variance of one cycle about the line, with what the unrecorded conditions add. What they add on this car is seen by how
    /// far such cycles scatter: a car that stands in a garage knows no winter.
    fn about(&self, row: &Row) -> f64 {
        if row.is_full() {
            return self.scatter2;
        }
        let ((squares, n), (scatter, weight)) = (self.partial, self.prior);
        (weight * (scatter.powi(2) + self.unknown(row)) + squares) / (weight + n)
    }

    pub fn predictive_scale(&self, row: &Row) -> f64 {
        (self.line_variance(row) + self.about(row)).sqrt()
    }

    /// Degrees of freedom of a prediction.
    pub fn df(&self, row: &Row) -> f64 {
        self.df_where(row.is_full())
    }

    fn df_where(&self, full: bool) -> f64 {
        if full { self.df } else { (self.prior.1 + self.partial.1).min(MAX_DF) }
    }

    /// Probability that a cycle is a sound one.
    fn soundness(&self, row: &Row, log: f64, bad_share: f64, density_at_0: f64) -> f64 {
        let (scale, df) = (self.predictive_scale(row), self.df(row));
        let off = (log - self.line(row)) / scale;
        let density = density_at_0 * (1.0 + off * off / df).powf(-0.5 * (df + 1.0)) / scale;
        let sound = (1.0 - bad_share) * density;
        let bad = bad_share * BAD_DENSITY;
        sound / (sound + bad)
    }
}

impl Prior {
    fn coefficients(&self) -> ([f64; 4], [f64; 4]) {
        let Prior { level_sd, supply, viscosity, bend, .. } = self;
        ([0.0, supply.mean, viscosity.mean, bend.mean], [*level_sd, supply.sd, viscosity.sd, bend.sd])
    }

    /// Coefficients for the scatter found so far, and the scatter for these coefficients.
    fn update(&self, sums: &Learned, scatter2: f64) -> Option<Posterior> {
        let Learned { all, full, partial } = sums;
        let (mean, sd) = self.coefficients();
        let strength = Matrix4::from_diagonal(&Vector4::from(sd.map(|sd| sd.powi(-2))));
        let cov = (strength + matrix(&all.xx) / scatter2).cholesky()?.inverse();
        let mean = cov * (strength * Vector4::from(mean) + Vector4::from(all.xy) / scatter2);
        // Expected squared residuals. Cycles with unrecorded conditions say too little about the scatter to be asked; they have
        // one of their own.
        let squares = |sums: &Sums| {
            let (xx, xy) = (matrix(&sums.xx), Vector4::from(sums.xy));
            (sums.yy - 2.0 * mean.dot(&xy) + mean.dot(&(xx * mean)) + (xx * cov).trace()).max(0.0)
        };
        let weight = self.scatter_cycles;
        let scatter2 = (weight * self.scatter.powi(2) + squares(full)) / (weight + full.n);
        Some(Posterior {
            mean: mean.into(),
            cov: std::array::from_fn(|i| std::array::from_fn(|j| cov[(i, j)])),
            scatter2,
            df: (weight + full.n).min(MAX_DF),
            partial: (squares(partial), partial.n),
            prior: (self.scatter, weight),
        })
    }
}

fn matrix(rows: &[[f64; 4]; 4]) -> Matrix4<f64> {
    Matrix4::from_fn(|i, j| rows[i][j])
}

impl Expectation {
    /// Weigh the recent cycles and solve, in turn, until it is still; then let the oldest settle.
    pub(super) fn learn(&mut self) {
        let rows: Vec<Row> =
            self.recent.iter().map(|seen| Row::new(seen.conditions, &self.reference, &self.prior)).collect();
        let mut post = self.start(&rows);
        for _ in 0..ROUNDS {
            let mut sums = self.settled;
            let densities_at_0 = [false, true].map(|full| t_density_at_0(post.df_where(full)));
            for (seen, row) in self.recent.iter_mut().zip(&rows) {
                let density_at_0 = densities_at_0[usize::from(row.is_full())];
                seen.weight = post.soundness(row, seen.log, self.prior.bad_share, density_at_0);
                sums.add(&post, row, seen);
            }
            let Some(next) = self.prior.update(&sums, post.scatter2) else { break };
            let still = (next.scatter2 / post.scatter2 - 1.0).abs() < 1e-7
                && (0..4).all(|i| (next.mean[i] - post.mean[i]).abs() < 1e-7);
            post = next;
            if still {
                break;
            }
        }
        self.posterior = post;
        if self.recent.len() > WINDOW {
            let oldest = self.recent.remove(0);
            self.settled.add(&post, &rows[0], &oldest);
        }
    }

    /// Where the rounds start. While all cycles are still at hand: from the prior's slopes and the cycles' median level,
    /// taken as certain. Started from uncertain ones, or from the last belief, a few bad cycles at the beginning would
    /// pass for scatter, and stay.
    fn start(&self, rows: &[Row]) -> Posterior {
        if self.settled.all.n > 0.0 {
            return self.posterior;
        }
        let mut post = Posterior { cov: [[0.0; 4]; 4], ..Posterior::of_prior(&self.prior) };
        let residuals = self.recent.iter().zip(rows).map(|(seen, row)| seen.log - post.line(row));
        // The prior has one vote.
        let mut levels: Vec<f64> = residuals.chain([0.0]).collect();
        post.mean[0] = median(&mut levels);
        post
    }
}
