//! One frame added to one strip of the output, block by block.

use crate::accumulate::{Aligned, STRIP_ROWS};
use crate::blend::{BLEND, rows_blended, weight_row, with_weight};
use crate::credible::Expected;
use crate::drizzle::{Drop, Sampler};
use crate::foreign::Foreign;
use crate::resample::{BLOCK, Extent, Places, RowPlace, RowSums, places_inside};
use crate::window::{STRIDE, Window};
use ndarray::{ArrayViewMut3, Axis};
use std::ops::Range;
use stillwright_picture::{Layout, Picture};
use stillwright_seeing::block_expander::{BlockExpander, ROW};
use stillwright_seeing::sharpness::CellGrid;

/// What all strips of a call have in common.
pub struct Setting<'a> {
    pub scale: f32,
    pub origin: (usize, usize),
    pub cells: CellGrid,
    pub offsets: [(f32, f32); 3],
    pub drop: Option<Drop>,
    pub expected: Option<&'a Expected>,
}

/// The rows of one strip.
pub struct Strip<'a, 'b> {
    pub sums: &'a mut ArrayViewMut3<'b, f32>,
    pub weights: &'a mut ArrayViewMut3<'b, f32>,
    pub first_row: usize,
}

/// Buffers of one worker.
pub struct StripWork {
    expander: BlockExpander,
    spans: Vec<Range<usize>>,
    /// Between which rows of cells the weights of each row lie ([`rows_blended`]).
    blended: Vec<(usize, u32)>,
    /// Displacements of the rows of a block, from `within` on, and weights. Rows that weigh alike have the first one's.
    dx: Vec<[f32; ROW]>,
    dy: Vec<[f32; ROW]>,
    within: usize,
    weight: Vec<[f32; BLOCK]>,
    weight_at: Vec<usize>,
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
            expander: BlockExpander::default(),
            spans: Vec::new(),
            blended: Vec::new(),
            dx: vec![[0.0; ROW]; STRIP_ROWS],
            dy: vec![[0.0; ROW]; STRIP_ROWS],
            within: 0,
            weight_at: vec![0; STRIP_ROWS],
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

impl StripWork {
    /// Begin with a strip of which row `first_row` is the first.
    pub fn begin(&mut self, setting: &Setting<'_>, first_row: usize) {
        self.blended.clear();
        self.blended.extend(
            (first_row..first_row + STRIP_ROWS)
                .map(|y| rows_blended(&setting.cells, setting.position_y(y))),
        );
    }
}

impl Setting<'_> {
    /// Where row `y` of the output lies, px of the reference.
    fn position_y(&self, y: usize) -> f32 {
        (y as f32 + 0.5) / self.scale - 0.5
    }

    /// Add one frame to one strip, block by block; gives how many samples were refused.
    pub fn add_strip(
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
            let blended = work.blended[row];
            if before == Some(blended) && row > 0 {
                work.weight_at[row] = work.weight_at[row - 1];
                work.weighty[row] = work.weighty[row - 1].clone();
                continue;
            }
            before = Some(blended);
            let out = &mut work.weight[row][..n];
            let y = self.position_y(strip.first_row + row);
            let counts = weight_row(weight, &self.cells, y, self.scale, first, out);
            // At other scales than 1, places depend in their last bit on where a row begins.
            work.weighty[row] = match counts {
                true if self.scale == 1.0 => with_weight(out),
                true => 0..n,
                false => 0..0,
            };
            work.weight_at[row] = row;
            any |= !work.weighty[row].is_empty();
        }
        if any {
            let StripWork { expander, weighty, dx, dy, .. } = &mut *work;
            let place = (strip.first_row, first);
            let field = &frame.field;
            work.within = expander.expand(field, self.scale, place, &weighty[..rows], [dx, dy]);
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
            let of_piece = |span: &Range<usize>| {
                let span = span.start.max(from)..span.end.min(from + piece.len());
                if span.is_empty() { 0..0 } else { span.start - from..span.end - from }
            };
            let StripWork { dx, dy, within, weight, weight_at, weighty, inner, places, .. } =
                &mut *work;
            inner.iter_mut().zip(&weighty[..rows]).for_each(|(i, w)| *i = of_piece(w));
            let row_place = |(row, inner): (usize, &Range<usize>)| {
                let span = from + inner.start..from + inner.end;
                let beyond = *within + span.start..*within + span.end;
                RowPlace {
                    dx: &dx[row][beyond.clone()],
                    dy: &dy[row][beyond],
                    weight: &weight[weight_at[row]][span.clone()],
                    first_column: self.origin.0 + columns.start + span.start,
                    scale: self.scale,
                    offset_x: ox,
                    position_y: self.position_y(strip.first_row + row) + oy,
                    size,
                }
            };
            let row_places: [RowPlace<'_>; STRIP_ROWS] = std::array::from_fn(|row| {
                inner.get(row).map_or_else(RowPlace::default, |inner| row_place((row, inner)))
            });
            let row_places = &row_places[..rows];
            let extent = places_inside(places, row_places).unwrap_or_else(|| {
                let rows = places.iter_mut().zip(row_places);
                rows.fold(Extent::EMPTY, |extent, (places, row)| extent.with(places.of_row(row)))
            });
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
