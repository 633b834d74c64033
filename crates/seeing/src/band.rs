//! The band in which frames are compared: what is neither finer nor coarser than the scene's own detail.

use crate::raster::{Kernel, Raster, mirror, reduce, smooth};
use multiversion::multiversion;

/// Band-pass for registration: Gaussian of `fine_px` minus a Gaussian of about `coarse_px`.
///
/// The coarse one is taken on blocks of 4 px (or as told) and interpolated, which changes it by under 1 % of
/// the detail's amplitude and costs a sixteenth. Reused buffers live in here.
#[derive(Clone, Debug)]
pub struct BandPass {
    fine: Kernel,
    coarse: Kernel,
    block_px: usize,
    work: Raster,
    blocks: Raster,
    extended: Raster,
    smooth_blocks: Raster,
}

/// Side of the blocks on which the coarse Gaussian is taken where nothing else is said, px.
const BLOCK_PX: usize = 4;

impl BandPass {
    /// A band between two Gaussians, standard deviations in px, `fine_px < coarse_px`.
    pub fn new(fine_px: f32, coarse_px: f32) -> BandPass {
        BandPass::on_blocks(fine_px, coarse_px, BLOCK_PX)
    }

    /// The same, the coarse Gaussian taken on blocks of `block_px` px. Blocks of more than half of `coarse_px` leave a
    /// pattern of their own, which stays with the frame while the scene moves on.
    pub fn on_blocks(fine_px: f32, coarse_px: f32, block_px: usize) -> BandPass {
        // A block mean of n px has itself a variance of (n^2 - 1) / 12 px^2; the interpolation adds about
        // a tent of one block.
        let square = (block_px * block_px) as f32;
        let own = (square - 1.0) / 12.0 + square / 6.0;
        let rest = (coarse_px * coarse_px - own).max(1.0).sqrt() / block_px as f32;
        BandPass {
            fine: Kernel::gaussian(fine_px),
            coarse: Kernel::gaussian(rest),
            block_px,
            work: Raster::default(),
            blocks: Raster::default(),
            extended: Raster::default(),
            smooth_blocks: Raster::default(),
        }
    }

    /// Apply to `source`, into `target`.
    pub fn apply(&mut self, source: &Raster, target: &mut Raster) {
        if source.width < 2 * self.block_px || source.height < 2 * self.block_px {
            // Too small to hold a coarse structure: take the mean off.
            smooth(source, &self.fine, &mut self.work, target);
            let mean = target.mean();
            target.values.iter_mut().for_each(|v| *v -= mean);
            return;
        }
        reduce(source, self.block_px, &mut self.blocks);
        let margin = self.coarse.radius();
        extend_oddly(&self.blocks, margin, &mut self.extended);
        smooth(&self.extended, &self.coarse, &mut self.work, &mut self.smooth_blocks);
        smooth(source, &self.fine, &mut self.work, target);
        subtract_enlarged(target, &self.smooth_blocks, self.block_px, margin);
    }
}

/// Copy with `margin` more samples on every side, reflected at a point: the sample `i` beyond the
/// edge is twice the edge's minus the sample `i` inside it. A plain mirror would bend every slope
/// flat at the frame's edge, and that bend stays with the frame while the scene moves on.
fn extend_oddly(source: &Raster, margin: usize, target: &mut Raster) {
    let (width, height) = (source.width, source.height);
    target.reshape(width + 2 * margin, height + 2 * margin);
    let stride = target.width;
    // Sample beyond the edge, by the edge's and the one inside it.
    let beyond = |at: usize, n: usize| {
        let at = at as isize - margin as isize;
        (if at < 0 { 0 } else { n - 1 }, mirror(at, n))
    };
    for y in 0..height {
        let row = source.row(y);
        let out = target.row_mut(y + margin);
        out[margin..margin + width].copy_from_slice(row);
        for x in (0..margin).chain(margin + width..stride) {
            let (edge, inner) = beyond(x, width);
            out[x] = 2.0 * row[edge] - row[inner];
        }
    }
    for y in (0..margin).chain(height + margin..height + 2 * margin) {
        let (edge, inner) = beyond(y, height);
        let (edge, inner) = ((edge + margin) * stride, (inner + margin) * stride);
        for x in 0..stride {
            let value = 2.0 * target.values[edge + x] - target.values[inner + x];
            target.values[y * stride + x] = value;
        }
    }
}

/// `target -= coarse`, where `coarse` holds blocks of `factor` px, `margin` blocks more on every
/// side, and is interpolated bilinearly between their centres.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512vl+avx2+bmi2", "x86_64+avx2+bmi2"))]
fn subtract_enlarged(target: &mut Raster, coarse: &Raster, factor: usize, margin: usize) {
    match factor {
        2 => subtract_blocks::<2>(target, coarse, margin),
        4 => subtract_blocks::<4>(target, coarse, margin),
        _ => subtract_any(target, coarse, factor, margin),
    }
}

/// Row `y` of the enlarged `coarse` before it is enlarged along x, into `line`.
#[inline(always)]
fn between_rows(coarse: &Raster, y: f32, line: &mut [f32]) {
    let v = y.clamp(0.0, (coarse.height - 1) as f32);
    let y0 = (v as usize).min(coarse.height - 2);
    let fy = v - y0 as f32;
    for ((l, a), b) in line.iter_mut().zip(coarse.row(y0)).zip(coarse.row(y0 + 1)) {
        *l = a + fy * (b - a);
    }
}

/// For blocks of an even number of px, with at least one block of margin: intervals between two centres begin at a whole px.
#[inline(always)]
fn subtract_blocks<const N: usize>(target: &mut Raster, coarse: &Raster, margin: usize) {
    let centre = (N as f32 - 1.0) / 2.0 - (margin * N) as f32;
    let width = target.width;
    let mut line = vec![0.0f32; coarse.width];
    // Share of the way from one block's centre to the next, for the px of one interval; those
    // before the first whole interval (half a block) come first.
    let shares: [f32; N] = std::array::from_fn(|k| (k as f32 + 0.5) / N as f32);
    for y in 0..target.height {
        between_rows(coarse, (y as f32 - centre) / N as f32, &mut line);
        let out = &mut target.values[y * width..(y + 1) * width];
        let (head, rest) = out.split_at_mut((N / 2).min(width));
        for (o, share) in head.iter_mut().zip(&shares[N / 2..]) {
            *o -= line[margin - 1] + share * (line[margin] - line[margin - 1]);
        }
        let (blocks, last) = rest.as_chunks_mut::<N>();
        let from = &line[margin..margin + blocks.len()];
        let to = &line[margin + 1..margin + 1 + blocks.len()];
        for ((block, from), to) in blocks.iter_mut().zip(from).zip(to) {
            for (o, share) in block.iter_mut().zip(&shares) {
                *o -= from + share * (to - from);
            }
        }
        let at = (margin + blocks.len()).min(line.len() - 2);
        for (o, share) in last.iter_mut().zip(&shares) {
            *o -= line[at] + share * (line[at + 1] - line[at]);
        }
    }
}

/// For blocks of any size.
#[inline(always)]
fn subtract_any(target: &mut Raster, coarse: &Raster, factor: usize, margin: usize) {
    let centre = (factor as f32 - 1.0) / 2.0 - (margin * factor) as f32;
    let width = target.width;
    let mut line = vec![0.0f32; coarse.width];
    for y in 0..target.height {
        between_rows(coarse, (y as f32 - centre) / factor as f32, &mut line);
        for (x, o) in target.values[y * width..(y + 1) * width].iter_mut().enumerate() {
            let u = ((x as f32 - centre) / factor as f32).clamp(0.0, (coarse.width - 1) as f32);
            let x0 = (u as usize).min(coarse.width - 2);
            *o -= line[x0] + (u - x0 as f32) * (line[x0 + 1] - line[x0]);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_band_passes_its_middle_and_stops_both_ends() {
        let whole = [(0.0, 0.0, 1e-4), (0.004, 0.0, 0.06), (0.06, 0.85, 1.02), (0.4, 0.0, 0.03)];
        the_band_passes(&mut BandPass::new(1.2, 8.0), whole);
        let half = [(0.0, 0.0, 1e-4), (0.006, 0.0, 0.06), (0.1, 0.85, 1.02), (0.48, 0.0, 0.2)];
        the_band_passes(&mut BandPass::on_blocks(0.75, 5.0, 2), half);
    }

    fn the_band_passes(band: &mut BandPass, expected: [(f32, f32, f32); 4]) {
        let mut out = Raster::default();
        for (cycles_per_px, low, high) in expected {
            let mut wave = Raster::zeros(256, 256);
            for y in 0..256 {
                for (x, v) in wave.row_mut(y).iter_mut().enumerate() {
                    *v = 1.0 + (std::f32::consts::TAU * cycles_per_px * x as f32).cos();
                }
            }
            band.apply(&wave, &mut out);
            let inner = (64..192).map(|x| out.row(128)[x].abs()).fold(0.0, f32::max);
            assert!((low..=high).contains(&inner), "{cycles_per_px}: {inner}");
        }
    }
}
