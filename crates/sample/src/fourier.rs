//! Two-dimensional Fourier transforms: big ones made once (screens, scene), small ones made a
//! hundred thousand times (pupil, tile).
//!
//! No transform here is normalised: forward and inverse in turn multiply by the number of
//! samples. Frequencies come in FFT order: 0, 1, .. , -2, -1.

use rayon::prelude::*;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use rustfft::num_complex::Complex32;
use rustfft::{Fft, FftPlanner};
use std::sync::Arc;

/// Smallest even number not below `n` whose prime factors are 2, 3 and 5 only.
pub(crate) fn good_size(n: usize) -> usize {
    let mut size = n.max(2).next_multiple_of(2);
    loop {
        let mut rest = size;
        for factor in [2, 3, 5] {
            while usize::is_multiple_of(rest, factor) {
                rest /= factor;
            }
        }
        if rest == 1 {
            return size;
        }
        size += 2;
    }
}

/// Signed frequency index of position `i` in a transform of `n` samples.
pub(crate) fn signed(i: usize, n: usize) -> isize {
    if i <= (n - 1) / 2 { i as isize } else { i as isize - n as isize }
}

/// Position of the signed frequency index `k` in a transform of `n` samples.
pub(crate) fn position(k: isize, n: usize) -> usize {
    k.rem_euclid(n as isize) as usize
}

/// Write the transpose of `from` (`rows` x `columns`) to `to` (`columns` x `rows`), in blocks
/// that stay in the cache.
fn transpose(from: &[Complex32], to: &mut [Complex32], rows: usize, columns: usize) {
    const BLOCK: usize = 16;
    to.par_chunks_mut(rows * BLOCK).enumerate().for_each(|(chunk, to)| {
        let first = chunk * BLOCK;
        let count = to.len() / rows;
        for y0 in (0..rows).step_by(BLOCK) {
            for x in 0..count {
                for y in y0..(y0 + BLOCK).min(rows) {
                    to[x * rows + y] = from[y * columns + first + x];
                }
            }
        }
    });
}

/// Transform `rows` x `columns` samples in place, in all threads; `inverse` takes the sign
/// exp(+2 pi i f x). Allocates as much again.
pub(crate) fn transform(data: &mut [Complex32], rows: usize, columns: usize, inverse: bool) {
    let mut planner = FftPlanner::new();
    let mut plan = |n| {
        if inverse { planner.plan_fft_inverse(n) } else { planner.plan_fft_forward(n) }
    };
    let (along_rows, along_columns) = (plan(columns), plan(rows));
    let each = |fft: &Arc<dyn Fft<f32>>, data: &mut [Complex32], n: usize| {
        data.par_chunks_mut(n * 8).for_each_init(
            || vec![Complex32::default(); fft.get_inplace_scratch_len()],
            |scratch, rows| fft.process_with_scratch(rows, scratch),
        );
    };
    each(&along_rows, data, columns);
    let mut turned = vec![Complex32::default(); data.len()];
    transpose(data, &mut turned, rows, columns);
    each(&along_columns, &mut turned, rows);
    transpose(&turned, data, columns, rows);
}

/// Copy the low frequencies of one spectrum (rows, columns) to a spectrum of another size,
/// scaling each by `weight(ky, kx)` (signed indices); what does not fit is dropped.
pub(crate) fn resize_spectrum(
    from: &[Complex32],
    (rows, columns): (usize, usize),
    (new_rows, new_columns): (usize, usize),
    weight: impl Fn(isize, isize) -> f32 + Sync,
) -> Vec<Complex32> {
    let mut to = vec![Complex32::default(); new_rows * new_columns];
    let half = |a: usize, b: usize| ((a.min(b) - 1) / 2) as isize;
    let (top, side) = (half(rows, new_rows), half(columns, new_columns));
    to.par_chunks_mut(new_columns).enumerate().for_each(|(y, row)| {
        let ky = signed(y, new_rows);
        if ky.abs() > top {
            return;
        }
        let source = &from[position(ky, rows) * columns..][..columns];
        for kx in -side..=side {
            row[position(kx, new_columns)] = source[position(kx, columns)] * weight(ky, kx);
        }
    });
    to
}

/// Plans for the tile convolution: real patches of `size` x `size` samples. Spectra are stored
/// turned: `size / 2 + 1` columns of `size` frequencies.
pub(crate) struct PatchPlans {
    /// Side of a patch, even.
    pub size: usize,
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
    down: Arc<dyn Fft<f32>>,
    up: Arc<dyn Fft<f32>>,
}

/// Work space of one thread for [`PatchPlans`].
pub(crate) struct PatchScratch {
    row: Vec<Complex32>,
    real_row: Vec<f32>,
    scratch: Vec<Complex32>,
}

impl PatchPlans {
    pub fn new(size: usize) -> PatchPlans {
        let mut real = RealFftPlanner::new();
        let mut complex = FftPlanner::new();
        PatchPlans {
            size,
            forward: real.plan_fft_forward(size),
            inverse: real.plan_fft_inverse(size),
            down: complex.plan_fft_forward(size),
            up: complex.plan_fft_inverse(size),
        }
    }

    /// Complex numbers of one spectrum.
    pub fn spectrum_len(&self) -> usize {
        (self.size / 2 + 1) * self.size
    }

    pub fn scratch(&self) -> PatchScratch {
        let lengths = [
            self.forward.get_scratch_len(),
            self.inverse.get_scratch_len(),
            self.down.get_inplace_scratch_len(),
            self.up.get_inplace_scratch_len(),
        ];
        PatchScratch {
            row: vec![Complex32::default(); self.size / 2 + 1],
            real_row: vec![0.0; self.size],
            scratch: vec![Complex32::default(); lengths.into_iter().max().unwrap_or(0)],
        }
    }

    /// Spectrum of a patch. `fill(y, row)` writes row `y` and says whether it holds anything
    /// but zeros.
    pub fn forward(
        &self,
        spectrum: &mut [Complex32],
        work: &mut PatchScratch,
        mut fill: impl FnMut(usize, &mut [f32]) -> bool,
    ) {
        let n = self.size;
        for y in 0..n {
            let column_ends = spectrum.iter_mut().skip(y).step_by(n);
            if fill(y, &mut work.real_row) {
                let real = &mut work.real_row;
                // Lengths are those of the plan: this cannot fail.
                let _ = self.forward.process_with_scratch(real, &mut work.row, &mut work.scratch);
                column_ends.zip(&work.row).for_each(|(to, from)| *to = *from);
            } else {
                column_ends.for_each(|to| *to = Complex32::default());
            }
        }
        self.down.process_with_scratch(spectrum, &mut work.scratch);
    }

    /// The patch of a spectrum, which is destroyed: `take(y, row)` is given the wanted `rows`.
    pub fn inverse(
        &self,
        spectrum: &mut [Complex32],
        work: &mut PatchScratch,
        rows: std::ops::Range<usize>,
        mut take: impl FnMut(usize, &[f32]),
    ) {
        let n = self.size;
        self.up.process_with_scratch(spectrum, &mut work.scratch);
        for y in rows {
            let column_ends = spectrum.iter().skip(y).step_by(n);
            work.row.iter_mut().zip(column_ends).for_each(|(to, from)| *to = *from);
            // Exactly real in theory, nearly so in floats; the plan insists on it.
            work.row[0].im = 0.0;
            work.row[n / 2].im = 0.0;
            let real = &mut work.real_row;
            let _ = self.inverse.process_with_scratch(&mut work.row, real, &mut work.scratch);
            take(y, &work.real_row);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::random::{Purpose, Random};
    use std::f64::consts::TAU;

    #[test]
    fn sizes_are_even_and_smooth() {
        let found: Vec<usize> = [1, 64, 95, 97, 101, 122].into_iter().map(good_size).collect();
        assert_eq!(found, [2, 64, 96, 100, 108, 128]);
    }

    #[test]
    fn the_big_transform_is_the_sum_it_stands_for() {
        let (rows, columns) = (6, 20);
        let mut random = Random::stream(1, Purpose::Noise, 0);
        let mut draw = || Complex32::new(random.normal() as f32, random.normal() as f32);
        let data: Vec<Complex32> = (0..rows * columns).map(|_| draw()).collect();
        let mut fast = data.clone();
        transform(&mut fast, rows, columns, false);
        for (ky, kx) in [(0, 0), (1, 3), (5, 19), (3, 10)] {
            let (mut re, mut im) = (0.0, 0.0);
            for y in 0..rows {
                for x in 0..columns {
                    let turn = (ky * y) as f64 / rows as f64 + (kx * x) as f64 / columns as f64;
                    let (s, c) = (-TAU * turn).sin_cos();
                    let v = data[y * columns + x];
                    re += f64::from(v.re) * c - f64::from(v.im) * s;
                    im += f64::from(v.re) * s + f64::from(v.im) * c;
                }
            }
            let found = fast[ky * columns + kx];
            assert!((f64::from(found.re) - re).hypot(f64::from(found.im) - im) < 1e-4);
        }
        transform(&mut fast, rows, columns, true);
        for (a, b) in fast.iter().zip(&data) {
            assert!((a / (rows * columns) as f32 - b).norm() < 1e-5);
        }
    }

    #[test]
    fn patches_are_convolved_as_by_hand() {
        let n = 12;
        let plans = PatchPlans::new(n);
        let mut work = plans.scratch();
        let mut random = Random::stream(2, Purpose::Noise, 0);
        let scene: Vec<f32> = (0..n * n).map(|_| random.uniform() as f32).collect();
        let mut spread = vec![0.0f32; n * n];
        for (at, v) in [(0, 0.5), (1, 0.25), (n - 1, 0.15), (2 * n, 0.1)] {
            spread[at] = v;
        }
        let mut a = vec![Complex32::default(); plans.spectrum_len()];
        let mut b = a.clone();
        plans.forward(&mut a, &mut work, |y, row| {
            row.copy_from_slice(&scene[y * n..][..n]);
            true
        });
        plans.forward(&mut b, &mut work, |y, row| {
            row.copy_from_slice(&spread[y * n..][..n]);
            y == 0 || y == 2
        });
        a.iter_mut().zip(&b).for_each(|(a, b)| *a *= b);
        plans.inverse(&mut a, &mut work, 3..7, |y, row| {
            for (x, found) in row.iter().enumerate() {
                let pixel = |x: usize, y: usize| scene[y * n + x % n];
                let by_hand = 0.5 * pixel(x, y)
                    + 0.25 * pixel(x + n - 1, y)
                    + 0.15 * pixel(x + 1, y)
                    + 0.1 * pixel(x, y - 2);
                assert!((found / (n * n) as f32 - by_hand).abs() < 1e-6);
            }
        });
    }
}
