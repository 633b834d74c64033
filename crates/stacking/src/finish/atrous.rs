//! The à trous wavelet transform with the B3-spline kernel: a picture as a sum of detail
//! scales.
//!
//! `c_0` is the picture; `c_j` is `c_(j-1)` smoothed in rows and columns by the kernel
//! `[1 4 6 4 1] / 16` with holes of `2^(j-1)` pixels; the detail scale is
//! `w_j = c_(j-1) - c_j`. The sum of all `w_j` and the last `c_J` is the picture again, exactly
//! but for rounding (Starck & Murtagh, Astronomical Image and Data Analysis, 2.2). Edges are
//! mirrored, the edge pixel twice.
//!
//! Every pixel is computed by the same operations in the same order wherever it lies and
//! however many threads there are: a crop gives the same bits as the whole, [`reach_px`] from
//! the crop's edge.

use multiversion::multiversion;
use ndarray::Array2;
use rayon::prelude::*;
use stillwright_picture::Plane;

/// Most scales that are of use: the last spans 2^8 px.
pub const MOST_SCALES: usize = 8;

/// Rows that one task computes.
pub(crate) const ROWS_A_TASK: usize = 16;

/// How far, in px, the scales 1 to `scales` look around them: `2 (2^scales - 1)`.
pub fn reach_px(scales: usize) -> usize {
    2 * ((1 << scales.min(MOST_SCALES)) - 1)
}

/// Standard deviation of each detail scale of white noise of standard deviation 1, in closed form
/// from the kernel: with the one-dimensional kernels `a` of `c_(j-1)` and `b` of `c_j` it
/// is `sqrt((a.a)^2 - 2 (a.b)^2 + (b.b)^2)`: 0.8907963, 0.2006639, 0.0855075 ...
pub fn noise_table(scales: usize) -> Vec<f64> {
    let kernels = smoothing_kernels(scales.min(MOST_SCALES));
    let sigma = |pair: &[Vec<f64>]| {
        let (a, b) = (&pair[0], &pair[1]);
        (dot(a, a).powi(2) - 2.0 * dot(a, b).powi(2) + dot(b, b).powi(2)).max(0.0).sqrt()
    };
    kernels.windows(2).map(sigma).collect()
}

/// Standard deviation of the smooth rest `c_1` to `c_scales` of unit white noise: 0.273438,
/// 0.123474 ...
pub fn rest_noise_table(scales: usize) -> Vec<f64> {
    smoothing_kernels(scales.min(MOST_SCALES)).iter().skip(1).map(|k| dot(k, k)).collect()
}

/// One-dimensional kernels of `c_0` to `c_scales`, each of odd length about its centre.
fn smoothing_kernels(scales: usize) -> Vec<Vec<f64>> {
    let mut kernels = vec![vec![1.0]];
    for j in 0..scales {
        let (step, last) = (1usize << j, &kernels[j]);
        let mut next = vec![0.0; last.len() + 4 * step];
        for (tap, weight) in [1.0, 4.0, 6.0, 4.0, 1.0].iter().enumerate() {
            for (i, v) in last.iter().enumerate() {
                next[i + tap * step] += v * weight / 16.0;
            }
        }
        kernels.push(next);
    }
    kernels
}

/// Product sum of two centred kernels.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let offset = (b.len() as isize - a.len() as isize) / 2;
    let partner = |i: usize| {
        usize::try_from(i as isize + offset).ok().and_then(|j| b.get(j)).copied().unwrap_or(0.0)
    };
    a.iter().enumerate().map(|(i, v)| v * partner(i)).sum()
}

/// Transfer of the smoothing from `c_0` to `c_scale` along one axis at `frequency` (cycles per
/// px): the product of `(3 + 4 cos t + cos 2t) / 8` with `t = 2 pi f 2^(i-1)`.
pub(crate) fn smoothing_transfer(scale: usize, frequency: f64) -> f64 {
    let factor = |i: usize| {
        let t = 2.0 * std::f64::consts::PI * frequency * (1u64 << i) as f64;
        (3.0 + 4.0 * t.cos() + (2.0 * t).cos()) / 8.0
    };
    (0..scale).map(factor).product()
}

/// Split `plane` into `scales` (at most 8) detail scales and the smooth rest.
pub fn decompose(plane: &Plane, scales: usize) -> (Vec<Plane>, Plane) {
    let (height, width) = plane.dim();
    let mut details = Vec::new();
    let mut last = plane.as_standard_layout().into_owned();
    if plane.is_empty() {
        return (details, last);
    }
    for j in 0..scales.min(MOST_SCALES) {
        let mut next = Array2::zeros((height, width));
        if let (Some(from), Some(to)) = (last.as_slice(), next.as_slice_mut()) {
            smooth(from, to, width, 1 << j);
        }
        details.push(&last - &next);
        last = next;
    }
    (details, last)
}

/// Sum of the detail scales and the rest.
pub fn recompose(details: &[Plane], rest: &Plane) -> Plane {
    details.iter().rev().fold(rest.clone(), |sum, detail| sum + detail)
}

/// The kernel on five samples in a row, in one fixed order of additions.
#[inline(always)]
pub(crate) fn five(a: f32, b: f32, c: f32, d: f32, e: f32) -> f32 {
    (6.0 * c + 4.0 * (b + d) + (a + e)) * 0.0625
}

/// Index that a mirror shows at `i`, which may lie outside 0..n.
#[inline]
pub(crate) fn mirrored(i: isize, n: usize) -> usize {
    let j = i.rem_euclid(2 * n as isize) as usize;
    if j < n { j } else { 2 * n - 1 - j }
}

/// The five rows that row `y` is smoothed from.
#[inline]
pub(crate) fn five_rows(plane: &[f32], width: usize, y: usize, step: usize) -> [&[f32]; 5] {
    let height = plane.len() / width;
    std::array::from_fn(|tap| {
        let row = mirrored(y as isize + (tap as isize - 2) * step as isize, height);
        &plane[row * width..(row + 1) * width]
    })
}

/// The kernel down the columns of five rows.
#[multiversion(targets("x86_64+avx2+bmi2"))]
pub(crate) fn down_rows<'a>(rows: [&'a [f32]; 5], line: &mut [f32]) {
    let n = line.len();
    let [a, b, c, d, e] = rows;
    let (a, b, c, d, e) = (&a[..n], &b[..n], &c[..n], &d[..n], &e[..n]);
    for x in 0..n {
        line[x] = five(a[x], b[x], c[x], d[x], e[x]);
    }
}

/// The kernel along one row.
pub(crate) fn along_row(line: &[f32], out: &mut [f32], step: usize) {
    let (n, reach) = (line.len(), 2 * step);
    let at = |x: usize, by: isize| line[mirrored(x as isize + by * step as isize, n)];
    let edge = |x: usize| five(at(x, -2), at(x, -1), line[x], at(x, 1), at(x, 2));
    if n <= 2 * reach {
        out.iter_mut().enumerate().for_each(|(x, v)| *v = edge(x));
        return;
    }
    for x in (0..reach).chain(n - reach..n) {
        out[x] = edge(x);
    }
    let inner = n - 2 * reach;
    let (a, b, c) = (&line[..inner], &line[step..step + inner], &line[reach..reach + inner]);
    let (d, e) = (&line[3 * step..3 * step + inner], &line[4 * step..4 * step + inner]);
    down_rows([a, b, c, d, e], &mut out[reach..reach + inner]);
}

/// Smooth `from` into `to` (both row-major of `width` columns) with the kernel at spacing
/// `step`.
pub(crate) fn smooth(from: &[f32], to: &mut [f32], width: usize, step: usize) {
    to.par_chunks_mut(width * ROWS_A_TASK).enumerate().for_each_init(
        || vec![0.0; width],
        |line, (task, rows)| {
            for (i, out) in rows.chunks_mut(width).enumerate() {
                down_rows(five_rows(from, width, task * ROWS_A_TASK + i, step), line);
                along_row(line, out, step);
            }
        },
    );
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A small generator with a fixed seed (Marsaglia's xorshift); sums of 12 are near enough
    /// to normal here.
    fn noise(n: usize, mut state: u64) -> Vec<f32> {
        let mut next = || {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            (state >> 11) as f64 / (1u64 << 53) as f64
        };
        (0..n).map(|_| ((0..12).map(|_| next()).sum::<f64>() - 6.0) as f32).collect()
    }

    #[test]
    fn the_noise_table_is_exact() {
        // Starck & Murtagh print .889 .200 .086 .041 .020 .010 .005; the closed form to more
        // digits, recomputed independently.
        let exact = [
            0.890_796_3,
            0.200_663_9,
            0.085_507_5,
            0.041_217_4,
            0.020_425_0,
            0.010_189_8,
            0.005_092_0,
            0.002_545_7,
        ];
        let table = noise_table(8);
        for (found, expected) in table.iter().zip(exact) {
            assert!((found - expected).abs() < 1e-7, "{found} {expected}");
        }
        let rest = [0.273_438, 0.123_474, 0.060_359, 0.030_015, 0.014_987, 0.007_491];
        for (found, expected) in rest_noise_table(6).iter().zip(rest) {
            assert!((found - expected).abs() < 1e-6, "{found} {expected}");
        }
    }

    #[test]
    fn drawn_noise_follows_the_table() {
        let side = 1024;
        let plane = Plane::from_shape_vec((side, side), noise(side * side, 17)).unwrap();
        let (details, _) = decompose(&plane, 5);
        for (j, (detail, sigma)) in details.iter().zip(noise_table(5)).enumerate() {
            let square: f64 = detail.iter().map(|v| f64::from(*v).powi(2)).sum();
            let found = (square / (side * side) as f64).sqrt();
            // Coarser scales have fewer independent samples.
            let tolerance = 0.004 * (1 << j) as f64;
            assert!((found / sigma - 1.0).abs() < tolerance, "scale {j}: {found} {sigma}");
        }
    }

    #[test]
    fn the_scales_add_up_to_the_picture() {
        for (height, width) in [(40, 57), (3, 5), (1, 1), (2, 300)] {
            let plane = Plane::from_shape_vec((height, width), noise(height * width, 5)).unwrap();
            let (details, rest) = decompose(&plane, 6);
            let again = recompose(&details, &rest);
            let worst = (&again - &plane).iter().fold(0.0f32, |m, v| m.max(v.abs()));
            assert!(worst < 2e-6, "{height} x {width}: {worst}");
        }
    }

    #[test]
    fn the_transfer_is_that_of_the_kernel() {
        for (scale, kernel) in smoothing_kernels(4).iter().enumerate() {
            for f in [0.0, 0.07, 0.25, 0.5] {
                let middle = (kernel.len() / 2) as f64;
                let phase = |i: usize| 2.0 * std::f64::consts::PI * f * (i as f64 - middle);
                let sum: f64 = kernel.iter().enumerate().map(|(i, v)| v * phase(i).cos()).sum();
                assert!((sum - smoothing_transfer(scale, f)).abs() < 1e-12, "{scale} {f}");
            }
        }
    }
}
