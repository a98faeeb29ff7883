//! Leak-down: how a held pressure falls.

use crate::NotObservable;
use foldwatch_units::{Bar, BarPerSecond, Measured, Micros, Seconds};
use nalgebra::{Matrix3, Vector3};

/// Fewer samples can't carry three parameters and a scatter.
const FEWEST: usize = 12;
/// The fall must be this many times the scatter of one sample, to be seen at all (judgement).
const SEEN: f64 = 3.0;
/// The hold must last this many time constants: below, a slow fall to a low end and a fast one to a high end look
/// alike (judgement; the covariance says the same).
const SPAN: f64 = 1.0;
/// The largest relative standard uncertainty of the time constant that is of use (judgement).
const USEFUL: f64 = 0.25;

/// The fit of p(t) = p_end + (p_0 - p_end) exp(-t / tau), t from the first sample on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Decay {
    /// Where the pressure is heading.
    pub p_end: Measured<Bar>,
    /// Where it began.
    pub p_0: Measured<Bar>,
    /// The time constant.
    pub tau: Measured<Seconds>,
    /// Covariance of (p_end, p_0, tau), in bar and seconds. It takes the samples' errors as independent.
    pub covariance: [[f64; 3]; 3],
    /// Scatter of one sample about the curve.
    pub scatter: Bar,
}

impl Decay {
    /// How fast the pressure falls at first.
    pub fn first_rate(&self) -> BarPerSecond {
        BarPerSecond((self.p_0.value - self.p_end.value).value() / self.tau.value.value())
    }
}

/// Fit the decay of a held pressure by least squares.
///
/// The two pressures enter linearly, so for any tau they follow by straight regression; what is left is a search over
/// tau alone (separable least squares: Golub and Pereyra, SIAM J. Numer. Anal. 10, 1973, from memory), which needs no starting
/// value. The caller chooses the stretch: from the pump's end, past the valves' own transient, to the next drive. NaN
/// readings are left out.
///
/// # Errors
/// Says why the hold can't tell: too few samples, no fall to see, too short for its time constant, too noisy.
///
/// ```
/// use foldwatch_physics::decay::decay;
/// use foldwatch_units::Micros;
/// let times: Vec<Micros> = (0..300).map(|i| Micros::from_secs(f64::from(i) * 0.1)).collect();
/// let falling: Vec<f32> = times.iter().map(|t| (4.0 + 146.0 * (-t.as_secs() / 9.0).exp()) as f32).collect();
/// let fit = decay(&times, &falling)?;
/// assert!((fit.tau.value.value() - 9.0).abs() < 1e-4);
///
/// let flat = vec![150.0; 300];
/// assert!(decay(&times, &flat).is_err());
/// # Ok::<(), foldwatch_physics::NotObservable>(())
/// ```
pub fn decay(times: &[Micros], pressures: &[f32]) -> Result<Decay, NotObservable> {
    let recorded = times.iter().zip(pressures).filter(|(_, p)| p.is_finite());
    let first = recorded.clone().next().map_or(Micros(0), |(t, _)| *t);
    let (t, p): (Vec<f64>, Vec<f64>) = recorded.map(|(t, p)| ((*t - first).value(), f64::from(*p))).unzip();
    if t.len() < FEWEST {
        return Err(NotObservable::TooFewSamples { have: t.len(), need: FEWEST });
    }
    let span = t.last().copied().unwrap_or(0.0);
    let spacing = span / (t.len() - 1) as f64;
    if span <= 0.0 || t.windows(2).any(|pair| pair[1] < pair[0]) {
        return Err(NotObservable::BadInput);
    }

    let (few_t, few_p) = thinned(&t, &p);
    let tau = search(&few_t, &few_p, spacing, 10.0 * span);
    let curve = polish(&t, &p, Curve::at(&few_t, &few_p, tau));
    let variance = curve.squares(&t, &p) / (t.len() - 3) as f64;
    let scatter = variance.sqrt();
    let fell = curve.amplitude * (1.0 - (-span / curve.tau).exp());
    // Readings that are all alike have no scatter, and no fall either.
    let need = (SEEN * scatter).max(f64::MIN_POSITIVE);
    if fell.is_nan() || fell < need {
        return Err(NotObservable::Flat { change: fell, need });
    }
    if span < SPAN * curve.tau {
        // A time constant far beyond the hold is itself hardly known.
        let need = 1.5 * curve.tau.min(2.0 * span);
        return Err(NotObservable::TooShort { seconds: span, need });
    }
    let covariance = curve.covariance(&t, variance).ok_or(NotObservable::NothingThere)?;
    let u = |i: usize| covariance[i][i].max(0.0).sqrt();
    let relative = u(2) / curve.tau;
    if relative.is_nan() || relative > USEFUL {
        return Err(NotObservable::TooNoisy { relative, limit: USEFUL });
    }
    Ok(Decay {
        p_end: Measured { value: Bar(curve.end), u: Bar(u(0)) },
        p_0: Measured { value: Bar(curve.end + curve.amplitude), u: Bar(u(1)) },
        tau: Measured { value: Seconds(curve.tau), u: Seconds(u(2)) },
        covariance,
        scatter: Bar(scatter),
    })
}

#[derive(Clone, Copy)]
struct Curve {
    end: f64,
    amplitude: f64,
    tau: f64,
}

impl Curve {
    /// The best curve with this time constant: a straight regression on exp(-t / tau).
    fn at(t: &[f64], p: &[f64], tau: f64) -> Curve {
        let n = t.len() as f64;
        let e_mean = t.iter().map(|t| (-t / tau).exp()).sum::<f64>() / n;
        let p_mean = p.iter().sum::<f64>() / n;
        let (mut ee, mut ep) = (0.0, 0.0);
        for (t, p) in t.iter().zip(p) {
            let e = (-t / tau).exp() - e_mean;
            ee += e * e;
            ep += e * (p - p_mean);
        }
        let amplitude = if ee > 0.0 { ep / ee } else { 0.0 };
        Curve { end: p_mean - amplitude * e_mean, amplitude, tau }
    }

    fn residuals<'a>(&'a self, t: &'a [f64], p: &'a [f64]) -> impl Iterator<Item = f64> + 'a {
        t.iter().zip(p).map(|(t, p)| p - self.end - self.amplitude * (-t / self.tau).exp())
    }

    fn squares(&self, t: &[f64], p: &[f64]) -> f64 {
        self.residuals(t, p).map(|r| r * r).sum()
    }

    /// Derivatives by (p_end, p_0, tau) at one time.
    fn gradient(&self, t: f64) -> Vector3<f64> {
        let e = (-t / self.tau).exp();
        Vector3::new(1.0 - e, e, self.amplitude * e * t / (self.tau * self.tau))
    }

    fn normal_matrix(&self, t: &[f64]) -> Matrix3<f64> {
        t.iter().map(|t| self.gradient(*t)).map(|g| g * g.transpose()).sum()
    }

    fn covariance(&self, t: &[f64], variance: f64) -> Option<[[f64; 3]; 3]> {
        let inverse = self.normal_matrix(t).cholesky()?.inverse() * variance;
        Some(std::array::from_fn(|i| std::array::from_fn(|j| inverse[(i, j)])))
    }
}

/// Means over a few hundred equal pieces, which are enough to search on: a hold of minutes has tens of thousands of
/// samples.
fn thinned(t: &[f64], p: &[f64]) -> (Vec<f64>, Vec<f64>) {
    const PIECES: usize = 256;
    let size = t.len().div_ceil(PIECES);
    let means =
        |x: &[f64]| x.chunks(size).map(|piece| piece.iter().sum::<f64>() / piece.len() as f64).collect();
    (means(t), means(p))
}

/// The time constant with the least squares: a coarse look at all of the range, then golden section.
fn search(t: &[f64], p: &[f64], shortest: f64, longest: f64) -> f64 {
    const STEPS: i32 = 48;
    let squares = |ln_tau: f64| Curve::at(t, p, ln_tau.exp()).squares(t, p);
    let (low, high) = (shortest.ln(), longest.ln());
    let step = (high - low) / f64::from(STEPS);
    let best = (0..=STEPS)
        .map(|i| low + step * f64::from(i))
        .map(|x| (x, squares(x)))
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .map_or(low, |(x, _)| x);
    let (mut a, mut b) = (best - step, best + step);
    let golden = 0.5 * (5f64.sqrt() - 1.0);
    for _ in 0..20 {
        let (x1, x2) = (b - golden * (b - a), a + golden * (b - a));
        if squares(x1) < squares(x2) { b = x2 } else { a = x1 }
    }
    (0.5 * (a + b)).exp()
}

/// Gauss-Newton steps on all samples: the search ends on means, and where the squares are flat to rounding.
fn polish(t: &[f64], p: &[f64], mut curve: Curve) -> Curve {
    let mut squares = curve.squares(t, p);
    for _ in 0..12 {
        let slope: Vector3<f64> =
            t.iter().zip(curve.residuals(t, p)).map(|(t, r)| curve.gradient(*t) * r).sum();
        let Some(step) = curve.normal_matrix(t).cholesky().map(|normal| normal.solve(&slope)) else { break };
        let next = Curve {
            end: curve.end + step[0],
            amplitude: curve.amplitude + step[1] - step[0],
            tau: curve.tau + step[2],
        };
        // Far from the minimum a step may lead away: then the search's answer stands.
        let next_squares = next.squares(t, p);
        let better = next.tau > 0.0 && next_squares <= squares * (1.0 + 1e-12);
        if !better {
            break;
        }
        let still = step[2].abs() < 1e-10 * next.tau;
        squares = next_squares;
        curve = next;
        if still {
            break;
        }
    }
    curve
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// As a logger with steps of 0.05 bar would record it, with a fixed pattern for noise.
    fn hold(n: u32, dt: f64, [p_end, p_0, tau]: [f64; 3], noise: f64) -> (Vec<Micros>, Vec<f32>) {
        (0..n)
            .map(|i| {
                let t = f64::from(i) * dt;
                let error = noise * (f64::from(i * 37 % 11) - 5.0) / 5.0;
                let p = p_end + (p_0 - p_end) * (-t / tau).exp() + error;
                (Micros::from_secs(t), ((p / 0.05).round_ties_even() * 0.05) as f32)
            })
            .unzip()
    }

    #[track_caller]
    fn close(a: f64, b: f64, relative: f64) {
        assert!((a - b).abs() <= relative * b.abs(), "{a} against {b}");
    }

    /// Parameters and covariance of scipy 1.17.1, scipy.optimize.curve_fit (numpy 2.4.6, tolerances 1e-15) on the
    /// same numbers.
    #[test]
    fn scipy_curve_fit() {
        let cases = [
            (
                hold(600, 0.1, [4.0, 150.0, 14.0], 0.6),
                [3.994120201997342, 149.9785113328661, 14.003614585784161],
                [
                    [0.0012883093848382401, 0.0010010063088474058, -0.0004345564353765191],
                    [0.0010010063088474058, 0.00488683115108178, -0.0007345906071229264],
                    [-0.0004345564353765191, -0.0007345906071229264, 0.00022340545810760218],
                ],
            ),
            (
                hold(200, 0.1, [20.0, 120.0, 9.0], 0.3),
                [19.984681472403956, 119.98463344571631, 9.004259103008451],
                [
                    [0.007049699868402188, 0.00235946387811513, -0.0015312623892256428],
                    [0.00235946387811513, 0.0025684293079001664, -0.0006955126667855464],
                    [-0.0015312623892256428, -0.0006955126667855464, 0.00036781536974668007],
                ],
            ),
            (
                hold(421, 1.0, [0.5, 198.0, 91.2], 1.0),
                [0.49419690424491236, 197.9575489383887, 91.22793291714711],
                [
                    [0.0043306605172681156, 0.0035239133700151514, -0.007221345539954064],
                    [0.0035239133700151514, 0.02024193595007301, -0.013936779164315134],
                    [-0.007221345539954064, -0.013936779164315134, 0.01957874017583334],
                ],
            ),
        ];
        for ((times, pressures), [p_end, p_0, tau], covariance) in cases {
            let fit = decay(&times, &pressures).unwrap();
            // Two minimisers agree far within what the fit itself can know.
            let found = [fit.p_end.value.value(), fit.p_0.value.value(), fit.tau.value.value()];
            for (i, (found, expected)) in found.into_iter().zip([p_end, p_0, tau]).enumerate() {
                let within = 1e-5 * f64::sqrt(covariance[i][i]);
                assert!((found - expected).abs() < within, "{found} against {expected}");
            }
            for (found, expected) in fit.covariance.iter().flatten().zip(covariance.iter().flatten()) {
                close(*found, *expected, 1e-5);
            }
        }
    }

    /// 200 bar to 2 bar in 420 s is a time constant of 91.2018 s.
    #[test]
    fn time_constant_of_two_readings() {
        let (times, pressures) = hold(421, 1.0, [0.0, 200.0, 420.0 / 100f64.ln()], 0.0);
        close(decay(&times, &pressures).unwrap().tau.value.value(), 91.2018, 1e-4);
    }

    #[test]
    fn says_why_it_can_not_tell() {
        let fit = |n, dt, curve, noise| {
            let (times, pressures) = hold(n, dt, curve, noise);
            decay(&times, &pressures)
        };
        assert!(matches!(fit(10, 0.1, [4.0, 150.0, 1.0], 0.0), Err(NotObservable::TooFewSamples { .. })));
        assert!(matches!(fit(300, 0.1, [150.0, 150.0, 1.0], 0.0), Err(NotObservable::Flat { .. })));
        assert!(matches!(fit(300, 0.1, [149.0, 150.0, 9.0], 3.0), Err(NotObservable::Flat { .. })));
        assert!(matches!(fit(300, 0.1, [50.0, 20.0, 9.0], 0.3), Err(NotObservable::Flat { .. })));
        assert!(matches!(fit(50, 0.1, [4.0, 150.0, 91.0], 0.2), Err(NotObservable::TooShort { .. })));
        assert!(matches!(fit(20, 1.0, [144.0, 150.0, 9.0], 1.0), Err(NotObservable::TooNoisy { .. })));
        assert_eq!(decay(&[], &[]), Err(NotObservable::TooFewSamples { have: 0, need: 12 }));
        assert_eq!(decay(&[Micros(5); 20], &[1.0; 20]), Err(NotObservable::BadInput));
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(48))]

        #[test]
        fn finds_what_was_put_in(
            p_end in 0f64..40.0, fall in 40f64..160.0, tau in 2f64..60.0, holds in 1.5f64..6.0, noise in 0f64..1.0,
        ) {
            let (times, pressures) = hold(400, tau * holds / 400.0, [p_end, p_end + fall, tau], noise);
            let fit = decay(&times, &pressures).unwrap();
            let u = fit.tau.u.value() + 1e-3 * tau;
            prop_assert!((fit.tau.value.value() - tau).abs() < 6.0 * u, "{fit:?}");
        }

        #[test]
        fn no_input_panics(t in prop::collection::vec(-5i64..9_000_000, 0..40), seed in any::<u32>()) {
            let p: Vec<f32> = (0..t.len() as u32).map(|i| f32::from_bits(seed.wrapping_mul(i * 2 + 1))).collect();
            let times: Vec<Micros> = t.into_iter().map(Micros).collect();
            let _ = decay(&times, &p);
        }
    }
}
