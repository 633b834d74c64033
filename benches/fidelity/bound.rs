//! What any stack of these frames could reach: the true warp undone, and each place and spatial frequency
//! of each frame weighted by its true transfer.
//!
//! With `Y` the spectra of a patch in all frames, their warp undone, and `H` the transfers there, the
//! estimate of least squared error is `sum conj(H) Y / (sum |H|^2 + N / S)`, `N` and `S` the power of noise and scene
//! (a multi-frame Wiener filter). Patches lie round the nodes of a grid and are blended by raised cosines.

use super::oracle;
use rayon::prelude::*;
use stillwright_night::picture::Plane;
use stillwright_night::sample::{SampleCapture, TrueSpreads};
use stillwright_night::seeing::fourier::{Complex32, Fourier, FourierWork};
use stillwright_night::seeing::raster::mirror;

/// Side of a patch, px: the window, and room on each side for what the transfers carry in.
const PATCH_PX: usize = 96;

/// Edge of a patch that is faded, px.
const FADE_PX: usize = 16;

/// What is told of the capture.
pub struct Known<'a> {
    /// The simulation.
    pub capture: &'a SampleCapture,
    /// Channel of the point-spread functions.
    pub channel: usize,
    /// Point of the unshifted scene that pixel (0, 0) of the result shows.
    pub origin: (f32, f32),
    /// The true picture of that channel.
    pub truth: &'a Plane,
    /// Variance of a frame's noise at a usual brightness.
    pub noise_variance: f32,
}

/// The estimate from `frames`, one channel of each.
pub fn bound(frames: &[Plane], known: &Known<'_>) -> Plane {
    let fourier = Fourier::new(PATCH_PX, PATCH_PX);
    let (height, width) = frames[0].dim();
    let Some(first) = known.capture.true_spreads(0, known.channel) else {
        return Plane::zeros((height, width));
    };
    let grid = Grid { columns: first.columns, rows: first.rows, spacing: first.spacing_px };
    let len = fourier.spectrum_len();
    let nodes = grid.columns * grid.rows;
    let mut cross = vec![Complex32::default(); nodes * len];
    let mut power = vec![0.0f32; nodes * len];
    for (index, frame) in frames.iter().enumerate() {
        let warp = known.capture.true_warp(index).unwrap();
        let spreads = known.capture.true_spreads(index, known.channel).unwrap();
        let straight = oracle::undone(frame, &warp, known.origin);
        cross.par_chunks_mut(len).zip(power.par_chunks_mut(len)).enumerate().for_each_init(
            || Work::new(&fourier),
            |work, (node, (cross, power))| {
                let at = grid.place(node);
                let seen = (at.0 as f32 + known.origin.0, at.1 as f32 + known.origin.1);
                let [dx, dy] = oracle::motion(&warp, seen.0, seen.1);
                work.transfer(&fourier, &spreads, (seen.0 + dx, seen.1 + dy));
                work.patch(&fourier, &straight, at);
                for (((c, p), h), y) in
                    cross.iter_mut().zip(power.iter_mut()).zip(&work.h).zip(&work.y)
                {
                    *c += h.conj() * y;
                    *p += h.norm_sqr();
                }
            },
        );
    }
    let ridge = noise_over_signal(&fourier, known);
    let done: Vec<Vec<f32>> = cross
        .par_chunks_mut(len)
        .zip(power.par_chunks_mut(len))
        .map_init(FourierWork::default, |work, (cross, power)| {
            for (i, (c, p)) in cross.iter_mut().zip(power.iter()).enumerate() {
                let (fx, fy) = fourier.frequency(i / PATCH_PX, i % PATCH_PX);
                *c /= p + ridge[ring(fx.hypot(fy))];
            }
            let mut values = vec![0.0; PATCH_PX * PATCH_PX];
            fourier.inverse(cross, &mut values, work);
            values
        })
        .collect();
    let mut sum = Plane::zeros((height, width));
    for (node, values) in done.iter().enumerate() {
        let at = grid.place(node);
        let reach = grid.spacing as isize;
        for dy in 1 - reach..reach {
            for dx in 1 - reach..reach {
                let (x, y) = (at.0 + dx, at.1 + dy);
                if x >= 0 && y >= 0 && (x as usize) < width && (y as usize) < height {
                    let middle = (PATCH_PX / 2) as isize;
                    let from = (middle + dy) as usize * PATCH_PX + (middle + dx) as usize;
                    sum[(y as usize, x as usize)] += raised(dx as f32 / reach as f32)
                        * raised(dy as f32 / reach as f32)
                        * values[from];
                }
            }
        }
    }
    sum
}

/// Power of the noise over that of the scene, ring by ring: the mean over patches of the truth.
fn noise_over_signal(fourier: &Fourier, known: &Known<'_>) -> Vec<f32> {
    let mut work = Work::new(fourier);
    let (height, width) = known.truth.dim();
    let (mut power, mut count) = (vec![0.0f32; PATCH_PX], vec![0.0f32; PATCH_PX]);
    for y in (0..height).step_by(PATCH_PX / 2) {
        for x in (0..width).step_by(PATCH_PX / 2) {
            work.patch(fourier, known.truth, (x as isize, y as isize));
            for (i, value) in work.y.iter().enumerate() {
                let (fx, fy) = fourier.frequency(i / PATCH_PX, i % PATCH_PX);
                power[ring(fx.hypot(fy))] += value.norm_sqr();
                count[ring(fx.hypot(fy))] += 1.0;
            }
        }
    }
    let window: f32 = (0..PATCH_PX).map(|i| fade(i).powi(2)).sum();
    let noise = known.noise_variance * window * window;
    power.iter().zip(count).map(|(p, n)| noise * n / p.max(f32::MIN_POSITIVE)).collect()
}

/// Ring of a frequency, cycles per px.
fn ring(frequency: f32) -> usize {
    ((frequency * PATCH_PX as f32).round() as usize).min(PATCH_PX - 1)
}

/// Weight of row or column `i` of a patch.
fn fade(i: usize) -> f32 {
    1.0 - raised((i.min(PATCH_PX - 1 - i) as f32 + 0.5) / FADE_PX as f32)
}

/// 1 at 0, 0 from 1 on.
fn raised(t: f32) -> f32 {
    0.5 + 0.5 * (std::f32::consts::PI * t.clamp(-1.0, 1.0)).cos()
}

struct Grid {
    columns: usize,
    rows: usize,
    spacing: usize,
}

impl Grid {
    fn place(&self, node: usize) -> (isize, isize) {
        let at = |k: usize| (k * self.spacing) as isize;
        (at(node % self.columns), at(node / self.columns))
    }
}

struct Work {
    values: Vec<f32>,
    h: Vec<Complex32>,
    y: Vec<Complex32>,
    fft: FourierWork,
}

impl Work {
    fn new(fourier: &Fourier) -> Work {
        let empty = vec![Complex32::default(); fourier.spectrum_len()];
        Work {
            values: vec![0.0; PATCH_PX * PATCH_PX],
            h: empty.clone(),
            y: empty,
            fft: FourierWork::default(),
        }
    }

    /// The transfer at a place of the picture, into `h`.
    fn transfer(&mut self, fourier: &Fourier, spreads: &TrueSpreads, place: (f32, f32)) {
        self.values.fill(0.0);
        let (side, half) = (spreads.side_px, spreads.side_px / 2);
        let along = |v: f32, n: usize| {
            let at = (v / spreads.spacing_px as f32).clamp(0.0, (n - 1) as f32);
            let first = (at as usize).min(n.saturating_sub(2));
            let share = raised(at - first as f32);
            [(first, share), ((first + 1).min(n - 1), 1.0 - share)]
        };
        for (row, wy) in along(place.1, spreads.rows) {
            for (column, wx) in along(place.0, spreads.columns) {
                let psf = &spreads.values[(row * spreads.columns + column) * side * side..]
                    [..side * side];
                for (v, line) in psf.chunks_exact(side).enumerate() {
                    let y = if v < half { v } else { v + PATCH_PX - side };
                    let to = &mut self.values[y * PATCH_PX..(y + 1) * PATCH_PX];
                    let weight = wx * wy;
                    for (u, value) in line.iter().enumerate() {
                        let x = if u < half { u } else { u + PATCH_PX - side };
                        to[x] += weight * value;
                    }
                }
            }
        }
        fourier.forward(&mut self.values, &mut self.h, &mut self.fft);
    }

    /// The patch of `frame` round a place, into `y`; mirrored beyond the frame.
    fn patch(&mut self, fourier: &Fourier, frame: &Plane, (x0, y0): (isize, isize)) {
        let (height, width) = frame.dim();
        let middle = (PATCH_PX / 2) as isize;
        for (j, line) in self.values.chunks_exact_mut(PATCH_PX).enumerate() {
            let y = mirror(y0 - middle + j as isize, height);
            for (i, value) in line.iter_mut().enumerate() {
                let x = mirror(x0 - middle + i as isize, width);
                *value = frame[(y, x)] * fade(i) * fade(j);
            }
        }
        fourier.forward(&mut self.values, &mut self.y, &mut self.fft);
    }
}
