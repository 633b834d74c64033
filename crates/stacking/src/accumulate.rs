//! Adding frames up: each is resampled once, along its warp field, and added with weights that
//! blend from place to place without a seam.
//!
//! Work is split by strips of output rows, and every strip takes the frames in the same order:
//! the sums do not depend on the number of threads.

use crate::blend::{BLEND, rows_blended, weight_row, with_weight};
use crate::credible::Expected;
use crate::drizzle::{Drop, Sampler, fill_gaps};
use crate::foreign::Foreign;
use crate::halves::Region;
use crate::resample::{BLOCK, Extent, Places, RowPlace, RowSums};
use crate::window::{STRIDE, Window};
use ndarray::{Array3, ArrayViewMut3, Axis, Zip};
use rayon::prelude::*;
use std::ops::Range;
use stillwright_picture::{Cancelled, Layout, Picture, Progress, RawFrame};
use stillwright_seeing::field::{Field, RowExpander};
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
const STRIP_ROWS: usize = 32;

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
                work.blended.clear();
                work.blended.extend(
                    (first_row..first_row + STRIP_ROWS)
                        .map(|y| rows_blended(&setting.cells, setting.position_y(y))),
                );
                let mut refused = 0;
                for frame in frames {
                    progress.check()?;
                    let Some(weight) = frame.weights.get(target) else { continue };
                    let (sums, weights) = &mut strips[frame.half.min(1)];
                    let strip = Strip { sums, weights, first_row };
                    refused += setting.add_strip(frame, weight, strip, work);
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

/// What all strips of a call have in common.
struct Setting<'a> {
    scale: f32,
    origin: (usize, usize),
    cells: CellGrid,
    offsets: [(f32, f32); 3],
    drop: Option<Drop>,
    expected: Option<&'a Expected>,
}

/// The rows of one strip.
struct Strip<'a, 'b> {
    sums: &'a mut ArrayViewMut3<'b, f32>,
    weights: &'a mut ArrayViewMut3<'b, f32>,
    first_row: usize,
}

/// Buffers of one worker.
struct StripWork {
    expander: RowExpander,
    spans: Vec<Range<usize>>,
    /// Between which rows of cells the weights of each row lie ([`rows_blended`]).
    blended: Vec<(usize, u32)>,
    /// Displacements and weights of the rows of a block.
    dx: Vec<[f32; BLOCK]>,
    dy: Vec<[f32; BLOCK]>,
    weight: Vec<[f32; BLOCK]>,
    places: Vec<Places>,
    /// The columns of each row of the block that have any weight, or none.
    weighty: Vec<Range<usize>>,
    /// The same of a piece, from its first column on.
    inner: Vec<Range<usize>>,
    window: Window,
    sampler: Sampler,
    /// Samples of the rows of a piece, and which of them are foreign.
    samples: Vec<[f32; BLOCK]>,
    foreign: Foreign,
}

impl Default for StripWork {
    fn default() -> Self {
        StripWork {
            expander: RowExpander::default(),
            spans: Vec::new(),
            blended: Vec::new(),
            dx: vec![[0.0; BLOCK]; STRIP_ROWS],
            dy: vec![[0.0; BLOCK]; STRIP_ROWS],
            weight: vec![[0.0; BLOCK]; STRIP_ROWS],
            places: vec![Places::default(); STRIP_ROWS],
            weighty: vec![0..0; STRIP_ROWS],
            inner: vec![0..0; STRIP_ROWS],
            window: Window::default(),
            sampler: Sampler::default(),
            samples: vec![[0.0; BLOCK]; STRIP_ROWS],
            foreign: Foreign::new(STRIP_ROWS),
        }
    }
}

impl Setting<'_> {
    /// Where row `y` of the output lies, px of the reference.
    fn position_y(&self, y: usize) -> f32 {
        (y as f32 + 0.5) / self.scale - 0.5
    }

    /// Add one frame to one strip, block by block; gives how many samples were refused.
    fn add_strip(
        &self,
        frame: &Aligned,
        weight: &[f32],
        mut strip: Strip<'_, '_>,
        work: &mut StripWork,
    ) -> u64 {
        let (channels, rows, width) = strip.sums.dim();
        let mut refused = 0;
        let mut spans = std::mem::take(&mut work.spans);
        self.weighty(weight, (strip.first_row, rows), width, &mut spans);
        for span in &spans {
            for first in span.clone().step_by(BLOCK) {
                let columns = first..(first + BLOCK).min(span.end);
                if !self.prepare(frame, weight, &strip, rows, columns.clone(), work) {
                    continue;
                }
                for channel in 0..channels {
                    refused += self.add_block(frame, channel, &mut strip, columns.clone(), work);
                }
            }
        }
        work.spans = spans;
        refused
    }

    /// The columns of a strip (its first row and how many) to which any cell lends weight, as spans in
    /// order; a column more on either side does no harm.
    fn weighty(
        &self,
        weight: &[f32],
        (first_row, rows): (usize, usize),
        width: usize,
        spans: &mut Vec<Range<usize>>,
    ) {
        spans.clear();
        let cells = &self.cells;
        let side = cells.cell_px as f32 * self.scale;
        let last = (cells.columns.saturating_sub(1), cells.rows.saturating_sub(1));
        let cell_of = |y: f32| ((y / side).max(0.0) as usize).min(last.1);
        let blend = 0.5 * BLEND * side;
        let (above, below) = (first_row as f32 - blend, (first_row + rows) as f32 + blend);
        let touched = cell_of(above)..=cell_of(below);
        for i in 0..cells.columns {
            if touched.clone().all(|j| weight[j * cells.columns + i] == 0.0) {
                continue;
            }
            // Weight blends into the neighbours, and reaches to the very edge.
            let left = if i == 0 { 0.0 } else { (i as f32 * side - blend).floor() - 1.0 };
            let right =
                if i == last.0 { f32::MAX } else { ((i + 1) as f32 * side + blend).ceil() + 1.0 };
            let from = (left as usize).saturating_sub(self.origin.0);
            let to = (right as usize).saturating_sub(self.origin.0).min(width);
            match spans.last_mut() {
                Some(before) if from <= before.end => before.end = to.max(before.end),
                _ if from < to => spans.push(from..to),
                _ => {}
            }
        }
    }

    /// Weights and displacements of a block; false when it has no weight at all.
    fn prepare(
        &self,
        frame: &Aligned,
        weight: &[f32],
        strip: &Strip<'_, '_>,
        rows: usize,
        columns: Range<usize>,
        work: &mut StripWork,
    ) -> bool {
        let first = self.origin.0 + columns.start;
        let n = columns.len();
        let mut any = false;
        let mut before = None;
        for row in 0..rows {
            let y = strip.first_row + row;
            let blended = work.blended[row];
            if before == Some(blended) && row > 0 {
                let (above, out) = work.weight.split_at_mut(row);
                out[0][..n].copy_from_slice(&above[row - 1][..n]);
                work.weighty[row] = work.weighty[row - 1].clone();
            } else {
                let out = &mut work.weight[row][..n];
                let y = self.position_y(y);
                let counts = weight_row(weight, &self.cells, y, self.scale, first, out);
                // At other scales than 1, places depend in their last bit on where a row begins.
                work.weighty[row] = match counts {
                    true if self.scale == 1.0 => with_weight(out),
                    true => 0..n,
                    false => 0..0,
                };
            }
            before = Some(blended);
            let span = work.weighty[row].clone();
            if !span.is_empty() {
                any = true;
                let first = first + span.start;
                let (dx, dy) = (&mut work.dx[row][span.clone()], &mut work.dy[row][span]);
                work.expander.expand_both(&frame.field, self.scale, (y, first), [dx, dy]);
            }
        }
        any
    }

    /// Add one channel of a block that was prepared, in pieces that one window can hold.
    fn add_block(
        &self,
        frame: &Aligned,
        channel: usize,
        strip: &mut Strip<'_, '_>,
        columns: Range<usize>,
        work: &mut StripWork,
    ) -> u64 {
        let (channels, rows, width) = strip.sums.dim();
        let (ox, oy) = if channels == 3 { self.offsets[channel] } else { (0.0, 0.0) };
        let size = (frame.frame.format.width, frame.frame.format.height);
        let mut refused = 0;
        let mut pieces = vec![columns.clone()];
        while let Some(piece) = pieces.pop() {
            let from = piece.start - columns.start;
            let mut extent = Extent::EMPTY;
            for row in 0..rows {
                let span = &work.weighty[row];
                let span = span.start.max(from)..span.end.min(from + piece.len());
                work.inner[row] =
                    if span.is_empty() { 0..0 } else { span.start - from..span.end - from };
                if span.is_empty() {
                    continue;
                }
                let y = strip.first_row + row;
                let touched = work.places[row].of_row(&RowPlace {
                    dx: &work.dx[row][span.clone()],
                    dy: &work.dy[row][span.clone()],
                    weight: &work.weight[row][span.clone()],
                    first_column: self.origin.0 + columns.start + span.start,
                    scale: self.scale,
                    offset_x: ox,
                    position_y: self.position_y(y) + oy,
                    size,
                });
                extent = extent.with(touched);
            }
            if extent.is_empty() {
                continue;
            }
            let (left, top) = (extent.left as isize - 2, extent.top as isize - 2);
            // Places that are sampled together look at two samples before each and three after it.
            let across = (extent.right as isize - left + 4) as usize;
            let down = (extent.bottom as isize - top + 4) as usize;
            if across > STRIDE && piece.len() > 1 {
                let middle = piece.start + piece.len() / 2;
                pieces.push(middle..piece.end);
                pieces.push(piece.start..middle);
                continue;
            }
            let layout = frame.frame.format.layout;
            let plane = if layout.samples_per_pixel() == 3 { channel } else { 0 };
            let scale = 1.0 / (frame.frame.format.white * frame.transparency.max(1e-3));
            let mosaic = matches!(layout, Layout::Bayer(_));
            let raw = mosaic || self.drop.is_some();
            let load = if raw { Window::load } else { Window::load_filtered };
            let (from, size) = ((left, top), (across, down));
            load(&mut work.window, &frame.frame, plane, scale, from, size);
            // Columns of the output in each row that has any weight.
            let columns_of =
                |inner: &Range<usize>| piece.start + inner.start..piece.start + inner.end;
            let StripWork { places, samples, foreign, inner, window, sampler, .. } = &mut *work;
            if !mosaic {
                foreign.begin();
                for (row, inner) in inner[..rows].iter().enumerate().filter(|(_, i)| !i.is_empty())
                {
                    let (places, samples) = (&mut places[row], &mut samples[row][..inner.len()]);
                    sampler.row(window, places, self.drop, samples);
                    let y = strip.first_row + row;
                    if let Some(credible) = self.credible(channel, y, &columns_of(inner)) {
                        foreign.note(row, inner.start, (samples, &places.weight), credible);
                    }
                }
                refused += foreign.weigh_nothing(places, &inner[..rows], piece.len());
            }
            let mut sums = strip.sums.index_axis_mut(Axis(0), channel);
            let mut weights = strip.weights.index_axis_mut(Axis(0), channel);
            for (row, inner) in inner[..rows].iter().enumerate().filter(|(_, i)| !i.is_empty()) {
                let columns = columns_of(inner);
                let credible = self.credible(channel, strip.first_row + row, &columns);
                let span = row * width + columns.start..row * width + columns.end;
                let (Some(sums), Some(weights)) = (sums.as_slice_mut(), weights.as_slice_mut())
                else {
                    continue;
                };
                let (sums, weights) = (&mut sums[span.clone()], &mut weights[span]);
                let mut target = RowSums { sums, weights, credible };
                if let Layout::Bayer(order) = layout {
                    let drop = self.drop.unwrap_or(Drop::TENT);
                    refused += target.add_mosaic(window, &places[row], (order, channel), drop);
                } else {
                    target.add(&samples[row][..inner.len()], &places[row]);
                }
            }
        }
        refused
    }

    /// What is credible along a piece of an output row.
    fn credible(&self, channel: usize, y: usize, piece: &Range<usize>) -> Option<(&[f32], &[f32])> {
        let expected = self.expected?;
        let span = self.origin.0 + piece.start..self.origin.0 + piece.end;
        let row = |picture: &'_ Picture| -> Option<Range<usize>> {
            let (_, height, width) = picture.planes.dim();
            let from = (channel * height + y) * width;
            (y < height && span.end <= width).then_some(from + span.start..from + span.end)
        };
        let value = expected.picture.planes.as_slice()?.get(row(&expected.picture)?)?;
        let tolerance = expected.tolerance.planes.as_slice()?.get(row(&expected.tolerance)?)?;
        Some((value, tolerance))
    }
}
