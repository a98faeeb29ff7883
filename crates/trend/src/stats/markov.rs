//! Expected time until a Markov chain leaves a set of states: what both charts' average run lengths come down to.

/// Expected number of steps until leaving, from each state, where `stay[i][j]` is the chance of going from i to j.
///
/// Solves (I - Q) t = 1 by elimination. The matrix is diagonally dominant wherever leaving is possible, so no exchange
/// of rows is needed; a set that is never left gives infinity or NaN.
pub(crate) fn steps_until_leaving(stay: Vec<Vec<f64>>) -> Vec<f64> {
    let n = stay.len();
    let mut rows: Vec<Vec<f64>> = stay
        .into_iter()
        .enumerate()
        .map(|(i, row)| {
            let mut row: Vec<f64> = row.into_iter().map(|q| -q).collect();
            row[i] += 1.0;
            row.push(1.0);
            row
        })
        .collect();
    for pivot in 0..n {
        let (done, below) = rows.split_at_mut(pivot + 1);
        let lead = &done[pivot];
        for row in below {
            let factor = row[pivot] / lead[pivot];
            if factor != 0.0 {
                row[pivot..].iter_mut().zip(&lead[pivot..]).for_each(|(a, b)| *a -= factor * b);
            }
        }
    }
    let mut steps = vec![0.0; n];
    for i in (0..n).rev() {
        let known: f64 = (i + 1..n).map(|j| rows[i][j] * steps[j]).sum();
        steps[i] = (rows[i][n] - known) / rows[i][i];
    }
    steps
}
