//! Where a number usually lies, and how far off the next one is: robust location and scale.

use crate::stats::median;

/// Makes the median absolute deviation estimate the standard deviation of a normal: 1 / Phi^-1(0.75).
pub const MAD_TO_SD: f64 = 1.482_602_218_505_602;
/// The modified z-score's constant, rounded as Iglewicz and Hoaglin print it.
const PRINTED: f64 = 0.6745;
/// The same for the mean absolute deviation: 1 / sqrt(2 / pi).
const MEAN_DEVIATION_TO_SD: f64 = 1.253_314_137_315_5;

/// Median and spread of some numbers.
///
/// ```
/// use foldwatch_physics::baseline::Baseline;
/// let usual = Baseline::of([1.0, 1.0, 2.0, 2.0, 4.0, 6.0, 9.0]).unwrap();
/// assert_eq!((usual.median, usual.mad), (2.0, 1.0));
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Baseline {
    /// Half of the numbers are larger.
    pub median: f64,
    /// Median absolute deviation from it, as it is.
    pub mad: f64,
    /// Estimate of the standard deviation: the scaled MAD; where more than half of the numbers are equal, the scaled mean
    /// absolute deviation.
    pub scale: f64,
    /// How many numbers.
    pub n: usize,
}

impl Baseline {
    /// Of the finite ones among some numbers; `None` if there are none.
    pub fn of(values: impl IntoIterator<Item = f64>) -> Option<Baseline> {
        let mut values: Vec<f64> = values.into_iter().filter(|v| v.is_finite()).collect();
        let n = values.len();
        if n == 0 {
            return None;
        }
        let middle = median(&mut values);
        values.iter_mut().for_each(|v| *v = (*v - middle).abs());
        let mad = median(&mut values);
        let scale = if mad > 0.0 {
            MAD_TO_SD * mad
        } else {
            MEAN_DEVIATION_TO_SD * values.iter().sum::<f64>() / n as f64
        };
        Some(Baseline { median: middle, mad, scale, n })
    }

    /// The modified z-score (Iglewicz and Hoaglin, How to Detect and Handle Outliers, 1993, as NIST e-Handbook 1.3.5.17 cites it; from memory);
    /// beyond 3.5 a number is an outlier by their rule. `None` where all numbers were alike: then there is no scale.
    pub fn modified_z(&self, x: f64) -> Option<f64> {
        if self.mad > 0.0 {
            Some(PRINTED * (x - self.median) / self.mad)
        } else {
            (self.scale > 0.0).then(|| (x - self.median) / self.scale)
        }
    }
}

/// The last so many numbers.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Window {
    capacity: usize,
    /// The oldest first.
    values: std::collections::VecDeque<f64>,
}

impl Window {
    /// An empty window of at least one number.
    pub fn new(capacity: usize) -> Window {
        Window { capacity: capacity.max(1), values: Default::default() }
    }

    /// Takes a number in, and lets the oldest go if it is full. What is not finite stays out.
    pub fn push(&mut self, value: f64) {
        if value.is_finite() {
            self.values.push_back(value);
            if self.values.len() > self.capacity {
                self.values.pop_front();
            }
        }
    }

    /// How many numbers it holds.
    pub fn len(&self) -> usize {
        self.values.len()
    }

    /// Whether it holds none.
    pub fn is_empty(&self) -> bool {
        self.values.is_empty()
    }

    /// Where its numbers lie; `None` when empty.
    pub fn baseline(&self) -> Option<Baseline> {
        Baseline::of(self.values.iter().copied())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn copper() -> Vec<f64> {
        include_str!("../tests/data/amc_copper.csv")
            .lines()
            .skip(1)
            .map(|line| line.parse().unwrap())
            .collect()
    }

    /// Copper in wholemeal flour (Analytical Methods Committee, 1989); values as in the test suite of statsmodels.
    #[test]
    fn copper_in_flour() {
        let usual = Baseline::of(copper()).unwrap();
        assert_eq!(usual.n, 24);
        assert!((usual.median - 3.385).abs() < 1e-12 && (usual.mad - 0.355).abs() < 1e-12);
        assert!((usual.scale - 0.52632).abs() < 5e-6);
    }

    /// Iglewicz and Hoaglin's rule on the same data: two numbers beyond 3.5.
    #[test]
    fn modified_z_scores() {
        let usual = Baseline::of(copper()).unwrap();
        let z = |x| usual.modified_z(x).unwrap();
        assert!((z(28.95) - 48.5735).abs() < 5e-5 && (z(5.28) - 3.6005).abs() < 5e-5);
        let outliers: Vec<_> = copper().into_iter().filter(|x| z(*x).abs() > 3.5).collect();
        assert_eq!(outliers, [5.28, 28.95]);
    }

    #[test]
    fn mostly_equal_numbers_still_have_a_scale() {
        let usual = Baseline::of([5.0, 5.0, 5.0, 5.0, 7.0]).unwrap();
        assert_eq!(usual.mad, 0.0);
        assert!((usual.scale - 0.4 * MEAN_DEVIATION_TO_SD).abs() < 1e-12);
        assert_eq!(Baseline::of([5.0; 9]).unwrap().modified_z(6.0), None);
        assert_eq!(Baseline::of([f64::NAN]), None);
    }

    #[test]
    fn a_window_forgets_the_oldest() {
        let mut window = Window::new(3);
        assert!(window.is_empty() && window.baseline().is_none());
        [100.0, f64::NAN, 1.0, 2.0, 3.0].into_iter().for_each(|v| window.push(v));
        assert_eq!(window.len(), 3);
        assert_eq!(window.baseline().unwrap().median, 2.0);
    }
}
