//! Two-dimensional transforms of the judge, in double precision.

use rustfft::num_complex::Complex64;
use rustfft::{Fft, FftPlanner};
use std::sync::Arc;

/// Two-dimensional FFT. Forward is not scaled, `back(of(x)) = x`. Row-major, frequencies in FFT
/// order.
pub(super) struct Fft2 {
    pub(super) width: usize,
    pub(super) height: usize,
    across: [Arc<dyn Fft<f64>>; 2],
    down: [Arc<dyn Fft<f64>>; 2],
}

impl Fft2 {
    pub(super) fn new(width: usize, height: usize) -> Fft2 {
        let mut planner = FftPlanner::new();
        Fft2 {
            width,
            height,
            across: [planner.plan_fft_forward(width), planner.plan_fft_inverse(width)],
            down: [planner.plan_fft_forward(height), planner.plan_fft_inverse(height)],
        }
    }

    /// Cycles per px along x and y of entry `i`.
    pub(super) fn frequency(&self, i: usize) -> (f64, f64) {
        let signed = |k: usize, n: usize| {
            let k = k as f64;
            (if 2.0 * k > n as f64 { k - n as f64 } else { k }) / n as f64
        };
        (signed(i % self.width, self.width), signed(i / self.width, self.height))
    }

    pub(super) fn of(&self, values: &[f64]) -> Vec<Complex64> {
        let mut spectrum: Vec<Complex64> = values.iter().map(|v| Complex64::new(*v, 0.0)).collect();
        self.transform(&mut spectrum, 0);
        spectrum
    }

    pub(super) fn back(&self, spectrum: &mut [Complex64]) {
        self.transform(spectrum, 1);
        let scale = 1.0 / spectrum.len() as f64;
        spectrum.iter_mut().for_each(|v| *v *= scale);
    }

    fn transform(&self, values: &mut [Complex64], direction: usize) {
        self.across[direction].process(values);
        let mut column = vec![Complex64::default(); self.height];
        for x in 0..self.width {
            for (y, slot) in column.iter_mut().enumerate() {
                *slot = values[y * self.width + x];
            }
            self.down[direction].process(&mut column);
            for (y, slot) in column.iter().enumerate() {
                values[y * self.width + x] = *slot;
            }
        }
    }

    /// The picture of `spectrum` with its content moved so that what lay at `p + (dx, dy)`
    /// lies at `p`.
    pub(super) fn shifted(&self, spectrum: &[Complex64], dx: f64, dy: f64) -> Vec<f64> {
        let mut moved: Vec<Complex64> = spectrum
            .iter()
            .enumerate()
            .map(|(i, value)| {
                let (fx, fy) = self.frequency(i);
                // The highest frequency of an even length has no sign: it keeps its place.
                let fx = if fx == 0.5 { 0.0 } else { fx };
                let fy = if fy == 0.5 { 0.0 } else { fy };
                value * Complex64::from_polar(1.0, std::f64::consts::TAU * (fx * dx + fy * dy))
            })
            .collect();
        self.back(&mut moved);
        moved.into_iter().map(|v| v.re).collect()
    }
}
