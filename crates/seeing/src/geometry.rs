//! The mean of all usable frames at reduced size: blurred by the ripple, true in its geometry.

use crate::raster::Raster;
use multiversion::multiversion;
use rayon::prelude::*;
use std::ops::Range;
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
    /// Columns and rows of a mean of `size` that this frame reaches, the column and row of the frame that lies on the first of each, and the weights of
    /// the four samples around; `None` where it does not reach any.
    fn reach(&self, (width, height): (usize, usize), factor: usize) -> Option<Reach> {
        let (dx, dy) = (self.shift.x_px / factor as f32, self.shift.y_px / factor as f32);
        if !(dx.is_finite() && dy.is_finite()) || self.brightness <= 0.0 {
            return None;
        }
        let (x_cell, y_cell) = (dx.floor(), dy.floor());
        let (fx, fy) = (dx - x_cell, dy - y_cell);
        let taps = [(1.0 - fx) * (1.0 - fy), fx * (1.0 - fy), (1.0 - fx) * fy, fx * fy]
            .map(|t| t / self.brightness);
        let span = |moved: isize, own: usize, n: usize| {
            let low = moved.saturating_neg().clamp(0, n as isize) as usize;
            let last = (own as isize - 1).saturating_sub(moved);
            let high = last.clamp(low as isize, n as isize) as usize;
            (high > low).then(|| (low..high, (low as isize + moved) as usize))
        };
        let (columns, left) = span(x_cell as isize, self.reduced.width, width)?;
        let (rows, top) = span(y_cell as isize, self.reduced.height, height)?;
        Some(Reach { columns, rows, from: (left, top), taps })
    }
}

/// What a frame adds to a mean.
struct Reach {
    columns: Range<usize>,
    rows: Range<usize>,
    from: (usize, usize),
    taps: [f32; 4],
}

impl Reach {
    /// Add the frame, `reduced`, to the rows of `sums` from `first_row` on.
    fn add_to(&self, reduced: &Raster, sums: &mut [f32], (width, first_row): (usize, usize)) {
        let (left, n) = (self.from.0, self.columns.len());
        for (y, sum) in (first_row..).zip(sums.chunks_exact_mut(width)) {
            if !self.rows.contains(&y) {
                continue;
            }
            let v = y - self.rows.start + self.from.1;
            let upper = &reduced.row(v)[left..left + n + 1];
            let lower = &reduced.row(v + 1)[left..left + n + 1];
            blend(&mut sum[self.columns.clone()], upper, lower, self.taps);
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
    /// How many more frames reach a px than the one to its left and above, as corners of the rectangles that they reach.
    corners: Vec<i32>,
    fallback: Raster,
}

impl GeometryMean {
    /// A mean on the grid of `home`, whose values stand where no frame reaches.
    pub(crate) fn new(home: &Raster) -> GeometryMean {
        GeometryMean {
            sum: Raster::zeros(home.width, home.height),
            corners: vec![0; (home.width + 1) * (home.height + 1)],
            fallback: home.clone(),
        }
    }

    /// Add frames, in order; strips of rows are summed side by side.
    pub(crate) fn add_all(&mut self, frames: &[Placed<'_>], factor: usize) {
        let (width, height) = (self.sum.width, self.sum.height);
        if width == 0 {
            return;
        }
        let reach = |frame: &Placed<'_>| frame.reach((width, height), factor);
        let reaching: Vec<(Reach, &Raster)> =
            frames.iter().filter_map(|frame| Some((reach(frame)?, frame.reduced))).collect();
        for (Reach { columns, rows, .. }, _) in &reaching {
            for (x, y, more) in [
                (columns.start, rows.start, 1),
                (columns.end, rows.start, -1),
                (columns.start, rows.end, -1),
                (columns.end, rows.end, 1),
            ] {
                self.corners[y * (width + 1) + x] += more;
            }
        }
        let sums = self.sum.values.par_chunks_mut(width * STRIP_ROWS);
        sums.enumerate().for_each(|(strip, sums)| {
            for (reach, reduced) in &reaching {
                reach.add_to(reduced, sums, (width, strip * STRIP_ROWS));
            }
        });
    }

    pub(crate) fn finish(self) -> Raster {
        let mut mean = self.fallback;
        let width = mean.width;
        // Frames that reach the px of a row, column by column.
        let mut reaching = vec![0i32; width];
        for y in 0..mean.height {
            let mut more = 0;
            for (x, count) in reaching.iter_mut().enumerate() {
                more += self.corners[y * (width + 1) + x];
                *count += more;
            }
            let sums = self.sum.row(y);
            for ((m, s), count) in mean.row_mut(y).iter_mut().zip(sums).zip(&reaching) {
                if *count > 0 {
                    *m = s / *count as f32;
                }
            }
        }
        mean
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mean_is_taken_of_the_frames_that_reach_a_px() {
        let (width, height, factor) = (21, 37, 2);
        let frame = |k: usize| Raster {
            width,
            height,
            values: (0..width * height).map(|i| ((i * (k + 3)) % 17) as f32).collect(),
        };
        let shifts =
            [(0.0, 0.0), (3.0, -4.5), (-60.0, 1.0), (1e9, 0.0), (-7.4, 70.0), (f32::NAN, 0.0)];
        let frames: Vec<Raster> = (0..shifts.len()).map(frame).collect();
        let placed: Vec<Placed<'_>> = frames
            .iter()
            .zip(shifts)
            .map(|(reduced, (x, y))| Placed { reduced, shift: Shift::new(x, y), brightness: 2.0 })
            .collect();
        let home = Raster { width, height, values: vec![-1.0; width * height] };
        let mut mean = GeometryMean::new(&home);
        mean.add_all(&placed[..2], factor);
        mean.add_all(&placed[2..], factor);
        let mean = mean.finish();
        for y in 0..height {
            for x in 0..width {
                let (mut sum, mut count) = (0.0, 0);
                for (reduced, (dx, dy)) in frames.iter().zip(shifts) {
                    let (u, v) = (x as f32 + dx / 2.0, y as f32 + dy / 2.0);
                    // All four samples around it must be there.
                    let inside = u >= 0.0 && v >= 0.0 && u < 20.0 && v < 36.0;
                    if inside {
                        (sum, count) = (sum + reduced.bilinear(u, v) / 2.0, count + 1);
                    }
                }
                let expected = if count > 0 { sum / count as f32 } else { -1.0 };
                let found = mean.row(y)[x];
                assert!((found - expected).abs() < 1e-4, "({x}, {y}): {found} {expected}");
            }
        }
    }
}
