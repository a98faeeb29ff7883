//! Mean and scatter of numbers as they come (Welford, Technometrics 4, 1962, from memory).

#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct Mean {
    pub count: u32,
    pub mean: f64,
    squares: f64,
}

impl Mean {
    pub fn add(&mut self, value: f64) {
        self.count += 1;
        let from_old = value - self.mean;
        self.mean += from_old / f64::from(self.count);
        self.squares += from_old * (value - self.mean);
    }

    /// The standard deviation of one reading; 0 for fewer than two.
    pub fn scatter(&self) -> f64 {
        if self.count < 2 { 0.0 } else { (self.squares / f64::from(self.count - 1)).max(0.0).sqrt() }
    }

    pub fn value(&self) -> Option<f64> {
        (self.count > 0).then_some(self.mean)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_textbook_sample() {
        let mut mean = Mean::default();
        [2.0, 4.0, 4.0, 4.0, 5.0, 5.0, 7.0, 9.0].into_iter().for_each(|v| mean.add(v));
        assert!((mean.mean - 5.0).abs() < 1e-12 && (mean.scatter() - (32.0f64 / 7.0).sqrt()).abs() < 1e-12);
        assert_eq!(Mean::default().value(), None);
    }
}
