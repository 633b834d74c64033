//! How noisy each sample of a stack is.
//!
//! The two halves share no frame, so the variance of one unit of weight is `(a - b)^2 A B / (A + B)`, with the halves'
//! values `a`, `b` and weights `A`, `B` at a sample (the unbiased variance of two weighted observations; textbook
//! statistics). One sample tells it badly; a neighbourhood of some 800 px of the capture tells it to 3 to 5 %. What changes
//! within a neighbourhood is put in: the brightness by the camera's own noise law, and what lay there by the
//! weight, by which the variance of the whole is divided. So the rims that few frames show are as noisy here as they
//! are, to the sample, and so are the thin places between drops.
//!
//! What both halves have in common (a sensor's pattern, the reference) is not in it. What the air made of single frames is: at edges, the
//! halves differ by more than the camera's noise.

use crate::accumulate::Accumulator;
use ndarray::{Array2, Array3, Axis, Zip};
use rayon::prelude::*;
use stillwright_picture::Picture;
use stillwright_seeing::noise::NoiseModel;

/// Side of a cell over which differences are gathered, px of the capture. Cells are smoothed with their neighbours by
/// a kernel of one cell (standard deviation).
const CELL_PX: f32 = 8.0;

/// Passes of the kernel 1 2 1, each of which adds half a cell squared to its variance.
const PASSES: usize = 2;

/// Standard deviation of each sample of `stack`, in its units, same shape; not a number where nothing was added. `sums` are the
/// halves that it was made of, at `scale` px to the px of the capture, and their memory becomes the map's; `noise` is
/// that of one frame.
pub fn noise_map(sums: Accumulator, stack: &Picture, noise: &NoiseModel, scale: f32) -> Picture {
    let side = (CELL_PX * scale).round().max(4.0) as usize;
    let ([sum_a, sum_b], [mut all_a, all_b]) = (sums.sums, sums.weights);
    let expected = |channel: usize, y: usize, x: usize| {
        f64::from(noise.variance(stack.planes[[channel, y, x]].max(0.0))).max(1e-14)
    };
    let (channels, height, width) = all_a.dim();
    let cells: Vec<Array2<f64>> = (0..channels)
        .map(|channel| {
            let at = |all: &Array3<f32>, y: usize, x: usize| f64::from(all[[channel, y, x]]);
            let unit = |y: usize, x: usize| {
                let (a, b) = (at(&all_a, y, x), at(&all_b, y, x));
                if a <= 1e-9 || b <= 1e-9 {
                    return None;
                }
                let difference = at(&sum_a, y, x) / a - at(&sum_b, y, x) / b;
                Some(difference * difference * a * b / (a + b) / expected(channel, y, x))
            };
            gathered((height, width), side, &unit)
        })
        .collect();
    drop((sum_a, sum_b));
    for (channel, mut out) in all_a.axis_iter_mut(Axis(0)).enumerate() {
        out.axis_iter_mut(Axis(0)).into_par_iter().enumerate().for_each(|(y, row)| {
            for (x, value) in row.into_iter().enumerate() {
                let weight = f64::from(*value) + f64::from(all_b[[channel, y, x]]);
                *value = if weight > 1e-9 {
                    let per_weight = blended(&cells[channel], side, x, y);
                    (per_weight * expected(channel, y, x) / weight).sqrt() as f32
                } else {
                    f32::NAN
                };
            }
        });
    }
    Picture { planes: all_a }
}

/// Mean of what `unit` gives over cells of `side` px, smoothed; where it gives nothing far and wide, that of the whole.
fn gathered(
    (height, width): (usize, usize),
    side: usize,
    unit: &(dyn Fn(usize, usize) -> Option<f64> + Sync),
) -> Array2<f64> {
    let (rows, columns) = (height.div_ceil(side), width.div_ceil(side));
    let (mut sum, mut count) = (Array2::zeros((rows, columns)), Array2::zeros((rows, columns)));
    let lines = sum.axis_iter_mut(Axis(0)).into_par_iter();
    lines.zip(count.axis_iter_mut(Axis(0)).into_par_iter()).enumerate().for_each(
        |(j, (mut sums, mut counts))| {
            for y in j * side..((j + 1) * side).min(height) {
                for x in 0..width {
                    if let Some(value) = unit(y, x) {
                        sums[x / side] += value;
                        counts[x / side] += 1.0;
                    }
                }
            }
        },
    );
    let all: f64 = count.sum();
    let whole = if all > 0.0 { sum.sum() / all } else { 0.0 };
    for _ in 0..PASSES {
        for axis in [Axis(0), Axis(1)] {
            (sum, count) = (smoothed(&sum, axis), smoothed(&count, axis));
        }
    }
    Zip::from(&mut sum).and(&count).for_each(|s, n| *s = if *n > 0.5 { *s / n } else { whole });
    sum
}

/// 1 2 1 along one axis; beyond the edge there is nothing.
fn smoothed(cells: &Array2<f64>, axis: Axis) -> Array2<f64> {
    let mut out = cells * 2.0;
    let n = cells.len_of(axis);
    for i in 1..n {
        let (mut here, before) = (out.index_axis_mut(axis, i), cells.index_axis(axis, i - 1));
        here += &before;
        let mut there = out.index_axis_mut(axis, i - 1);
        there += &cells.index_axis(axis, i);
    }
    out
}

/// The value at a sample, between the centres of cells.
fn blended(cells: &Array2<f64>, side: usize, x: usize, y: usize) -> f64 {
    let place = |at: usize, n: usize| {
        let u = ((at as f64 + 0.5) / side as f64 - 0.5).clamp(0.0, (n - 1) as f64);
        let first = (u as usize).min(n.saturating_sub(2));
        (first, (first + 1).min(n - 1), u - first as f64)
    };
    let (rows, columns) = cells.dim();
    let ((top, below, fy), (left, right, fx)) = (place(y, rows), place(x, columns));
    let along = |row: usize| cells[[row, left]] * (1.0 - fx) + cells[[row, right]] * fx;
    along(top) * (1.0 - fy) + along(below) * fy
}
