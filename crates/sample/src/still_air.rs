//! What a frame through still air passes, and what the scene is to be multiplied by so that such a frame is the truth.
//!
//! The pupil's grid and a transform that folds the point-spread function back at half its side change the contrast of coarse structure: with the usual
//! 64 px 1.3 % too much at periods above 100 px and 1 % too little at 45 px. Beside a still that is off by 1 to 2 % in all that
//! would be most of what is measured.

use crate::fourier::signed;
use crate::telescope::annular_mtf;
use rayon::prelude::*;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;

/// Frequencies to the cycle per px: the function is 64 px wide, its transform changes within 1/64.
const TO_THE_CYCLE: usize = 512;
/// Directions, half a turn of them, over which a transfer is averaged.
const DIRECTIONS: u32 = 12;
/// Shares of the cut-off between which the correction fades: beyond, next to nothing is passed.
const FADES: (f64, f64) = (0.85, 0.95);

/// Transfer of a point-spread function, mean over the directions.
pub(crate) struct StillAir(Vec<f64>);

impl StillAir {
    /// Of a function of `size` x `size` px in FFT order, rows by columns.
    pub fn of(psf: &[f32], size: usize) -> StillAir {
        // A wave is the product of one along the rows and one along the columns.
        let wave = |f: f64| -> Vec<Complex64> {
            (0..size).map(|at| Complex64::cis(TAU * f * signed(at, size) as f64)).collect()
        };
        let passed = |frequency: f64| {
            let along = |direction: u32| {
                let (sin, cos) = (TAU * f64::from(direction) / f64::from(2 * DIRECTIONS)).sin_cos();
                let (across, down) = (wave(frequency * cos), wave(frequency * sin));
                let rows = psf.chunks_exact(size).zip(&down);
                let row = |row: &[f32]| -> Complex64 {
                    row.iter().zip(&across).map(|(p, w)| w * f64::from(*p)).sum()
                };
                rows.map(|(values, down)| row(values) * down).sum::<Complex64>().re
            };
            (0..DIRECTIONS).map(along).sum::<f64>() / f64::from(DIRECTIONS)
        };
        let all = (0..=TO_THE_CYCLE / 2).into_par_iter();
        StillAir(all.map(|k| passed(k as f64 / TO_THE_CYCLE as f64)).collect())
    }

    fn passed(&self, frequency: f64) -> f64 {
        let at = (frequency * TO_THE_CYCLE as f64).clamp(0.0, (self.0.len() - 1) as f64);
        let (first, t) = (at as usize, at.fract());
        let [a, b] = [first, first + 1].map(|k| self.0[k.min(self.0.len() - 1)]);
        a + t * (b - a)
    }

    /// What a wave of the scene is to be multiplied by, for a telescope of this cut-off, cycles per px.
    pub fn made_up_for(&self, frequency: f64, cutoff: f64, obstruction: f64) -> f64 {
        let share = frequency / cutoff;
        let (full, none) = FADES;
        let weight = ((none - share) / (none - full)).clamp(0.0, 1.0);
        if weight <= 0.0 {
            return 1.0;
        }
        1.0 + weight * (annular_mtf(share, obstruction) / self.passed(frequency) - 1.0)
    }
}
