//! Least squares for a handful of unknowns.

/// Unknowns that fit best.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Fitted<const N: usize> {
    /// The unknowns.
    pub values: [f64; N],
    /// Their covariance if every residual has a standard deviation of 1.
    pub covariance: [[f64; N]; N],
    /// Residuals at the best fit.
    pub residuals: Vec<f64>,
}

/// Most steps; a well-posed problem takes five.
const STEPS: usize = 60;

/// Smallest pivot of the normal matrix, scaled to a unit diagonal, that still counts as an
/// equation: smaller, and rounding passes for knowledge; larger, and long thin arrangements of
/// marks, which do determine a picture's fix, are refused.
const SINGULAR: f64 = 1e-11;

/// Unknowns that minimise the sum of squares of `residuals`, each already divided by its standard
/// deviation: Levenberg's and Marquardt's way from `start`, derivatives by central differences of
/// `steps`.
///
/// None where the unknowns are not determined, or the residuals cannot be computed at the start.
pub(crate) fn least_squares<const N: usize>(
    start: [f64; N],
    steps: [f64; N],
    residuals: impl Fn(&[f64; N]) -> Option<Vec<f64>>,
) -> Option<Fitted<N>> {
    let squares = |r: &[f64]| r.iter().map(|v| v * v).sum::<f64>();
    let mut values = start;
    let mut now = residuals(&values)?;
    let mut damping = 1e-6;
    for _ in 0..STEPS {
        let (normal, gradient) = normal_equations(&values, &steps, &residuals, &now)?;
        let mut moved = false;
        while damping < 1e12 {
            let mut damped = normal;
            for (i, row) in damped.iter_mut().enumerate() {
                row[i] *= 1.0 + damping;
            }
            let Some(inverse) = inverse(&damped) else {
                damping *= 10.0;
                continue;
            };
            let mut next = values;
            for (i, value) in next.iter_mut().enumerate() {
                *value -= (0..N).map(|j| inverse[i][j] * gradient[j]).sum::<f64>();
            }
            match residuals(&next) {
                Some(then) if squares(&then) <= squares(&now) => {
                    moved = values
                        .iter()
                        .zip(&next)
                        .zip(&steps)
                        .any(|((a, b), step)| (a - b).abs() > 1e-6 * step);
                    (values, now) = (next, then);
                    damping = (damping * 0.1).max(1e-12);
                    break;
                }
                _ => damping *= 10.0,
            }
        }
        if !moved {
            break;
        }
    }
    let (normal, _) = normal_equations(&values, &steps, &residuals, &now)?;
    Some(Fitted { values, covariance: inverse(&normal)?, residuals: now })
}

type Normal<const N: usize> = ([[f64; N]; N], [f64; N]);

fn normal_equations<const N: usize>(
    values: &[f64; N],
    steps: &[f64; N],
    residuals: &impl Fn(&[f64; N]) -> Option<Vec<f64>>,
    now: &[f64],
) -> Option<Normal<N>> {
    let mut columns: Vec<Vec<f64>> = Vec::with_capacity(N);
    for i in 0..N {
        let shifted = |by: f64| {
            let mut at = *values;
            at[i] += by;
            residuals(&at)
        };
        let (after, before) = (shifted(steps[i])?, shifted(-steps[i])?);
        let slope = |(a, b): (&f64, &f64)| (a - b) / (2.0 * steps[i]);
        columns.push(after.iter().zip(&before).map(slope).collect());
    }
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
    let mut normal = [[0.0; N]; N];
    let mut gradient = [0.0; N];
    for i in 0..N {
        for j in 0..N {
            normal[i][j] = dot(&columns[i], &columns[j]);
        }
        gradient[i] = dot(&columns[i], now);
    }
    Some((normal, gradient))
}

/// Inverse of a symmetric positive definite matrix; none where it is singular.
pub(crate) fn inverse<const N: usize>(matrix: &[[f64; N]; N]) -> Option<[[f64; N]; N]> {
    // Scaled to a unit diagonal, so that pivots can be judged.
    let mut size = [0.0; N];
    for (i, size) in size.iter_mut().enumerate() {
        *size = matrix[i][i].sqrt();
        if !(*size > 0.0 && size.is_finite()) {
            return None;
        }
    }
    let mut left = [[0.0; N]; N];
    let mut right = [[0.0; N]; N];
    for i in 0..N {
        for j in 0..N {
            left[i][j] = matrix[i][j] / (size[i] * size[j]);
        }
        right[i][i] = 1.0;
    }
    for i in 0..N {
        let pivot = left[i][i];
        if pivot.is_nan() || pivot <= SINGULAR {
            return None;
        }
        for j in 0..N {
            left[i][j] /= pivot;
            right[i][j] /= pivot;
        }
        for k in 0..N {
            if k != i {
                let factor = left[k][i];
                for j in 0..N {
                    left[k][j] -= factor * left[i][j];
                    right[k][j] -= factor * right[i][j];
                }
            }
        }
    }
    for i in 0..N {
        for j in 0..N {
            right[i][j] /= size[i] * size[j];
        }
    }
    Some(right)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_straight_line_has_its_textbook_errors() {
        // y = a + b x at x = 0 .. 9: var(b) = 1 / sum((x - mean)^2), var(a + b mean) = 1 / n.
        let x: Vec<f64> = (0..10).map(f64::from).collect();
        let noise = [0.3, -0.2, 0.1, 0.0, -0.4, 0.2, 0.1, -0.1, 0.3, -0.3];
        let fitted = least_squares([0.0, 0.0], [1e-3, 1e-3], |[a, b]| {
            Some(x.iter().zip(noise).map(|(x, n)| a + b * x - (2.0 + 0.5 * x + n)).collect())
        })
        .unwrap();
        let slope: f64 = x.iter().zip(noise).map(|(x, n)| (x - 4.5) * n).sum::<f64>() / 82.5;
        assert!((fitted.values[1] - 0.5 - slope).abs() < 1e-9);
        assert!((fitted.covariance[1][1] - 1.0 / 82.5).abs() < 1e-9);
        let middle = fitted.covariance[0][0]
            + 9.0 * fitted.covariance[0][1]
            + 4.5 * 4.5 * fitted.covariance[1][1];
        assert!((middle - 0.1).abs() < 1e-9);
    }

    #[test]
    fn what_is_not_determined_is_refused() {
        assert!(
            least_squares([1.0, 1.0], [1e-3, 1e-3], |[a, b]| Some(vec![a + b, 2.0 * (a + b)]))
                .is_none()
        );
        assert!(least_squares([1.0], [1e-3], |_| None).is_none());
        assert!(least_squares([1.0], [1e-3], |_| Some(vec![f64::NAN])).is_none());
    }
}
