//! The plane of spatial frequencies on a grid, curves over rings, and small least squares.

/// Cells of the grid along one axis, from frequency 0 to 0.5. Fine enough that the wavelet
/// scales up to the sixth integrate exactly (their kernels reach 126 px).
pub(crate) const GRID: usize = 256;

/// Frequency of cell `i` of `GRID` (its middle), cycles per px.
pub(crate) fn grid_frequency(i: usize) -> f64 {
    (i as f64 + 0.5) / (2 * GRID) as f64
}

/// A curve over rings of even spacing, read at `f`: linear between rings, the last value
/// beyond them; 0 without rings.
pub(crate) fn ring_value(frequency: &[f64], values: &[f64], f: f64) -> f64 {
    let (Some(last), true) = (values.last(), values.len() == frequency.len()) else {
        return 0.0;
    };
    if frequency.len() < 2 {
        return *last;
    }
    let at = f / (frequency[1] - frequency[0]);
    let k = at.floor().max(0.0) as usize;
    if k + 1 >= values.len() {
        return *last;
    }
    let t = at - k as f64;
    values[k] * (1.0 - t) + values[k + 1] * t
}

/// Solve the symmetric equations `matrix x = right` (row-major, n x n) by elimination with
/// pivots; `None` where they do not determine `x`.
pub(crate) fn solve(matrix: &[f64], right: &[f64]) -> Option<Vec<f64>> {
    let n = right.len();
    let mut rows: Vec<Vec<f64>> = (0..n)
        .map(|i| {
            let mut row = matrix.get(i * n..(i + 1) * n)?.to_vec();
            row.push(right[i]);
            Some(row)
        })
        .collect::<Option<_>>()?;
    for i in 0..n {
        let pivot = (i..n).max_by(|p, q| rows[*p][i].abs().total_cmp(&rows[*q][i].abs()))?;
        rows.swap(i, pivot);
        let (above, below) = rows.split_at_mut(i + 1);
        let upper = &above[i];
        let lead = upper[i];
        if lead.is_nan() || lead.abs() < 1e-300 {
            return None;
        }
        for lower in below {
            let share = lower[i] / lead;
            lower.iter_mut().zip(upper).skip(i).for_each(|(l, u)| *l -= share * u);
        }
    }
    let mut x = vec![0.0; n];
    for i in (0..n).rev() {
        let known: f64 = (i + 1..n).map(|k| rows[i][k] * x[k]).sum();
        x[i] = (rows[i][n] - known) / rows[i][i];
    }
    x.iter().all(|v| v.is_finite()).then_some(x)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equations_are_solved_or_refused() {
        let x = solve(&[2.0, 1.0, 1.0, 3.0], &[3.0, 5.0]).unwrap();
        assert!((x[0] - 0.8).abs() < 1e-12 && (x[1] - 1.4).abs() < 1e-12);
        assert!(solve(&[1.0, 1.0, 1.0, 1.0], &[1.0, 2.0]).is_none());
        assert!(solve(&[f64::NAN], &[1.0]).is_none());
    }

    #[test]
    fn curves_are_read_between_rings() {
        let (f, v) = ([0.0, 0.1, 0.2], [1.0, 3.0, 7.0]);
        assert!((ring_value(&f, &v, 0.15) - 5.0).abs() < 1e-12);
        assert_eq!(ring_value(&f, &v, 0.7), 7.0);
        assert_eq!(ring_value(&[], &[], 0.1), 0.0);
    }
}
