//! One layer of turbulent air: a Kolmogorov phase screen without an outer scale.
//!
//! The power spectrum is 0.0229 r0^(-5/3) f^(-11/3), f in cycles per metre (Noll, J. Opt. Soc.
//! Am. 66, 207 (1976), eq. 21; the exact constant is 0.02289559). A Fourier transform alone
//! would lose all waves longer than the screen, and with them a fifth of the image motion of an
//! 8-inch telescope under a 16 m screen. So waves from the screen's length down to 1/3^14 of its
//! fundamental frequency are added one by one, ever coarser rings of the spectrum round zero (the
//! subharmonics of Lane, Glindemann and Dainty, Waves in Random Media 2, 209 (1992)). Two things
//! differ from that paper:
//! - near zero frequency the spectrum falls so steeply within one cell that its value at the
//!   cell's middle misrepresents the cell. Each cell of low index has the power that gives the
//!   cell's true contribution to mean square *slope*, the integral of f² times the spectrum;
//! - the long waves are kept as waves, not added into the array. The array repeats without a
//!   seam, the waves run on: so wind can carry the screen over the telescope for as long as it
//!   likes, and the phase has neither edges nor jumps.
//!
//! The structure function is Kolmogorov's up to about a quarter of the array's side; beyond, the
//! repetition shows.
//!
//! Waves shorter than two samples are not there: 0.0863 (r0 f)^(-5/3) rad² for the Nyquist
//! frequency f, which is 1 or 2 % of a radian² in a usual night.

use crate::fourier::{position, signed, transform};
use crate::random::{Purpose, Random};
use rayon::prelude::*;
use rustfft::num_complex::Complex32;
use std::f64::consts::TAU;

/// Constant of the Kolmogorov phase spectrum (Noll 1976, eq. 21, to more digits).
const SPECTRUM: f64 = 0.022_895_59;
/// Rings of long waves; each is three times longer than the one before. With fewer, the slowest
/// image motion is missing (each ring holds a third less than the one before it).
const RINGS: i32 = 14;
/// Cells with both indices up to this get their integrated power; beyond, the spectrum is flat
/// enough within a cell (the difference is below 1e-3).
const STEEP: isize = 12;

/// One wave longer than the screen: `a cos(kx x + ky y) + b sin(kx x + ky y)`.
#[derive(Clone, Copy, Debug)]
struct Wave {
    kx: f64,
    ky: f64,
    a: f64,
    b: f64,
}

/// Phase in radians over a plane, for r0 = 1 m at the wavelength in hand; multiply by
/// r0^(-5/6) (in metres) for another r0.
///
/// Made of an array of `size` x `size` samples that repeats without end, and of waves longer
/// than the array. Positions are in samples, x to the right, y down.
pub struct PhaseScreen {
    size: usize,
    stride: usize,
    /// The array, its first rows and columns repeated at its end so that any window of up to
    /// `pad` samples is contiguous.
    phase: Vec<f32>,
    waves: Vec<Wave>,
    step_m: f64,
}

/// Mean of f² times the spectrum over the square cell (`cx`, `cy`) of unit side, divided by f²
/// at its middle: the power density that gives the cell's true mean square slope.
fn cell_power(cx: f64, cy: f64) -> f64 {
    const FINE: usize = 24;
    let offset = |i: usize| (i as f64 + 0.5) / FINE as f64 - 0.5;
    let mut sum = 0.0;
    for i in 0..FINE {
        for j in 0..FINE {
            let (x, y) = (cx + offset(i), cy + offset(j));
            sum += (x * x + y * y).powf(1.0 - 11.0 / 6.0);
        }
    }
    sum / (FINE * FINE) as f64 / (cx * cx + cy * cy)
}

impl PhaseScreen {
    /// Two independent screens of `size` x `size` samples (a power of two), `step_m` metres
    /// apart; the `index` numbers the pairs of one seed. Windows handed out by
    /// [`window`](Self::window) may be up to `pad` samples wide.
    pub fn pair(seed: u64, index: u64, size: usize, step_m: f64, pad: usize) -> [PhaseScreen; 2] {
        let step_f = 1.0 / (size as f64 * step_m);
        // Amplitude of cell k: sqrt(power density x cell area).
        let scale = SPECTRUM.sqrt() * step_f.powf(1.0 - 11.0 / 6.0);
        let steep = (STEEP + 1) as usize;
        let table: Vec<f64> = (0..steep * steep)
            .map(|i| if i == 0 { 0.0 } else { cell_power((i % steep) as f64, (i / steep) as f64) })
            .collect();
        let mut field = vec![Complex32::default(); size * size];
        field.par_chunks_mut(size).enumerate().for_each(|(y, row)| {
            let mut random = Random::stream(seed, Purpose::Screen, (index << 20) + y as u64);
            let ky = signed(y, size);
            for (x, value) in row.iter_mut().enumerate() {
                let kx = signed(x, size);
                let (ax, ay) = (kx.unsigned_abs(), ky.unsigned_abs());
                let power = if ax < steep && ay < steep {
                    table[ay * steep + ax]
                } else {
                    ((ax * ax + ay * ay) as f64).powf(-11.0 / 6.0)
                };
                let amplitude = scale * power.sqrt();
                let (re, im) = (random.normal(), random.normal());
                *value = Complex32::new((amplitude * re) as f32, (amplitude * im) as f32);
            }
        });
        transform(&mut field, size, size, true);
        let stride = size + pad;
        let part = |which: usize, take: fn(&Complex32) -> f32| {
            let mut phase = vec![0.0f32; stride * stride];
            phase.par_chunks_mut(stride).enumerate().for_each(|(y, row)| {
                let from = &field[(y % size) * size..][..size];
                for (x, to) in row.iter_mut().enumerate() {
                    *to = take(&from[x % size]);
                }
            });
            let mut random = Random::stream(seed, Purpose::LongWaves, index * 2 + which as u64);
            let waves = long_waves(&mut random, scale, size);
            PhaseScreen { size, stride, phase, waves, step_m }
        };
        [part(0, |c| c.re), part(1, |c| c.im)]
    }

    /// Metres between samples.
    pub fn step_m(&self) -> f64 {
        self.step_m
    }

    /// Samples per row of the slices that [`window`](Self::window) gives.
    pub fn stride(&self) -> usize {
        self.stride
    }

    /// The repeating array from sample (`x`, `y`) on (any integers), as a slice whose rows are
    /// [`stride`](Self::stride) apart.
    pub fn window(&self, x: i64, y: i64) -> &[f32] {
        let (x, y) = (position(x as isize, self.size), position(y as isize, self.size));
        &self.phase[y * self.stride + x..]
    }

    /// Slope of the long waves at a place, radians per sample to the right and down. Over an
    /// aperture of a few hundredths of the array's side, slope is all there is to them.
    pub fn long_slope(&self, x: f64, y: f64) -> (f64, f64) {
        let (mut sx, mut sy) = (0.0, 0.0);
        for w in &self.waves {
            let (sin, cos) = (w.kx * x + w.ky * y).sin_cos();
            let along = w.b * cos - w.a * sin;
            sx += along * w.kx;
            sy += along * w.ky;
        }
        (sx, sy)
    }

    /// Phase of array and long waves together at sample (`x`, `y`).
    pub fn phase_at(&self, x: i64, y: i64) -> f64 {
        let long: f64 = self
            .waves
            .iter()
            .map(|w| {
                let (sin, cos) = (w.kx * x as f64 + w.ky * y as f64).sin_cos();
                w.a * cos + w.b * sin
            })
            .sum();
        f64::from(self.window(x, y)[0]) + long
    }
}

/// The waves longer than `size` samples: in each ring the four of eight cells that are not each
/// other's mirror image.
fn long_waves(random: &mut Random, scale: f64, size: usize) -> Vec<Wave> {
    let mut waves = Vec::with_capacity(4 * RINGS as usize);
    for ring in 1..=RINGS {
        let shrink = 3f64.powi(-ring);
        for (cx, cy) in [(1.0, 0.0), (0.0, 1.0), (1.0, 1.0), (1.0, -1.0)] {
            // Power density times cell area in units of the array's own cells, and twice it,
            // since the mirror image is left out.
            let power = 2.0 * cell_power(cx, cy) * shrink.powf(2.0 - 11.0 / 3.0);
            let amplitude = scale * power.sqrt();
            let k = TAU * shrink / size as f64;
            let (a, b) = (amplitude * random.normal(), amplitude * random.normal());
            waves.push(Wave { kx: k * cx, ky: k * cy, a, b });
        }
    }
    waves
}

impl std::fmt::Debug for PhaseScreen {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "PhaseScreen({} x {} samples of {} m)", self.size, self.size, self.step_m)
    }
}
