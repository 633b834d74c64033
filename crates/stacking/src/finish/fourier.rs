//! Fourier transforms of planes, and filtering by a curve over spatial frequency.
//!
//! Normalisation: forward transforms are plain sums, `F(k) = sum f(x) exp(-2 pi i k x / n)`;
//! the inverse divides by the number of pixels, so there and back is the identity.
//! Output order: half of the spectrum (the rest is its mirror), *column first*: the
//! coefficient of horizontal frequency `kx` (0 to width / 2) and vertical frequency `ky`
//! (0 to height - 1, the upper half standing for negative ones) is at `kx * height + ky`.

use rayon::prelude::*;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use rustfft::num_complex::Complex;
use rustfft::num_traits::Float;
use rustfft::{Fft, FftNum, FftPlanner};
use std::sync::Arc;
use stillwright_picture::{Cancelled, Progress, Stage};

/// A number that can be transformed and compared: `f32` or `f64`.
pub(crate) trait Real: FftNum + Float {}
impl<T: FftNum + Float> Real for T {}

/// Transforms of one size of plane. Rows are shared out among threads; every row is computed
/// by itself, so the result does not depend on their number.
pub(crate) struct Fft2<T: Real> {
    /// Rows.
    pub height: usize,
    /// Columns.
    pub width: usize,
    row: Arc<dyn RealToComplex<T>>,
    row_back: Arc<dyn ComplexToReal<T>>,
    column: Arc<dyn Fft<T>>,
    column_back: Arc<dyn Fft<T>>,
}

impl<T: Real> Fft2<T> {
    /// Plans for planes of `height` rows and `width` columns, both at least 1.
    pub fn new(height: usize, width: usize) -> Fft2<T> {
        let mut real = RealFftPlanner::new();
        let mut complex = FftPlanner::new();
        Fft2 {
            height,
            width,
            row: real.plan_fft_forward(width),
            row_back: real.plan_fft_inverse(width),
            column: complex.plan_fft_forward(height),
            column_back: complex.plan_fft_inverse(height),
        }
    }

    /// Columns of the half spectrum.
    pub fn half_width(&self) -> usize {
        self.width / 2 + 1
    }

    /// Length of the half spectrum.
    pub fn spectrum_len(&self) -> usize {
        self.half_width() * self.height
    }

    /// Spatial frequency of the coefficient (`kx`, `ky`), cycles per pixel.
    pub fn frequency(&self, kx: usize, ky: usize) -> f64 {
        (kx as f64 / self.width as f64).hypot(signed_frequency(ky, self.height))
    }

    /// How often coefficients of `kx` stand in the whole spectrum: once, or with their mirror.
    pub fn stands_for(&self, kx: usize) -> f64 {
        if kx == 0 || 2 * kx == self.width { 1.0 } else { 2.0 }
    }

    /// Transform `plane` (row-major, used as scratch) into `spectrum`; `turn` is scratch that
    /// grows as needed.
    ///
    /// # Errors
    /// When cancelled, asked for at each row and column.
    pub fn forward(
        &self,
        plane: &mut [T],
        spectrum: &mut [Complex<T>],
        turn: &mut Vec<Complex<T>>,
        progress: &dyn Progress,
    ) -> Result<(), Cancelled> {
        let half = self.half_width();
        turn.resize(self.spectrum_len(), Complex::new(T::zero(), T::zero()));
        turn.par_chunks_mut(half).zip(plane.par_chunks_mut(self.width)).try_for_each_init(
            || self.row.make_scratch_vec(),
            |scratch, (out, row)| {
                progress.check()?;
                // Lengths fit by construction, so the transform cannot fail.
                let _ = self.row.process_with_scratch(row, out, scratch);
                Ok(())
            },
        )?;
        transpose(turn, spectrum, self.height, half);
        self.columns(&self.column, spectrum, progress)
    }

    /// Transform `spectrum` (used as scratch) back into `plane`.
    ///
    /// # Errors
    /// When cancelled, likewise.
    pub fn inverse(
        &self,
        spectrum: &mut [Complex<T>],
        plane: &mut [T],
        turn: &mut Vec<Complex<T>>,
        progress: &dyn Progress,
    ) -> Result<(), Cancelled> {
        let half = self.half_width();
        turn.resize(self.spectrum_len(), Complex::new(T::zero(), T::zero()));
        self.columns(&self.column_back, spectrum, progress)?;
        transpose(spectrum, turn, half, self.height);
        let pixels = T::from_usize(self.width * self.height).unwrap_or_else(T::one);
        let scale = T::one() / pixels;
        let even = self.width.is_multiple_of(2);
        turn.par_chunks_mut(half).zip(plane.par_chunks_mut(self.width)).try_for_each_init(
            || self.row_back.make_scratch_vec(),
            |scratch, (row, out)| {
                progress.check()?;
                // A real row has real first and middle coefficients; rounding leaves crumbs.
                row[0].im = T::zero();
                if even {
                    row[half - 1].im = T::zero();
                }
                let _ = self.row_back.process_with_scratch(row, out, scratch);
                out.iter_mut().for_each(|v| *v = *v * scale);
                Ok(())
            },
        )
    }

    fn columns(
        &self,
        fft: &Arc<dyn Fft<T>>,
        spectrum: &mut [Complex<T>],
        progress: &dyn Progress,
    ) -> Result<(), Cancelled> {
        let zero = Complex::new(T::zero(), T::zero());
        spectrum.par_chunks_mut(self.height).try_for_each_init(
            || vec![zero; fft.get_inplace_scratch_len()],
            |scratch, column| {
                progress.check()?;
                fft.process_with_scratch(column, scratch);
                Ok(())
            },
        )
    }
}

/// Frequency of coefficient `k` of `n`, cycles per pixel, -0.5 to 0.5.
pub(crate) fn signed_frequency(k: usize, n: usize) -> f64 {
    if 2 * k > n { (k as f64 - n as f64) / n as f64 } else { k as f64 / n as f64 }
}

/// Turn `rows` x `columns` into `columns` x `rows`, in squares that fit the cache.
fn transpose<C: Copy + Send + Sync>(from: &[C], to: &mut [C], rows: usize, columns: usize) {
    const SIDE: usize = 32;
    to.par_chunks_mut(rows * SIDE).enumerate().for_each(|(band, out)| {
        let first = band * SIDE;
        let count = out.len() / rows;
        for top in (0..rows).step_by(SIDE) {
            for row in top..(top + SIDE).min(rows) {
                let line = &from[row * columns + first..row * columns + first + count];
                for (i, value) in line.iter().enumerate() {
                    out[i * rows + row] = *value;
                }
            }
        }
    });
}

/// The smallest length from `n` on that has no prime factor above 5.
pub(crate) fn quick_length(n: usize) -> usize {
    let smooth = |mut m: usize| {
        for p in [2, 3, 5] {
            while m.is_multiple_of(p) {
                m /= p;
            }
        }
        m == 1
    };
    (n.max(2)..).find(|&m| m.is_multiple_of(2) && smooth(m)).unwrap_or(n)
}

/// What lies beyond the edges of a plane while it is filtered.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Edges {
    /// Nothing: zeros.
    #[cfg_attr(not(test), allow(dead_code))]
    Zero,
    /// The picture mirrored (the edge pixel twice), the far ends blended into each other.
    Mirror,
}

/// A linear filter that is the same everywhere, applied through the transform of a plane with
/// `pad` pixels around it.
pub(crate) struct Filter<T: Real> {
    fft: Fft2<T>,
    /// Gain of each coefficient, in the order of the spectrum.
    gain: Vec<T>,
    height: usize,
    width: usize,
    edges: Edges,
    padded: Vec<T>,
    spectrum: Vec<Complex<T>>,
    turn: Vec<Complex<T>>,
}

impl<T: Real> Filter<T> {
    /// A filter for planes of `height` x `width` with gain `curve(frequency)`.
    ///
    /// # Errors
    /// When cancelled.
    pub fn new(
        (height, width): (usize, usize),
        pad: usize,
        edges: Edges,
        curve: &(dyn Fn(f64) -> f64 + Sync),
        progress: &dyn Progress,
    ) -> Result<Filter<T>, Cancelled> {
        let fft = Fft2::new(quick_length(height + 2 * pad), quick_length(width + 2 * pad));
        let (rows, columns) = (fft.height, fft.width);
        let mut gain = vec![T::zero(); fft.spectrum_len()];
        gain.par_chunks_mut(rows).enumerate().try_for_each(|(kx, column)| {
            progress.check()?;
            for (ky, g) in column.iter_mut().enumerate() {
                let value = curve(fft.frequency(kx, ky));
                *g = T::from_f64(value).unwrap_or_else(T::zero);
            }
            Ok(())
        })?;
        Ok(Filter {
            padded: vec![T::zero(); rows * columns],
            spectrum: vec![Complex::new(T::zero(), T::zero()); fft.spectrum_len()],
            turn: Vec::new(),
            fft,
            gain,
            height,
            width,
            edges,
        })
    }

    /// Filter `plane` (row-major, height x width) into `out` of the same shape.
    ///
    /// # Errors
    /// [`Cancelled`], asked for between the passes.
    pub fn apply(
        &mut self,
        plane: &[T],
        out: &mut [T],
        progress: &dyn Progress,
        step: (usize, usize),
    ) -> Result<(), Cancelled> {
        progress.advance(Stage::Finishing, step.0, step.1)?;
        self.fill(plane);
        self.fft.forward(&mut self.padded, &mut self.spectrum, &mut self.turn, progress)?;
        progress.advance(Stage::Finishing, step.0, step.1)?;
        self.spectrum.par_iter_mut().zip(&self.gain).for_each(|(v, g)| *v = *v * *g);
        self.fft.inverse(&mut self.spectrum, &mut self.padded, &mut self.turn, progress)?;
        progress.advance(Stage::Finishing, step.0, step.1)?;
        let columns = self.fft.width;
        for (row, line) in out.chunks_mut(self.width).enumerate() {
            line.copy_from_slice(&self.padded[row * columns..row * columns + self.width]);
        }
        Ok(())
    }

    /// Lay the plane into the top left of the padded one and fill the rest.
    fn fill(&mut self, plane: &[T]) {
        let (height, width, columns) = (self.height, self.width, self.fft.width);
        let (edges, rows) = (self.edges, self.fft.height);
        let weights = blend::<T>(width, columns);
        let line_of = |row: usize, out: &mut [T]| {
            let line = &plane[row * width..(row + 1) * width];
            out[..width].copy_from_slice(line);
            for (i, w) in weights.iter().enumerate() {
                let (near, far) = (mirror(i, width), mirror(weights.len() - 1 - i, width));
                out[width + i] = match edges {
                    Edges::Zero => T::zero(),
                    Edges::Mirror => line[width - 1 - near] * (T::one() - *w) + line[far] * *w,
                };
            }
        };
        let (body, below) = self.padded.split_at_mut(height * columns);
        body.par_chunks_mut(columns).enumerate().for_each(|(row, out)| line_of(row, out));
        let down = blend::<T>(height, rows);
        let body = &*body;
        below.par_chunks_mut(columns).enumerate().for_each(|(i, out)| match edges {
            Edges::Zero => out.fill(T::zero()),
            Edges::Mirror => {
                let near = height - 1 - mirror(i, height);
                let far = mirror(down.len() - 1 - i, height);
                let (near, far) = (&body[near * columns..], &body[far * columns..]);
                for (x, v) in out.iter_mut().enumerate() {
                    *v = near[x] * (T::one() - down[i]) + far[x] * down[i];
                }
            }
        });
    }
}

/// Index of the pixel that a mirror shows `i` steps behind the edge of `n` pixels.
fn mirror(i: usize, n: usize) -> usize {
    let j = i % (2 * n);
    if j < n { j } else { 2 * n - 1 - j }
}

/// Smooth weights from 0 to 1 over the padding of a line.
fn blend<T: Real>(len: usize, padded: usize) -> Vec<T> {
    let gap = padded - len;
    (0..gap)
        .map(|i| {
            let t = (i as f64 + 0.5) / gap as f64;
            T::from_f64(0.5 - 0.5 * (std::f64::consts::PI * t).cos()).unwrap_or_else(T::zero)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use stillwright_picture::Silent;

    #[test]
    fn there_and_back_is_the_identity_for_odd_and_even_sizes() {
        for (h, w) in [(6, 10), (7, 9), (1, 4), (5, 1), (16, 15)] {
            let fft = Fft2::<f64>::new(h, w);
            let plane: Vec<f64> = (0..h * w).map(|i| ((i * i * 7 + 3) % 23) as f64).collect();
            let mut spectrum = vec![Complex::new(0.0, 0.0); fft.spectrum_len()];
            let (mut turn, mut back) = (Vec::new(), vec![0.0; h * w]);
            fft.forward(&mut plane.clone(), &mut spectrum, &mut turn, &Silent).unwrap();
            assert!((spectrum[0].re - plane.iter().sum::<f64>()).abs() < 1e-9);
            fft.inverse(&mut spectrum, &mut back, &mut turn, &Silent).unwrap();
            assert!(plane.iter().zip(&back).all(|(a, b)| (a - b).abs() < 1e-10), "{h} x {w}");
        }
    }

    #[test]
    fn a_filter_of_unit_gain_changes_nothing_and_keeps_a_flat_field_flat() {
        let (h, w) = (9, 14);
        let plane: Vec<f64> = (0..h * w).map(|i| ((i * 13) % 17) as f64).collect();
        for edges in [Edges::Zero, Edges::Mirror] {
            let mut out = vec![0.0; h * w];
            let mut all = Filter::new((h, w), 5, edges, &|_| 1.0, &Silent).unwrap();
            all.apply(&plane, &mut out, &Silent, (0, 1)).unwrap();
            assert!(plane.iter().zip(&out).all(|(a, b)| (a - b).abs() < 1e-10));
        }
        let mut out = vec![0.0; h * w];
        let curve = |f: f64| (-40.0 * f * f).exp();
        let mut blur = Filter::new((h, w), 40, Edges::Mirror, &curve, &Silent).unwrap();
        blur.apply(&vec![0.5; h * w], &mut out, &Silent, (0, 1)).unwrap();
        assert!(out.iter().all(|v| (v - 0.5f64).abs() < 1e-12));
    }

    #[test]
    fn quick_lengths_have_small_factors_only() {
        for (n, quick) in [(7, 8), (97, 100), (1000, 1000), (1001, 1024), (1, 2)] {
            assert_eq!(quick_length(n), quick);
        }
    }
}
