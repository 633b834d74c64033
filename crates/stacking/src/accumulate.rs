//! Adding frames up: each is resampled once, along its warp field, and added with weights that
//! blend from place to place without a seam.
//!
//! Work is split by strips of output rows, and every strip takes the frames in the same order:
//! the sums do not depend on the number of threads.

use crate::credible::Expected;
use crate::drizzle::{Drop, fill_gaps};
use crate::halves::Region;
use crate::strip::{Setting, Strip, StripWork};
use ndarray::{Array3, Axis, Zip};
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
    /// Weight of each cell of the weight grid, for each of the sums it is added to.
    pub weights: Vec<Vec<f32>>,
    /// Which half stack it belongs to: 0 or 1.
    pub half: usize,
}

/// Sums and weights of two half stacks.
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

impl Accumulator {
    /// Empty sums of `channels` over `width` x `height` px of the reference, times `scale`.
    pub fn new(
        channels: usize,
        (width, height): (usize, usize),
        scale: f32,
        weight_cells: CellGrid,
        channel_offsets: [(f32, f32); 3],
    ) -> Accumulator {
        let size = |n: usize| ((n as f32 * scale).round() as usize).max(1);
        let shape = (channels, size(height), size(width));
        Accumulator {
            scale,
            origin: (0, 0),
            weight_cells,
            channel_offsets,
            drop: None,
            sums: [Array3::zeros(shape), Array3::zeros(shape)],
            weights: [Array3::zeros(shape), Array3::zeros(shape)],
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

    /// Output samples that were refused as foreign so far.
    pub fn refused(&self) -> u64 {
        self.rejected
    }

    /// Add frames, in order, with the weights that each has for the sums of number `target`.
    ///
    /// # Errors
    /// When cancelled, asked for before each frame of each strip; the sums are worthless then.
    pub fn add(
        &mut self,
        frames: &[Aligned],
        target: usize,
        expected: Option<&Expected>,
        progress: &dyn Progress,
    ) -> Result<(), Cancelled> {
        let setting = Setting {
            scale: self.scale,
            origin: self.origin,
            cells: self.weight_cells,
            offsets: self.channel_offsets,
            drop: self.drop,
            expected,
        };
        let [sum_a, sum_b] = &mut self.sums;
        let [weight_a, weight_b] = &mut self.weights;
        let rejected: Result<u64, Cancelled> = sum_a
            .axis_chunks_iter_mut(Axis(1), STRIP_ROWS)
            .into_par_iter()
            .zip(sum_b.axis_chunks_iter_mut(Axis(1), STRIP_ROWS).into_par_iter())
            .zip(weight_a.axis_chunks_iter_mut(Axis(1), STRIP_ROWS).into_par_iter())
            .zip(weight_b.axis_chunks_iter_mut(Axis(1), STRIP_ROWS).into_par_iter())
            .enumerate()
            .map_init(StripWork::default, |work, (strip, (((sa, sb), wa), wb))| {
                let mut strips = [(sa, wa), (sb, wb)];
                let first_row = setting.origin.1 + strip * STRIP_ROWS;
                work.begin(&setting, first_row);
                let mut refused = 0;
                // One half after the other: the sums of both would not stay in the cache together.
                for (half, (sums, weights)) in strips.iter_mut().enumerate() {
                    for frame in frames.iter().filter(|frame| frame.half.min(1) == half) {
                        progress.check()?;
                        let Some(weight) = frame.weights.get(target) else { continue };
                        let strip = Strip { sums, weights, first_row };
                        refused += setting.add_strip(frame, weight, strip, work);
                    }
                }
                Ok(refused)
            })
            .sum();
        self.rejected += rejected?;
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

    fn mean(&self, halves: &[usize], fallback: Option<&Picture>) -> Picture {
        let mut planes = Array3::zeros(self.sums[0].raw_dim());
        let fallback = fallback.filter(|f| f.planes.raw_dim() == planes.raw_dim());
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
        match fallback {
            Some(fallback) => Zip::from(&mut planes).and(&fallback.planes).par_for_each(|o, f| {
                if o.is_nan() {
                    *o = *f;
                }
            }),
            None => planes.par_mapv_inplace(|o| if o.is_nan() { 0.0 } else { o }),
        }
        Picture { planes }
    }
}

/// A weighted mean; not a number where there is no weight.
fn ratio(sum: f32, weight: f32) -> f32 {
    if weight > 1e-9 { sum / weight } else { f32::NAN }
}
