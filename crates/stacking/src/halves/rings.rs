//! Sums over rings of spatial frequency of the spectra of two planes.

use crate::finish::fourier::Fft2;
use crate::halves::Region;
use crate::taper::{TAPER, taper};
use ndarray::ArrayView2;
use rayon::prelude::*;
use rustfft::num_complex::Complex;
use stillwright_picture::{Cancelled, Progress};

/// Pictures up to this side are transformed in one piece; larger ones in blocks.
const WHOLE: usize = 1024;
/// Side of the blocks of large pictures, px, and the most blocks along a side.
const BLOCK: usize = 512;
const BLOCKS_A_SIDE: usize = 4;

/// Raw sums over rings, already divided by the window's power.
pub(super) struct RingSums {
    pub count: Vec<f64>,
    pub cross: Vec<f64>,
    pub power_a: Vec<f64>,
    pub power_b: Vec<f64>,
    pub ring_width: f64,
    /// Independent share of the coefficients under the window.
    pub independent: f64,
}

/// Sums of count, cross power and both powers over the rings of one block.
type BlockSums = [Vec<f64>; 4];

/// Blocks of one size under a window.
struct Blocks {
    fft: Fft2<f64>,
    window: (Vec<f64>, Vec<f64>),
    /// The ring of each coefficient; beyond the last one it counts in none.
    ring_of: Vec<usize>,
    rings: usize,
}

impl Blocks {
    fn new(height: usize, width: usize, fade: f64) -> Blocks {
        let fft = Fft2::<f64>::new(height, width);
        let smaller = height.min(width) as f64;
        let mut ring_of = Vec::with_capacity(fft.spectrum_len());
        for kx in 0..fft.half_width() {
            let ring = |ky| (fft.frequency(kx, ky) * smaller).round() as usize;
            ring_of.extend((0..height).map(ring));
        }
        let window = (taper(height, fade), taper(width, fade));
        Blocks { fft, window, ring_of, rings: (smaller / 2.0).floor() as usize + 1 }
    }

    /// Sums over two spectra.
    fn sums(&self, a: &[Complex<f64>], b: &[Complex<f64>]) -> BlockSums {
        let height = self.fft.height;
        let mut sums = [const { Vec::new() }; 4];
        sums.iter_mut().for_each(|s: &mut Vec<f64>| s.resize(self.rings, 0.0));
        let columns = a.chunks_exact(height).zip(b.chunks_exact(height));
        for (kx, ((a, b), rings)) in columns.zip(self.ring_of.chunks_exact(height)).enumerate() {
            let twice = self.fft.stands_for(kx);
            for ((va, vb), ring) in a.iter().zip(b).zip(rings).filter(|(_, r)| **r < self.rings) {
                sums[0][*ring] += twice;
                sums[1][*ring] += twice * (va.re * vb.re + va.im * vb.im);
                sums[2][*ring] += twice * va.norm_sqr();
                sums[3][*ring] += twice * vb.norm_sqr();
            }
        }
        sums
    }

    /// The sums over some blocks of a region of so many px, all together.
    fn total(&self, parts: &[BlockSums], region_px: usize) -> RingSums {
        let (bh, bw) = (self.fft.height, self.fft.width);
        let mean_of =
            |w: &[f64], power: i32| w.iter().map(|v| v.powi(power)).sum::<f64>() / w.len() as f64;
        let squares = mean_of(&self.window.0, 2) * mean_of(&self.window.1, 2);
        let fourths = mean_of(&self.window.0, 4) * mean_of(&self.window.1, 4);
        let window_power = squares * (bh * bw) as f64;
        let whole = region_px as f64 / (bh * bw * parts.len()) as f64;
        // Added block by block in a fixed order, whatever thread computed them.
        let total = |i: usize, scale: f64| -> Vec<f64> {
            (0..self.rings).map(|r| scale * parts.iter().map(|p| p[i][r]).sum::<f64>()).collect()
        };
        RingSums {
            count: total(0, whole),
            cross: total(1, whole / window_power),
            power_a: total(2, whole / window_power),
            power_b: total(3, whole / window_power),
            ring_width: 1.0 / bh.min(bw) as f64,
            independent: squares * squares / fourths,
        }
    }
}

/// Sums over `region` of `a` and `b`, which fade out over `fade` of each side; in blocks where it is large.
pub(super) fn ring_sums(
    a: ArrayView2<'_, f32>,
    b: ArrayView2<'_, f32>,
    region: Region,
    fade: f64,
    progress: &dyn Progress,
) -> Result<RingSums, Cancelled> {
    let large = region.width.max(region.height) > WHOLE;
    let side = |n: usize| if large { n.min(BLOCK) } else { n };
    let (bh, bw) = (side(region.height), side(region.width));
    let along = |n: usize, block: usize| n.div_ceil(block).min(BLOCKS_A_SIDE);
    let (down, across) = (along(region.height, bh), along(region.width, bw));
    let place = |i: usize, of: usize, n: usize, block: usize| {
        if of == 1 { (n - block) / 2 } else { i * (n - block) / (of - 1) }
    };
    let blocks = Blocks::new(bh, bw, fade);
    let parts: Vec<BlockSums> = (0..down * across)
        .into_par_iter()
        .map(|block| {
            let top = region.top + place(block / across, down, region.height, bh);
            let left = region.left + place(block % across, across, region.width, bw);
            let spectrum = |plane: ArrayView2<'_, f32>| {
                windowed_spectrum(&blocks.fft, plane, (top, left), &blocks.window, progress)
            };
            Ok(blocks.sums(&spectrum(a)?, &spectrum(b)?))
        })
        .collect::<Result<_, Cancelled>>()?;
    Ok(blocks.total(&parts, region.width * region.height))
}

/// Sums over some pairs of `planes`, all of one size and looked at in one piece.
pub(super) fn ring_sums_of_pairs(
    planes: &[ArrayView2<'_, f32>],
    pairs: &[(usize, usize)],
    progress: &dyn Progress,
) -> Result<Vec<RingSums>, Cancelled> {
    let Some((height, width)) = planes.first().map(|plane| plane.dim()) else {
        return Ok(Vec::new());
    };
    let blocks = Blocks::new(height, width, TAPER);
    let spectra = planes
        .par_iter()
        .map(|plane| windowed_spectrum(&blocks.fft, *plane, (0, 0), &blocks.window, progress))
        .collect::<Result<Vec<_>, Cancelled>>()?;
    pairs
        .par_iter()
        .map(|(a, b)| {
            progress.check()?;
            Ok(blocks.total(&[blocks.sums(&spectra[*a], &spectra[*b])], height * width))
        })
        .collect()
}

pub(super) fn finite(v: f32) -> f64 {
    if v.is_finite() { f64::from(v) } else { 0.0 }
}

fn windowed_spectrum(
    fft: &Fft2<f64>,
    plane: ArrayView2<'_, f32>,
    (top, left): (usize, usize),
    window: &(Vec<f64>, Vec<f64>),
    progress: &dyn Progress,
) -> Result<Vec<Complex<f64>>, Cancelled> {
    let part = plane.slice(ndarray::s![top..top + fft.height, left..left + fft.width]);
    let (mut sum, mut weight) = (0.0, 0.0);
    for (row, wy) in part.rows().into_iter().zip(&window.0) {
        for (v, wx) in row.iter().zip(&window.1) {
            sum += wy * wx * finite(*v);
            weight += wy * wx;
        }
    }
    let mean = sum / weight;
    let mut samples = Vec::with_capacity(fft.height * fft.width);
    for (row, wy) in part.rows().into_iter().zip(&window.0) {
        samples.extend(row.iter().zip(&window.1).map(|(v, wx)| wy * wx * (finite(*v) - mean)));
    }
    let mut spectrum = vec![Complex::new(0.0, 0.0); fft.spectrum_len()];
    fft.forward(&mut samples, &mut spectrum, &mut Vec::new(), progress)?;
    Ok(spectrum)
}
