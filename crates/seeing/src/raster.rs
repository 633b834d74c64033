//! One plane in plain rows, and the few whole-plane operations that every stage needs.
//!
//! A [`Raster`] is what inner loops work on: a slice a row, no strides. Smoothing mirrors at the
//! edges (the edge sample is not repeated), keeps the mean of a constant, and costs one pass a
//! direction.

use multiversion::multiversion;
use ndarray::ArrayView2;
use std::ops::Range;

/// Rows of `f32` samples: `values[y * width + x]`.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Raster {
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// The samples, row after row.
    pub values: Vec<f32>,
}

impl Raster {
    /// A raster of zeros.
    pub fn zeros(width: usize, height: usize) -> Raster {
        Raster { width, height, values: vec![0.0; width * height] }
    }

    /// A copy of `plane` (rows, columns).
    pub fn of_plane(plane: ArrayView2<'_, f32>) -> Raster {
        let (height, width) = plane.dim();
        Raster { width, height, values: plane.iter().copied().collect() }
    }

    /// Make the size fit, keeping the allocation. The contents are unspecified afterwards.
    pub fn reshape(&mut self, width: usize, height: usize) {
        self.width = width;
        self.height = height;
        self.values.resize(width * height, 0.0);
    }

    /// One row.
    pub fn row(&self, y: usize) -> &[f32] {
        &self.values[y * self.width..(y + 1) * self.width]
    }

    /// One row, to write to.
    pub fn row_mut(&mut self, y: usize) -> &mut [f32] {
        &mut self.values[y * self.width..(y + 1) * self.width]
    }

    /// Mean of all samples; 0 for an empty raster.
    pub fn mean(&self) -> f32 {
        let sum = row_sum(&self.values);
        if self.values.is_empty() { 0.0 } else { (sum / self.values.len() as f64) as f32 }
    }

    /// Standard deviation of the samples of one of `step` rows; 0 for an empty raster.
    pub fn deviation(&self, step: usize) -> f32 {
        let rows = || (0..self.height).step_by(step.max(1)).map(|y| self.row(y));
        let count = (rows().count() * self.width).max(1) as f64;
        let mean = rows().map(row_sum).sum::<f64>() / count;
        let squares = rows().map(|row| squares_about(row, mean)).sum::<f64>();
        (squares / count).sqrt() as f32
    }

    /// Bilinear sample at (`x`, `y`) px; positions outside are clamped to the edge.
    pub fn bilinear(&self, x: f32, y: f32) -> f32 {
        let x = x.clamp(0.0, (self.width - 1) as f32);
        let y = y.clamp(0.0, (self.height - 1) as f32);
        let (x0, y0) = (x as usize, y as usize);
        let (x1, y1) = ((x0 + 1).min(self.width - 1), (y0 + 1).min(self.height - 1));
        let (fx, fy) = (x - x0 as f32, y - y0 as f32);
        let (top, bottom) = (self.row(y0), self.row(y1));
        let upper = top[x0] + fx * (top[x1] - top[x0]);
        let lower = bottom[x0] + fx * (bottom[x1] - bottom[x0]);
        upper + fy * (lower - upper)
    }
}

/// Lanes of the sums.
const LANES: usize = 8;

/// Sum of `values`, in double precision.
#[multiversion(targets("x86_64+avx2+bmi2"))]
pub fn row_sum(values: &[f32]) -> f64 {
    let mut lanes = [0.0f64; LANES];
    let (blocks, rest) = values.as_chunks::<LANES>();
    for block in blocks {
        for l in 0..LANES {
            lanes[l] += f64::from(block[l]);
        }
    }
    lanes.iter().sum::<f64>() + rest.iter().map(|v| f64::from(*v)).sum::<f64>()
}

/// Sum of squared differences from `mean`.
#[multiversion(targets("x86_64+avx2+bmi2"))]
fn squares_about(values: &[f32], mean: f64) -> f64 {
    let mut lanes = [0.0f64; LANES];
    let (blocks, rest) = values.as_chunks::<LANES>();
    for block in blocks {
        for l in 0..LANES {
            let off = f64::from(block[l]) - mean;
            lanes[l] += off * off;
        }
    }
    lanes.iter().sum::<f64>() + rest.iter().map(|v| (f64::from(*v) - mean).powi(2)).sum::<f64>()
}

/// Index of a mirrored sample: -1 becomes 1, `n` becomes `n - 2`.
#[inline]
pub fn mirror(index: isize, n: usize) -> usize {
    if index >= 0 && (index as usize) < n {
        return index as usize;
    }
    if n <= 1 {
        return 0;
    }
    let period = 2 * (n as isize - 1);
    let folded = index.rem_euclid(period);
    if folded >= n as isize { (period - folded) as usize } else { folded as usize }
}

/// Half of a symmetric smoothing kernel, centre first, summing (mirrored) to 1.
#[derive(Clone, Debug, PartialEq)]
pub struct Kernel(Vec<f32>);

impl Kernel {
    /// Sampled Gaussian of standard deviation `sigma_px`, cut at 3.2 sigma.
    pub fn gaussian(sigma_px: f32) -> Kernel {
        let radius = (3.2 * sigma_px).ceil().max(1.0) as usize;
        let taps = (0..=radius).map(|i| (-0.5 * (i as f32 / sigma_px).powi(2)).exp());
        Kernel::normalised(taps.collect())
    }

    /// \[1 2 1\]/4: standard deviation 0.71 px. On a Bayer mosaic it weighs red, green, green
    /// and blue samples equally at every pixel.
    pub fn binomial3() -> Kernel {
        Kernel(vec![0.5, 0.25])
    }

    /// \[1 4 1\]/6, the cubic B-spline at whole px: standard deviation 0.58 px.
    pub fn spline3() -> Kernel {
        Kernel(vec![4.0 / 6.0, 1.0 / 6.0])
    }

    /// \[1 4 6 4 1\]/16: standard deviation 1 px.
    pub fn binomial5() -> Kernel {
        Kernel(vec![0.375, 0.25, 0.0625])
    }

    fn normalised(taps: Vec<f32>) -> Kernel {
        let sum = taps[0] + 2.0 * taps[1..].iter().sum::<f32>();
        Kernel(taps.into_iter().map(|t| t / sum).collect())
    }

    /// The whole kernel, from -radius to radius.
    pub fn full(&self) -> Vec<f32> {
        self.0[1..].iter().rev().chain(self.0.iter()).copied().collect()
    }

    /// The centre's weight, then those of the samples at each distance.
    pub(crate) fn taps(&self) -> &[f32] {
        &self.0
    }

    /// Samples on each side of the centre.
    pub fn radius(&self) -> usize {
        self.0.len() - 1
    }
}

/// Smooth `source` with `kernel` along both axes into `target`; `work` is scratch.
pub fn smooth(source: &Raster, kernel: &Kernel, work: &mut Raster, target: &mut Raster) {
    let (width, height) = (source.width, source.height);
    target.reshape(width, height);
    if width == 0 || height == 0 {
        return;
    }
    let radius = kernel.radius();
    work.reshape(width + 2 * radius, 1);
    smooth_rows(source, &kernel.0, &mut work.values, target);
}

/// Row by row: down the columns into `padded` first (lanes run along x), then along the row.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512vl+avx2+bmi2", "x86_64+avx2+bmi2"))]
fn smooth_rows(source: &Raster, taps: &[f32], padded: &mut [f32], target: &mut Raster) {
    // Short kernels by loops of one length each.
    match taps.len() {
        2 => smooth_by::<2>(source, taps, padded, target),
        3 => smooth_by::<3>(source, taps, padded, target),
        4 => smooth_by::<4>(source, taps, padded, target),
        5 => smooth_by::<5>(source, taps, padded, target),
        6 => smooth_by::<6>(source, taps, padded, target),
        7 => smooth_by::<7>(source, taps, padded, target),
        8 => smooth_by::<8>(source, taps, padded, target),
        9 => smooth_by::<9>(source, taps, padded, target),
        _ => smooth_by_any(source, taps, padded, target),
    }
}

#[inline(always)]
fn smooth_by<const N: usize>(
    source: &Raster,
    taps: &[f32],
    padded: &mut [f32],
    target: &mut Raster,
) {
    let Ok(taps): Result<&[f32; N], _> = taps.try_into() else { return };
    let (width, height, radius) = (source.width, source.height, N - 1);
    for y in 0..height {
        let line = &mut padded[radius..radius + width];
        let (mut above, mut below) = ([source.row(y); N], [source.row(y); N]);
        for i in 1..N {
            above[i] = source.row(mirror(y as isize - i as isize, height));
            below[i] = source.row(mirror((y + i) as isize, height));
        }
        weigh(line, taps, &above, &below);
        mirror_ends(padded, width, radius);
        let middle = &padded[radius..radius + width];
        let (mut before, mut after) = ([middle; N], [middle; N]);
        for i in 1..N {
            before[i] = &padded[radius - i..][..width];
            after[i] = &padded[radius + i..][..width];
        }
        weigh(&mut target.values[y * width..(y + 1) * width], taps, &before, &after);
    }
}

#[inline(always)]
fn smooth_by_any(source: &Raster, taps: &[f32], padded: &mut [f32], target: &mut Raster) {
    let (width, height, radius) = (source.width, source.height, taps.len() - 1);
    let add = |out: &mut [f32], tap: f32, (a, b): (&[f32], &[f32])| {
        for ((o, a), b) in out.iter_mut().zip(a).zip(b) {
            *o += tap * (a + b);
        }
    };
    let first = |out: &mut [f32], centre: &[f32]| {
        for (o, c) in out.iter_mut().zip(centre) {
            *o = taps[0] * c;
        }
    };
    for y in 0..height {
        let line = &mut padded[radius..radius + width];
        let row = |at: isize| source.row(mirror(at, height));
        first(line, row(y as isize));
        for (i, tap) in (1..).zip(&taps[1..]) {
            add(line, *tap, (row(y as isize - i), row(y as isize + i)));
        }
        mirror_ends(padded, width, radius);
        let out = &mut target.values[y * width..(y + 1) * width];
        first(out, &padded[radius..][..width]);
        for (i, tap) in (1..).zip(&taps[1..]) {
            add(out, *tap, (&padded[radius - i..][..width], &padded[radius + i..][..width]));
        }
    }
}

/// Continue a row of `width` samples, which begins `radius` samples in, beyond both its ends.
#[inline(always)]
pub(crate) fn mirror_ends<T: Copy>(padded: &mut [T], width: usize, radius: usize) {
    for i in 1..=radius {
        padded[radius - i] = padded[radius + mirror(-(i as isize), width)];
        padded[radius + width - 1 + i] = padded[radius + mirror((width - 1 + i) as isize, width)];
    }
}

/// `out = taps[0] before[0] + sum of taps[i] (before[i] + after[i])`, block by block in registers; all rows are as long as `out`.
#[inline(always)]
fn weigh<const N: usize>(
    out: &mut [f32],
    taps: &[f32; N],
    before: &[&[f32]; N],
    after: &[&[f32]; N],
) {
    let mut x = 0;
    while x + 32 <= out.len() {
        weigh_block::<N, 32>(out, taps, before, after, x);
        x += 32;
    }
    while x + 8 <= out.len() {
        weigh_block::<N, 8>(out, taps, before, after, x);
        x += 8;
    }
    // What is left over is done with some of what is done already, once more.
    if x < out.len() && out.len() >= 8 {
        x = out.len();
        weigh_block::<N, 8>(out, taps, before, after, x - 8);
    }
    while x < out.len() {
        weigh_block::<N, 1>(out, taps, before, after, x);
        x += 1;
    }
}

#[inline(always)]
fn weigh_block<const N: usize, const LANES: usize>(
    out: &mut [f32],
    taps: &[f32; N],
    before: &[&[f32]; N],
    after: &[&[f32]; N],
    x: usize,
) {
    let mut sums = [0.0f32; LANES];
    let centre = &before[0][x..x + LANES];
    for l in 0..LANES {
        sums[l] = taps[0] * centre[l];
    }
    for i in 1..N {
        let (a, b) = (&before[i][x..x + LANES], &after[i][x..x + LANES]);
        for l in 0..LANES {
            sums[l] += taps[i] * (a[l] + b[l]);
        }
    }
    out[x..x + LANES].copy_from_slice(&sums);
}

/// Mean over blocks of `factor` x `factor` px; rows and columns that fill no block are dropped.
///
/// The centre of block (0, 0) lies at ((factor - 1) / 2, (factor - 1) / 2) of the source.
pub fn reduce(source: &Raster, factor: usize, target: &mut Raster) {
    let all = (0..source.width / factor, 0..source.height / factor);
    reduce_piece(source, factor, all, target);
}

/// The columns and rows of blocks that `piece` tells, of what [`reduce`] gives.
pub fn reduce_piece(
    source: &Raster,
    factor: usize,
    piece: (Range<usize>, Range<usize>),
    target: &mut Raster,
) {
    target.reshape(piece.0.len(), piece.1.len());
    let corner = (piece.0.start, piece.1.start);
    match factor {
        1 => reduce_by::<1>(source, corner, target),
        2 => reduce_2(source, corner, target),
        4 => reduce_4(source, corner, target),
        _ => reduce_any(source, factor, corner, target),
    }
}

#[multiversion(targets("x86_64+avx2+bmi2"))]
fn reduce_2(source: &Raster, corner: (usize, usize), target: &mut Raster) {
    reduce_by::<2>(source, corner, target);
}

#[multiversion(targets("x86_64+avx2+bmi2"))]
fn reduce_4(source: &Raster, corner: (usize, usize), target: &mut Raster) {
    reduce_by::<4>(source, corner, target);
}

#[inline(always)]
fn reduce_by<const N: usize>(source: &Raster, (left, top): (usize, usize), target: &mut Raster) {
    let width = target.width;
    let scale = 1.0 / (N * N) as f32;
    for y in 0..target.height {
        let row = |k: usize| {
            source.row((top + y) * N + k)[left * N..(left + width) * N].as_chunks::<N>().0
        };
        let rows: [&[[f32; N]]; N] = std::array::from_fn(row);
        let out = &mut target.values[y * width..(y + 1) * width];
        for (x, o) in out.iter_mut().enumerate() {
            let mut sum = 0.0;
            for row in &rows {
                sum += row[x].iter().sum::<f32>();
            }
            *o = scale * sum;
        }
    }
}

fn reduce_any(source: &Raster, factor: usize, (left, top): (usize, usize), target: &mut Raster) {
    let (width, height) = (target.width, target.height);
    let scale = 1.0 / (factor * factor) as f32;
    target.values.fill(0.0);
    for y in 0..height {
        let out = &mut target.values[y * width..(y + 1) * width];
        for row in 0..factor {
            let line = &source.row((top + y) * factor + row)[left * factor..];
            for (o, block) in out.iter_mut().zip(line.chunks_exact(factor)) {
                *o += block.iter().sum::<f32>();
            }
        }
        for o in out.iter_mut() {
            *o *= scale;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mirroring_does_not_repeat_the_edge() {
        let seen: Vec<usize> = (-3..8).map(|i| mirror(i, 5)).collect();
        assert_eq!(seen, [3, 2, 1, 0, 1, 2, 3, 4, 3, 2, 1]);
        assert_eq!(mirror(7, 1), 0);
    }

    #[test]
    fn smoothing_keeps_a_constant_and_spreads_a_point_by_sigma() {
        let (mut work, mut out) = (Raster::default(), Raster::default());
        let flat = Raster { width: 9, height: 7, values: vec![0.3; 63] };
        smooth(&flat, &Kernel::gaussian(1.7), &mut work, &mut out);
        assert!(out.values.iter().all(|v| (v - 0.3).abs() < 1e-6));

        let mut point = Raster::zeros(41, 41);
        point.row_mut(20)[20] = 1.0;
        for (kernel, sigma) in [
            (Kernel::gaussian(2.0), 2.0f32),
            (Kernel::binomial5(), 1.0),
            (Kernel::binomial3(), 0.5f32.sqrt()),
        ] {
            smooth(&point, &kernel, &mut work, &mut out);
            let mut variance = 0.0;
            for y in 0..41 {
                for x in 0..41 {
                    variance += out.row(y)[x] * (x as f32 - 20.0).powi(2);
                }
            }
            assert!((variance.sqrt() - sigma).abs() < 0.02, "{variance} {sigma}");
        }
    }
}
