//! Adding frames up: each is resampled once, along its warp field, and added with weights that
//! blend from place to place without a seam.
//!
//! Work is split by strips of output rows, and every strip takes the frames in the same order:
//! the sums do not depend on the number of threads.

use crate::credible::Expected;
use crate::drizzle::{Drop, fill_gaps};
use crate::halves::Region;
use crate::strip::{Parted, Setting, Strip, StripSums, StripWork};
use ndarray::{Array, Array2, Array3, Axis, Dimension, Zip};
use rayon::prelude::*;
use stillwright_picture::{Cancelled, Picture, Progress, RawFrame};
use stillwright_seeing::field::Field;
use stillwright_seeing::sharpness::CellGrid;

/// One aligned frame, ready to be added.
pub struct Aligned {
    /// Its samples, stuck pixels mended.
    pub frame: RawFrame,
    /// Light that came through, by which its samples are divided.
    pub transparency: f32,
    /// Where each place of the reference lies in it.
    pub field: Field,
    /// Weight of each cell of the weight grid, for each of the sums it is added to; each cell has one in one of them at most.
    pub weights: Vec<Vec<f32>>,
    /// Which half stack it belongs to: 0 or 1.
    pub half: usize,
}

/// Sums and weights of two half stacks.
#[derive(Clone)]
pub struct Accumulator {
    scale: f32,
    /// First column and row of the output that is summed.
    origin: (usize, usize),
    weight_cells: CellGrid,
    /// Displacement of each channel against the middle one (dispersion by the air), px.
    channel_offsets: [(f32, f32); 3],
    /// Samples fall as drops; without, they are interpolated.
    drop: Option<Drop>,
    pub(crate) sums: [Array3<f32>; 2],
    pub(crate) weights: [Array3<f32>; 2],
    rejected: u64,
}

/// Rows of one strip. Small enough that a strip's sums stay in cache, large enough that the
/// field's expansion pays.
pub const STRIP_ROWS: usize = 32;

/// Columns and rows of the output at `scale` px to the px of frames of this size.
pub fn size_at((width, height): (usize, usize), scale: f32) -> (usize, usize) {
    let size = |n: usize| ((n as f32 * scale).round() as usize).max(1);
    (size(width), size(height))
}

impl Accumulator {
    /// Empty sums of `channels` over `width` x `height` px of the reference, times `scale`.
    pub fn new(
        channels: usize,
        (width, height): (usize, usize),
        scale: f32,
        weight_cells: CellGrid,
        channel_offsets: [(f32, f32); 3],
    ) -> Accumulator {
        let (width, height) = size_at((width, height), scale);
        let shape = (channels, height, width);
        Accumulator {
            scale,
            origin: (0, 0),
            weight_cells,
            channel_offsets,
            drop: None,
            sums: [zeros(shape), zeros(shape)],
            weights: [zeros(shape), zeros(shape)],
            rejected: 0,
        }
    }

    /// The same sums, of samples that fall as drops, if any.
    pub fn of_drops(self, drop: Option<Drop>) -> Accumulator {
        Accumulator { drop, ..self }
    }

    /// Empty sums of one part of the output only, at scale 1.
    pub fn over_region(
        channels: usize,
        region: Region,
        weight_cells: CellGrid,
        channel_offsets: [(f32, f32); 3],
    ) -> Accumulator {
        let size = (region.width, region.height);
        let whole = Accumulator::new(channels, size, 1.0, weight_cells, channel_offsets);
        Accumulator { origin: (region.left, region.top), ..whole }
    }

    /// Columns and rows of the output.
    pub fn size(&self) -> (usize, usize) {
        let (_, height, width) = self.sums[0].dim();
        (width, height)
    }

    /// Take in the sums of `other`, which must cover the same output.
    pub fn absorb(&mut self, other: &Accumulator) {
        for half in 0..2 {
            if self.sums[half].raw_dim() == other.sums[half].raw_dim() {
                self.sums[half] += &other.sums[half];
                self.weights[half] += &other.weights[half];
            }
        }
        self.rejected += other.rejected;
    }

    /// Take in the sums of `other`, in which the same frames were laid otherwise. Samples that were refused are counted in these sums only.
    pub fn absorb_another_laying(&mut self, other: &Accumulator) {
        let rejected = self.rejected;
        self.absorb(other);
        self.rejected = rejected;
    }

    /// All of `parts` as one, if there are any.
    pub fn together(parts: &[Accumulator]) -> Option<Accumulator> {
        let (first, others) = parts.split_first()?;
        let mut all = first.clone();
        others.iter().for_each(|other| all.absorb(other));
        Some(all)
    }

    /// Output samples that were refused as foreign so far.
    pub fn refused(&self) -> u64 {
        self.rejected
    }

    /// Add frames, in order, each to those of `sums` for which it has weights. All of them must cover the same output, as
    /// those do that were made alike. A frame is sampled once, however many take from it.
    ///
    /// # Errors
    /// When cancelled, asked for before each frame of each strip; the sums are worthless then.
    pub fn add_to(
        sums: &mut [Accumulator],
        frames: &[Aligned],
        expected: Option<&Expected>,
        progress: &dyn Progress,
    ) -> Result<(), Cancelled> {
        let Some(first) = sums.first() else { return Ok(()) };
        let setting = Setting {
            scale: first.scale,
            origin: first.origin,
            cells: first.weight_cells,
            offsets: first.channel_offsets,
            drop: first.drop,
            expected,
        };
        let weights: Vec<Parted<'_>> =
            frames.iter().map(|frame| Parted::of(&frame.weights)).collect();
        let strips = first.sums[0].dim().1.div_ceil(STRIP_ROWS);
        let mut parts: Vec<[Vec<StripSums<'_>>; 2]> =
            (0..strips).map(|_| [Vec::new(), Vec::new()]).collect();
        let mut counts = Vec::with_capacity(sums.len());
        for Accumulator { sums, weights, rejected, .. } in sums {
            for (half, (sums, weights)) in sums.iter_mut().zip(weights).enumerate() {
                let chunks = sums.axis_chunks_iter_mut(Axis(1), STRIP_ROWS);
                let chunks = chunks.zip(weights.axis_chunks_iter_mut(Axis(1), STRIP_ROWS));
                for (part, (sums, weights)) in parts.iter_mut().zip(chunks) {
                    part[half].push(StripSums { sums, weights });
                }
            }
            counts.push(rejected);
        }
        let targets = counts.len();
        let refused = parts
            .into_par_iter()
            .enumerate()
            .map_init(StripWork::default, |work, (strip, halves)| {
                let first_row = setting.origin.1 + strip * STRIP_ROWS;
                work.begin(&setting, first_row, targets);
                // One half after the other: the sums of both would not stay in the cache together.
                for (half, sums) in halves.into_iter().enumerate() {
                    let mut strip = Strip { sums, first_row };
                    for (frame, weights) in frames.iter().zip(&weights) {
                        if frame.half.min(1) == half {
                            progress.check()?;
                            setting.add_strip(frame, weights, &mut strip, work);
                        }
                    }
                }
                Ok(work.refused().to_vec())
            })
            .try_reduce(
                || vec![0; targets],
                |mut all, some| {
                    all.iter_mut().zip(some).for_each(|(all, some)| *all += some);
                    Ok(all)
                },
            )?;
        counts.into_iter().zip(refused).for_each(|(count, refused)| *count += refused);
        Ok(())
    }

    /// The whole stack, where nothing was added taking `fallback`'s value.
    pub fn whole(&self, fallback: Option<&Picture>) -> Picture {
        self.mean(&[0, 1], fallback)
    }

    /// The stack of one half, likewise.
    pub fn half(&self, half: usize, fallback: Option<&Picture>) -> Picture {
        self.mean(&[half], fallback)
    }

    /// One channel of what `parts` (sums that cover the same output, and the half of each) hold together, where nothing was added taking
    /// `fallback`'s value, or 0; empty without any.
    pub fn mean_of<'a>(
        parts: impl IntoIterator<Item = (&'a Accumulator, usize)>,
        channel: usize,
        fallback: Option<&Array2<f32>>,
    ) -> Array2<f32> {
        let mut parts = parts.into_iter();
        let of = |(part, half): (&'a Accumulator, usize)| {
            [&part.sums[half], &part.weights[half]].map(|all| all.index_axis(Axis(0), channel))
        };
        let Some([sum, weight]) = parts.next().map(of) else { return Array2::zeros((0, 0)) };
        let (mut sums, mut weights) = (sum.to_owned(), weight.to_owned());
        for [sum, weight] in parts.map(of) {
            sums += &sum;
            weights += &weight;
        }
        Zip::from(&mut sums).and(&weights).for_each(|sum, weight| *sum = ratio(*sum, *weight));
        fill(&mut sums, fallback);
        sums
    }

    fn mean(&self, halves: &[usize], fallback: Option<&Picture>) -> Picture {
        let mut planes = Array3::zeros(self.sums[0].raw_dim());
        if let [half] = halves {
            Zip::from(&mut planes)
                .and(&self.sums[*half])
                .and(&self.weights[*half])
                .par_for_each(|out, sum, weight| *out = ratio(*sum, *weight));
        } else {
            Zip::from(&mut planes)
                .and(&self.sums[0])
                .and(&self.sums[1])
                .and(&self.weights[0])
                .and(&self.weights[1])
                .par_for_each(|out, a, b, v, w| *out = ratio(a + b, v + w));
        }
        if self.drop.is_some() {
            fill_gaps(&mut planes);
        }
        fill(&mut planes, fallback.map(|picture| &picture.planes));
        Picture { planes }
    }
}

/// Where nothing was added: what `fallback` has there, or 0.
fn fill<D: Dimension>(means: &mut Array<f32, D>, fallback: Option<&Array<f32, D>>) {
    match fallback.filter(|f| f.raw_dim() == means.raw_dim()) {
        Some(fallback) => Zip::from(means).and(fallback).par_for_each(|o, f| {
            if o.is_nan() {
                *o = *f;
            }
        }),
        None => means.par_mapv_inplace(|o| if o.is_nan() { 0.0 } else { o }),
    }
}

/// Zeros that were written: pages of memory that are first read and then added to would be looked up twice each, which
/// stops all cores.
fn zeros(shape: (usize, usize, usize)) -> Array3<f32> {
    let mut zeros = Array3::zeros(shape);
    if let Some(all) = zeros.as_slice_mut() {
        all.par_chunks_mut(1 << 18).for_each(|some| some.fill(0.0));
    }
    zeros
}

/// A weighted mean; not a number where there is no weight.
fn ratio(sum: f32, weight: f32) -> f32 {
    if weight > 1e-9 { sum / weight } else { f32::NAN }
}

#[cfg(test)]
mod tests;
