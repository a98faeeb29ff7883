//! Linear least squares by QR, with standard errors.

use nalgebra::{DMatrix, DVector};

/// A fit of y = x beta.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// One a regressor.
    pub coefficients: Vec<f64>,
    /// Their standard errors.
    pub standard_errors: Vec<f64>,
    /// Sum of squared residuals.
    pub residual_squares: f64,
    /// Rows less regressors.
    pub df: usize,
}

impl Fit {
    /// Standard deviation of one observation about the fit.
    pub fn residual_sd(&self) -> f64 {
        (self.residual_squares / self.df as f64).sqrt()
    }
}

/// Fit rows of regressors to `y`; a constant term is a regressor of 1.
///
/// By Householder QR: normal equations would lose half of the digits on badly conditioned data. `None` when rows are of
/// unequal length, are not more than the regressors, are not finite, or regressors depend on each other.
///
/// ```
/// use foldwatch_physics::least_squares::fit;
/// let rows = [[1.0, 0.0], [1.0, 1.0], [1.0, 2.0], [1.0, 3.0]];
/// let line = fit(&rows, &[1.0, 3.1, 4.9, 7.0]).unwrap();
/// assert!((line.coefficients[1] - 1.98).abs() < 1e-12);
/// ```
pub fn fit<R: AsRef<[f64]>>(rows: &[R], y: &[f64]) -> Option<Fit> {
    let n = rows.len();
    let k = rows.first()?.as_ref().len();
    let finite = |values: &[f64]| values.iter().all(|v| v.is_finite());
    let sound = n == y.len()
        && n > k
        && finite(y)
        && rows.iter().all(|r| r.as_ref().len() == k && finite(r.as_ref()));
    if !sound {
        return None;
    }
    let x = DMatrix::from_row_iterator(n, k, rows.iter().flat_map(|row| row.as_ref().iter().copied()));
    let y = DVector::from_column_slice(y);
    // Each column to length 1, so that the sizes of units say nothing about dependence.
    let scales: Vec<f64> = x.column_iter().map(|column| column.norm()).collect();
    if scales.contains(&0.0) {
        return None;
    }
    let scaled = DMatrix::from_fn(n, k, |i, j| x[(i, j)] / scales[j]);
    let qr = scaled.qr();
    let r = qr.r();
    if r.diagonal().iter().any(|d| d.abs() < 1e-13) {
        return None;
    }
    let mut qty = y.clone();
    qr.q_tr_mul(&mut qty);
    let solution = r.solve_upper_triangular(&qty.rows(0, k))?;
    let inverse = r.solve_upper_triangular(&DMatrix::identity(k, k))?;
    let coefficients: Vec<f64> = solution.iter().zip(&scales).map(|(b, scale)| b / scale).collect();
    let residual_squares = (&y - &x * DVector::from_column_slice(&coefficients)).norm_squared();
    let df = n - k;
    let sd = (residual_squares / df as f64).sqrt();
    let standard_errors = (0..k).map(|j| sd * inverse.row(j).norm() / scales[j]).collect();
    Some(Fit { coefficients, standard_errors, residual_squares, df })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The y column, and a 1 with the other columns.
    fn table(text: &str) -> (Vec<Vec<f64>>, Vec<f64>) {
        let numbers = text.lines().skip(1).map(|line| line.split(',').map(|cell| cell.parse().unwrap()));
        numbers.map(|row| row.collect::<Vec<f64>>()).map(|row| ([&[1.0], &row[1..]].concat(), row[0])).unzip()
    }

    #[track_caller]
    fn close(found: &[f64], certified: &[f64]) {
        for (found, certified) in found.iter().zip(certified) {
            assert!((found - certified).abs() < 1e-9 * certified.abs(), "{found}, certified {certified}");
        }
        assert_eq!(found.len(), certified.len());
    }

    /// NIST StRD, Norris, certified values.
    #[test]
    fn nist_norris() {
        let (rows, y) = table(include_str!("../tests/data/nist_norris.csv"));
        let fit = fit(&rows, &y).unwrap();
        close(&fit.coefficients, &[-0.262323073774029, 1.00211681802045]);
        close(&fit.standard_errors, &[0.232818234301152, 0.429796848199937e-3]);
        close(&[fit.residual_sd(), fit.residual_squares], &[0.884796396144373, 26.6173985294224]);
        assert_eq!(fit.df, 34);
    }

    /// NIST StRD, Longley, certified values; condition number 4.9e9.
    #[test]
    fn nist_longley() {
        let (rows, y) = table(include_str!("../tests/data/nist_longley.csv"));
        let fit = fit(&rows, &y).unwrap();
        close(
            &fit.coefficients,
            &[
                -3482258.63459582,
                15.0618722713733,
                -0.0358191792925910,
                -2.02022980381683,
                -1.03322686717359,
                -0.0511041056535807,
                1829.15146461355,
            ],
        );
        close(
            &fit.standard_errors,
            &[
                890420.383607373,
                84.9149257747669,
                0.0334910077722432,
                0.488399681651699,
                0.214274163161675,
                0.226073200069370,
                455.478499142212,
            ],
        );
        close(&[fit.residual_squares / fit.df as f64], &[92936.0061673238]);
    }

    #[test]
    fn what_can_not_be_fitted_is_none() {
        let line = |x: [f64; 4]| x.map(|x| [1.0, x]);
        assert_eq!(fit(&line([2.0; 4]), &[1.0, 2.0, 3.0, 4.0]), None);
        assert_eq!(fit(&line([1.0, 2.0, 3.0, f64::NAN]), &[1.0, 2.0, 3.0, 4.0]), None);
        assert_eq!(fit(&line([1.0, 2.0, 3.0, 4.0])[..2], &[1.0, 2.0]), None);
        assert_eq!(fit(&line([0.0; 4]), &[1.0, 2.0, 3.0]), None);
        assert_eq!(fit::<[f64; 2]>(&[], &[]), None);
    }
}
