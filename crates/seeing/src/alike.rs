//! Which sum of a picture's blurred selves is most like another picture.

use crate::raster::Raster;

/// Weights of the least squares `wanted = sum of weight * member`, `edge_px` left out along the edge; all rasters of one
/// size. Members may be nearly the same (neighbouring blurs): a millionth of their mean power keeps their weights small.
pub fn weights<const N: usize>(family: &[Raster; N], wanted: &Raster, edge_px: usize) -> [f64; N] {
    let (width, height) = (wanted.width, wanted.height);
    let (mut normal, mut right) = ([[0.0f64; N]; N], [0.0f64; N]);
    for y in edge_px..height.saturating_sub(edge_px) {
        for i in y * width + edge_px.min(width)..(y + 1) * width - edge_px.min(width) {
            let seen: [f64; N] = std::array::from_fn(|k| f64::from(family[k].values[i]));
            for (k, v) in seen.iter().enumerate() {
                right[k] += v * f64::from(wanted.values[i]);
                seen.iter().zip(&mut normal[k]).for_each(|(u, sum)| *sum += u * v);
            }
        }
    }
    let ridge = 1e-6 * (0..N).map(|k| normal[k][k]).sum::<f64>() / N as f64 + f64::MIN_POSITIVE;
    (0..N).for_each(|k| normal[k][k] += ridge);
    solved(normal, right)
}

/// The sum of `family`, all rasters of one size, by `weights`.
pub fn mixed<const N: usize>(family: &[Raster; N], weights: [f64; N]) -> Raster {
    let size = family.first().map_or((0, 0), |member| (member.width, member.height));
    let mut sum = Raster::zeros(size.0, size.1);
    for (member, weight) in family.iter().zip(weights) {
        sum.values.iter_mut().zip(&member.values).for_each(|(s, v)| *s += weight as f32 * v);
    }
    sum
}

/// Solution of a symmetric positive definite system, by elimination.
pub fn solved<const N: usize>(mut normal: [[f64; N]; N], mut right: [f64; N]) -> [f64; N] {
    for k in 0..N {
        let row = normal[k];
        for i in k + 1..N {
            let factor = normal[i][k] / row[k];
            normal[i].iter_mut().zip(&row).for_each(|(a, b)| *a -= factor * b);
            right[i] -= factor * right[k];
        }
    }
    for k in (0..N).rev() {
        let known: f64 = (k + 1..N).map(|j| normal[k][j] * right[j]).sum();
        right[k] = (right[k] - known) / normal[k][k];
    }
    right
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::raster::{Kernel, smooth};

    #[test]
    fn a_mixture_of_blurs_is_told() {
        let (width, height) = (96, 80);
        let value = |i: usize| (i.wrapping_mul(2_654_435_761) >> 7) % 1009;
        let values = (0..width * height).map(|i| value(i) as f32 / 1009.0).collect();
        let sharp = Raster { width, height, values };
        let family = [0.5, 1.2, 2.5].map(|sigma_px| {
            let mut out = Raster::default();
            smooth(&sharp, &Kernel::gaussian(sigma_px), &mut Raster::default(), &mut out);
            out
        });
        let mut wanted = mixed(&family, [0.3, 0.0, 0.9]);
        // What lies along the edge does not count.
        wanted.values[..width * 4].fill(9.0);
        let found = weights(&family, &wanted, 4);
        for (found, weight) in found.iter().zip([0.3, 0.0, 0.9]) {
            assert!((found - weight).abs() < 0.01, "{found} for {weight}");
        }
    }

    #[test]
    fn nothing_is_like_nothing() {
        let black = || Raster::zeros(20, 20);
        assert_eq!(weights(&[black(), black()], &black(), 4), [0.0; 2]);
        // An edge wider than the picture leaves nothing to compare.
        assert_eq!(weights(&[black(), black()], &black(), 40), [0.0; 2]);
    }
}
