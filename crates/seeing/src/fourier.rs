//! Two-dimensional FFT of real rasters.

use rayon::prelude::*;
pub use realfft::num_complex::Complex32;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use rustfft::{Fft, FftPlanner};
use std::sync::Arc;

/// Plans for one size. Forward is not scaled, `inverse(forward(x)) = x`.
///
/// A spectrum holds `width / 2 + 1` columns of `height` values each, *column after column*
/// (`spectrum[u * height + v]`), frequencies in FFT order.
#[derive(Clone)]
pub struct Fourier {
    /// Columns of the raster.
    pub width: usize,
    /// Rows of the raster.
    pub height: usize,
    row_forward: Arc<dyn RealToComplex<f32>>,
    row_inverse: Arc<dyn ComplexToReal<f32>>,
    column_forward: Arc<dyn Fft<f32>>,
    column_inverse: Arc<dyn Fft<f32>>,
}

/// Buffers of one worker.
#[derive(Clone, Debug, Default)]
pub struct FourierWork {
    rows: Vec<Complex32>,
    scratch: Vec<Complex32>,
}

impl Fourier {
    /// Plans for `width` x `height` rasters, both at least 1.
    pub fn new(width: usize, height: usize) -> Fourier {
        let mut real = RealFftPlanner::new();
        let mut complex = FftPlanner::new();
        Fourier {
            width,
            height,
            row_forward: real.plan_fft_forward(width),
            row_inverse: real.plan_fft_inverse(width),
            column_forward: complex.plan_fft_forward(height),
            column_inverse: complex.plan_fft_inverse(height),
        }
    }

    /// Columns of a spectrum.
    pub fn columns(&self) -> usize {
        self.width / 2 + 1
    }

    /// Length of a spectrum.
    pub fn spectrum_len(&self) -> usize {
        self.columns() * self.height
    }

    /// Frequency of spectrum entry (`u`, `v`), cycles per px along x and y.
    pub fn frequency(&self, u: usize, v: usize) -> (f32, f32) {
        let signed = if v <= self.height / 2 { v as f32 } else { v as f32 - self.height as f32 };
        (u as f32 / self.width as f32, signed / self.height as f32)
    }

    fn prepare(&self, work: &mut FourierWork) {
        work.rows.resize(self.spectrum_len(), Complex32::default());
        let scratch = [
            self.row_forward.get_scratch_len(),
            self.row_inverse.get_scratch_len(),
            self.column_forward.get_inplace_scratch_len(),
            self.column_inverse.get_inplace_scratch_len(),
        ];
        let longest = scratch.into_iter().max().unwrap_or(0);
        if work.scratch.len() < longest {
            work.scratch.resize(longest, Complex32::default());
        }
    }

    /// Transform `values` (`width * height` of them, destroyed) into `spectrum`.
    pub fn forward(&self, values: &mut [f32], spectrum: &mut [Complex32], work: &mut FourierWork) {
        self.prepare(work);
        self.rows_forward(values, &mut work.rows, &mut work.scratch);
        transpose(&work.rows, self.columns(), self.height, spectrum);
        self.column_forward.process_with_scratch(spectrum, &mut work.scratch);
    }

    /// Transform `spectrum` (destroyed) back into `values`.
    pub fn inverse(&self, spectrum: &mut [Complex32], values: &mut [f32], work: &mut FourierWork) {
        self.prepare(work);
        self.column_inverse.process_with_scratch(spectrum, &mut work.scratch);
        transpose(spectrum, self.height, self.columns(), &mut work.rows);
        self.rows_inverse(&mut work.rows, values, &mut work.scratch);
    }

    /// Rows of `values` (destroyed), one after the other, into as many `rows` of a spectrum.
    fn rows_forward(&self, values: &mut [f32], rows: &mut [Complex32], scratch: &mut [Complex32]) {
        let lines = values.chunks_exact_mut(self.width);
        for (line, row) in lines.zip(rows.chunks_exact_mut(self.columns())) {
            // Lengths are those of the plan by construction, the only way this can fail.
            let _ = self.row_forward.process_with_scratch(line, row, scratch);
        }
    }

    /// `rows` of a spectrum (destroyed) back into as many rows of `values`.
    fn rows_inverse(&self, rows: &mut [Complex32], values: &mut [f32], scratch: &mut [Complex32]) {
        let columns = self.columns();
        let scale = 1.0 / (self.width * self.height) as f32;
        let lines = values.chunks_exact_mut(self.width);
        for (line, row) in lines.zip(rows.chunks_exact_mut(columns)) {
            // A real raster has real first and (even widths) last columns; rounding leaves
            // traces there, which the plan would refuse.
            row[0].im = 0.0;
            if self.width.is_multiple_of(2) {
                row[columns - 1].im = 0.0;
            }
            let _ = self.row_inverse.process_with_scratch(row, line, scratch);
            line.iter_mut().for_each(|v| *v *= scale);
        }
    }
}

/// Rows or columns that one core transforms in turn.
const LINES: usize = 16;

/// The same on all cores, for large rasters; bit for bit.
impl Fourier {
    /// [`Fourier::forward`] on all cores.
    pub fn forward_wide(&self, values: &mut [f32], spectrum: &mut [Complex32]) {
        let (columns, height) = (self.columns(), self.height);
        let mut rows = vec![Complex32::default(); self.spectrum_len()];
        let lines = values.par_chunks_mut(LINES * self.width);
        lines.zip(rows.par_chunks_mut(LINES * columns)).for_each_init(
            || vec![Complex32::default(); self.row_forward.get_scratch_len()],
            |scratch, (lines, rows)| self.rows_forward(lines, rows, scratch),
        );
        transpose_wide(&rows, columns, height, spectrum);
        columns_wide(&*self.column_forward, spectrum);
    }

    /// [`Fourier::inverse`] on all cores.
    pub fn inverse_wide(&self, spectrum: &mut [Complex32], values: &mut [f32]) {
        let (columns, height) = (self.columns(), self.height);
        columns_wide(&*self.column_inverse, spectrum);
        let mut rows = vec![Complex32::default(); self.spectrum_len()];
        transpose_wide(spectrum, height, columns, &mut rows);
        let lines = values.par_chunks_mut(LINES * self.width);
        lines.zip(rows.par_chunks_mut(LINES * columns)).for_each_init(
            || vec![Complex32::default(); self.row_inverse.get_scratch_len()],
            |scratch, (lines, rows)| self.rows_inverse(rows, lines, scratch),
        );
    }
}

fn columns_wide(fft: &dyn Fft<f32>, spectrum: &mut [Complex32]) {
    spectrum.par_chunks_mut(LINES * fft.len()).for_each_init(
        || vec![Complex32::default(); fft.get_inplace_scratch_len()],
        |scratch, columns| fft.process_with_scratch(columns, scratch),
    );
}

fn transpose_wide(source: &[Complex32], width: usize, height: usize, target: &mut [Complex32]) {
    target.par_chunks_mut(LINES * height).enumerate().for_each(|(k, target)| {
        let first = k * LINES;
        for y0 in (0..height).step_by(LINES) {
            for (x, column) in target.chunks_exact_mut(height).enumerate() {
                for (y, out) in column.iter_mut().enumerate().skip(y0).take(LINES) {
                    *out = source[y * width + first + x];
                }
            }
        }
    });
}

/// `target[x * height + y] = source[y * width + x]`, in blocks that stay in cache.
fn transpose(source: &[Complex32], width: usize, height: usize, target: &mut [Complex32]) {
    const BLOCK: usize = 16;
    for y0 in (0..height).step_by(BLOCK) {
        for x0 in (0..width).step_by(BLOCK) {
            for y in y0..(y0 + BLOCK).min(height) {
                for x in x0..(x0 + BLOCK).min(width) {
                    target[x * height + y] = source[y * width + x];
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn agrees_with_the_defining_sum_and_inverts_itself() {
        for (width, height) in [(8, 6), (7, 5), (1, 4), (16, 1)] {
            let fourier = Fourier::new(width, height);
            let mut work = FourierWork::default();
            let values: Vec<f32> =
                (0..width * height).map(|i| ((i * 37 + 11) % 23) as f32 / 7.0 - 1.5).collect();
            let mut spectrum = vec![Complex32::default(); fourier.spectrum_len()];
            fourier.forward(&mut values.clone(), &mut spectrum, &mut work);
            for u in 0..fourier.columns() {
                for v in 0..height {
                    let (fx, fy) = fourier.frequency(u, v);
                    let mut sum = Complex32::default();
                    for y in 0..height {
                        for x in 0..width {
                            let phase = -std::f32::consts::TAU * (fx * x as f32 + fy * y as f32);
                            sum += Complex32::from_polar(values[y * width + x], phase);
                        }
                    }
                    assert!((sum - spectrum[u * height + v]).norm() < 1e-3);
                }
            }
            let mut back = vec![0.0; width * height];
            fourier.inverse(&mut spectrum, &mut back, &mut work);
            for (a, b) in values.iter().zip(&back) {
                assert!((a - b).abs() < 1e-5);
            }
        }
    }

    #[test]
    fn all_cores_find_what_one_does() {
        for (width, height) in [(8, 6), (7, 5), (1, 4), (16, 1), (45, 38), (70, 133)] {
            let fourier = Fourier::new(width, height);
            let mut work = FourierWork::default();
            let values: Vec<f32> =
                (0..width * height).map(|i| ((i * 37 + 11) % 23) as f32 / 7.0 - 1.5).collect();
            let [mut one, mut all] =
                [0, 1].map(|_| vec![Complex32::default(); fourier.spectrum_len()]);
            fourier.forward(&mut values.clone(), &mut one, &mut work);
            fourier.forward_wide(&mut values.clone(), &mut all);
            assert_eq!(one, all);
            let [mut by_one, mut by_all] = [0, 1].map(|_| vec![0.0; width * height]);
            fourier.inverse(&mut one, &mut by_one, &mut work);
            fourier.inverse_wide(&mut all, &mut by_all);
            assert_eq!(by_one, by_all);
        }
    }
}
