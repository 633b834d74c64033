//! Small systems of linear equations.

/// Solve by elimination with pivots; `None` where the matrix is (nearly) singular.
pub(crate) fn solve<const N: usize>(
    mut matrix: [[f64; N]; N],
    mut right: [f64; N],
) -> Option<[f64; N]> {
    let largest = matrix.iter().flatten().fold(0.0_f64, |a, v| a.max(v.abs()));
    for column in 0..N {
        let pivot = (column..N)
            .max_by(|a, b| matrix[*a][column].abs().total_cmp(&matrix[*b][column].abs()))?;
        matrix.swap(column, pivot);
        right.swap(column, pivot);
        let head = matrix[column];
        if head[column].abs() <= 1e-12 * largest || !head[column].is_finite() {
            return None;
        }
        for row in column + 1..N {
            let factor = matrix[row][column] / head[column];
            for (slot, value) in matrix[row].iter_mut().zip(&head).skip(column) {
                *slot -= factor * value;
            }
            right[row] -= factor * right[column];
        }
    }
    for row in (0..N).rev() {
        let known: f64 = (row + 1..N).map(|k| matrix[row][k] * right[k]).sum();
        right[row] = (right[row] - known) / matrix[row][row];
    }
    right.iter().all(|v| v.is_finite()).then_some(right)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn systems_are_solved_and_singular_ones_refused() {
        let found = solve([[0.0, 2.0], [3.0, 1.0]], [4.0, 11.0]).unwrap();
        assert!((found[0] - 3.0).abs() < 1e-12 && (found[1] - 2.0).abs() < 1e-12);
        assert_eq!(solve([[1.0, 2.0], [2.0, 4.0]], [1.0, 2.0]), None);
        assert_eq!(solve([[f64::NAN; 2]; 2], [1.0, 2.0]), None);
    }
}
