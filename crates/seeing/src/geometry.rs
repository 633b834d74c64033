//! The mean of all usable frames at reduced size: blurred by the ripple, true in its geometry.

use crate::raster::Raster;
use multiversion::multiversion;
use rayon::prelude::*;
use stillwright_picture::Shift;

/// Rows that one thread sums at a time.
const STRIP_ROWS: usize = 16;

/// A reduced frame whose scene lies at `shift` (px of the full frame), to be divided by
/// `brightness`.
pub(crate) struct Placed<'a> {
    pub reduced: &'a Raster,
    pub shift: Shift,
    pub brightness: f32,
}

impl Placed<'_> {
    /// Add this frame to the rows from `first_row` on.
    fn add_to(
        &self,
        sums: &mut [f32],
        weights: &mut [f32],
        (width, first_row): (usize, usize),
        factor: usize,
    ) {
        let reduced = self.reduced;
        let (dx, dy) = (self.shift.x_px / factor as f32, self.shift.y_px / factor as f32);
        if !(dx.is_finite() && dy.is_finite()) || self.brightness <= 0.0 {
            return;
        }
        let (x_cell, y_cell) = (dx.floor(), dy.floor());
        let (fx, fy) = (dx - x_cell, dy - y_cell);
        let (left, top) = (x_cell as isize, y_cell as isize);
        let taps = [(1.0 - fx) * (1.0 - fy), fx * (1.0 - fy), (1.0 - fx) * fy, fx * fy]
            .map(|t| t / self.brightness);
        let low = left.saturating_neg().clamp(0, width as isize) as usize;
        let last = (reduced.width as isize - 1).saturating_sub(left);
        let high = last.clamp(low as isize, width as isize) as usize;
        if high <= low {
            return;
        }
        let from = (low as isize + left) as usize;
        let n = high - low;
        let rows = sums.chunks_exact_mut(width).zip(weights.chunks_exact_mut(width));
        for (row, (sum, weight)) in rows.enumerate() {
            let v = ((first_row + row) as isize).saturating_add(top);
            if v < 0 || v + 1 >= reduced.height as isize {
                continue;
            }
            let upper = &reduced.row(v as usize)[from..from + n + 1];
            let lower = &reduced.row(v as usize + 1)[from..from + n + 1];
            blend(&mut sum[low..high], upper, lower, taps);
            weight[low..high].iter_mut().for_each(|w| *w += 1.0);
        }
    }
}

/// Add the bilinear mean of two rows of one sample more than `out`.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512vl+avx2+bmi2", "x86_64+avx2+bmi2"))]
fn blend(out: &mut [f32], upper: &[f32], lower: &[f32], taps: [f32; 4]) {
    let n = out.len();
    let (a, b) = (&upper[..n], &upper[1..n + 1]);
    let (c, d) = (&lower[..n], &lower[1..n + 1]);
    for i in 0..n {
        out[i] += taps[0] * a[i] + taps[1] * b[i] + taps[2] * c[i] + taps[3] * d[i];
    }
}

/// Adds up reduced frames at their whole-frame shift.
pub(crate) struct GeometryMean {
    sum: Raster,
    weight: Raster,
    fallback: Raster,
}

impl GeometryMean {
    /// A mean on the grid of `home`, whose values stand where no frame reaches.
    pub(crate) fn new(home: &Raster) -> GeometryMean {
        GeometryMean {
            sum: Raster::zeros(home.width, home.height),
            weight: Raster::zeros(home.width, home.height),
            fallback: home.clone(),
        }
    }

    /// Add frames, in order; strips of rows are summed side by side.
    pub(crate) fn add_all(&mut self, frames: &[Placed<'_>], factor: usize) {
        let width = self.sum.width;
        if width == 0 {
            return;
        }
        let sums = self.sum.values.par_chunks_mut(width * STRIP_ROWS);
        let weights = self.weight.values.par_chunks_mut(width * STRIP_ROWS);
        sums.zip(weights).enumerate().for_each(|(strip, (sums, weights))| {
            for frame in frames {
                frame.add_to(sums, weights, (width, strip * STRIP_ROWS), factor);
            }
        });
    }

    pub(crate) fn finish(self) -> Raster {
        let mut mean = self.fallback;
        for ((m, s), w) in mean.values.iter_mut().zip(&self.sum.values).zip(&self.weight.values) {
            if *w > 0.0 {
                *m = s / w;
            }
        }
        mean
    }
}
