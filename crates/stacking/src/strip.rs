//! One frame added to one strip of the output, block by block.

use crate::accumulate::{Aligned, STRIP_ROWS};
use crate::blend::{BLEND, rows_blended, weight_row, with_weight};
use crate::credible::Expected;
use crate::drizzle::{Drop, Sampler};
use crate::foreign::Foreign;
use crate::resample::{BLOCK, Extent, Mosaic, Places, RowPlace, RowSums, places_inside, shared};
use crate::window::{STRIDE, Window};
use ndarray::{ArrayViewMut3, Axis};
use std::borrow::Cow;
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

/// The rows of one strip, for each of the sums that are made at once.
pub struct Strip<'a> {
    pub sums: Vec<StripSums<'a>>,
    pub first_row: usize,
}

/// What has been added up in one strip.
pub struct StripSums<'a> {
    pub sums: ArrayViewMut3<'a, f32>,
    pub weights: ArrayViewMut3<'a, f32>,
}

/// Weights of the cells of one frame.
pub struct Parted<'a> {
    /// Of all the sums together.
    whole: Cow<'a, [f32]>,
    /// Those that it has any weight for, if there are several, and its weights for each.
    parts: Vec<(usize, &'a [f32])>,
    /// The one that it has weight for, if it is only one.
    only: usize,
}

impl<'a> Parted<'a> {
    /// From its weights for each of the sums, one of them at most in each cell.
    pub fn of(weights: &'a [Vec<f32>]) -> Parted<'a> {
        let counts = |weights: &&Vec<f32>| weights.iter().any(|w| *w != 0.0);
        let counted = weights.iter().enumerate().filter(|(_, weights)| counts(weights));
        let mut parts: Vec<(usize, &[f32])> = counted.map(|(k, w)| (k, &w[..])).collect();
        let Some((only, first)) = parts.first().copied() else {
            return Parted { whole: Cow::Borrowed(&[]), parts, only: 0 };
        };
        if parts.len() == 1 {
            parts.clear();
            return Parted { whole: Cow::Borrowed(first), parts, only };
        }
        let mut whole = first.to_vec();
        for (_, weights) in &parts[1..] {
            whole.iter_mut().zip(*weights).for_each(|(all, w)| *all += w);
        }
        Parted { whole: Cow::Owned(whole), parts, only }
    }
}

/// Weights of the px of a block, row by row. Rows that weigh alike have the first one's.
struct Rows {
    weight: Vec<[f32; BLOCK]>,
    at: Vec<usize>,
    /// The columns of each row of the block that have any weight, or none.
    weighty: Vec<Range<usize>>,
}

impl Default for Rows {
    fn default() -> Self {
        Rows {
            weight: vec![[0.0; BLOCK]; STRIP_ROWS],
            at: vec![0; STRIP_ROWS],
            weighty: vec![0..0; STRIP_ROWS],
        }
    }
}

impl Rows {
    /// From weights of cells, for the `columns` of the output and `rows` from row `first` on, which lie as `blended` says;
    /// false when all are zero.
    fn fill(
        &mut self,
        setting: &Setting<'_>,
        cells: &[f32],
        (columns, first, rows): (Range<usize>, usize, usize),
        blended: &[(usize, u32)],
    ) -> bool {
        let (mut any, mut before) = (false, None);
        for (row, blended) in blended.iter().enumerate().take(rows) {
            if before == Some(blended) {
                self.at[row] = self.at[row - 1];
                self.weighty[row] = self.weighty[row - 1].clone();
                continue;
            }
            before = Some(blended);
            let out = &mut self.weight[row][..columns.len()];
            let y = setting.position_y(first + row);
            let counts = weight_row(cells, &setting.cells, y, setting.scale, columns.start, out);
            // At other scales than 1, places depend in their last bit on where a row begins.
            self.weighty[row] = match counts {
                true if setting.scale == 1.0 => with_weight(out),
                true => 0..out.len(),
                false => 0..0,
            };
            self.at[row] = row;
            any |= !self.weighty[row].is_empty();
        }
        any
    }

    /// The weights of a row.
    fn of(&self, row: usize) -> &[f32; BLOCK] {
        &self.weight[self.at[row]]
    }
}

/// Buffers of one worker.
pub struct StripWork {
    expander: BlockExpander,
    spans: Vec<Range<usize>>,
    /// Between which rows of cells the weights of each row lie ([`rows_blended`]).
    blended: Vec<(usize, u32)>,
    /// Displacements of the rows of a block, from `within` on.
    dx: Vec<[f32; ROW]>,
    dy: Vec<[f32; ROW]>,
    within: usize,
    /// Weights of a block for all the sums together.
    whole: Rows,
    /// The sums that it has weight for, and, if there are several, its weights for each.
    counted: Vec<usize>,
    parts: Vec<Rows>,
    places: Vec<Places>,
    /// The columns of each row of a piece that have any weight, from its first column on.
    inner: Vec<Range<usize>>,
    window: Window,
    sampler: Sampler,
    /// Samples of the rows of a piece, and which of them are foreign.
    samples: Vec<[f32; BLOCK]>,
    foreign: Foreign,
    /// Weights of the px of a row for one of several sums.
    part: [f32; BLOCK],
    /// How many samples were refused, for each of the sums.
    refused: Vec<u64>,
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
            whole: Rows::default(),
            counted: Vec::new(),
            parts: Vec::new(),
            places: vec![Places::default(); STRIP_ROWS],
            inner: vec![0..0; STRIP_ROWS],
            window: Window::default(),
            sampler: Sampler::default(),
            samples: vec![[0.0; BLOCK]; STRIP_ROWS],
            foreign: Foreign::new(STRIP_ROWS),
            part: [0.0; BLOCK],
            refused: Vec::new(),
        }
    }
}

impl StripWork {
    /// Begin with a strip of which row `first_row` is the first, of so many sums.
    pub fn begin(&mut self, setting: &Setting<'_>, first_row: usize, sums: usize) {
        self.refused.clear();
        self.refused.resize(sums, 0);
        self.blended.clear();
        self.blended.extend(
            (first_row..first_row + STRIP_ROWS)
                .map(|y| rows_blended(&setting.cells, setting.position_y(y))),
        );
    }

    /// Samples of this strip that were refused so far, for each of the sums.
    pub fn refused(&self) -> &[u64] {
        &self.refused
    }
}

impl Setting<'_> {
    /// Where row `y` of the output lies, px of the reference.
    fn position_y(&self, y: usize) -> f32 {
        (y as f32 + 0.5) / self.scale - 0.5
    }

    /// Add one frame to one strip, block by block.
    pub fn add_strip(
        &self,
        frame: &Aligned,
        weights: &Parted<'_>,
        strip: &mut Strip<'_>,
        work: &mut StripWork,
    ) {
        let Some((channels, rows, width)) = strip.sums.first().map(|first| first.sums.dim()) else {
            return;
        };
        let mut spans = std::mem::take(&mut work.spans);
        self.weighty(&weights.whole, (strip.first_row, rows), width, &mut spans);
        for span in &spans {
            for first in span.clone().step_by(BLOCK) {
                let columns = first..(first + BLOCK).min(span.end);
                let block = (columns.clone(), strip.first_row, rows);
                if !self.prepare(frame, weights, block, work) {
                    continue;
                }
                for channel in 0..channels {
                    self.add_block(frame, channel, strip, columns.clone(), work);
                }
            }
        }
        work.spans = spans;
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
        if weight.is_empty() {
            return;
        }
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
        weights: &Parted<'_>,
        (columns, first_row, rows): (Range<usize>, usize, usize),
        work: &mut StripWork,
    ) -> bool {
        let first = self.origin.0 + columns.start;
        let block = (first..first + columns.len(), first_row, rows);
        let StripWork { blended, whole, counted, parts, .. } = &mut *work;
        if !whole.fill(self, &weights.whole, block.clone(), blended) {
            return false;
        }
        counted.clear();
        for (sum, cells) in &weights.parts {
            if parts.len() <= counted.len() {
                parts.push(Rows::default());
            }
            if parts[counted.len()].fill(self, cells, block.clone(), blended) {
                counted.push(*sum);
            }
        }
        if counted.is_empty() {
            counted.push(weights.only);
        }
        let StripWork { expander, whole, dx, dy, .. } = &mut *work;
        let (place, weighty) = ((first_row, first), &whole.weighty[..rows]);
        work.within = expander.expand(&frame.field, self.scale, place, weighty, [dx, dy]);
        true
    }

    /// Add one channel of a block that was prepared, in pieces that one window can hold.
    fn add_block(
        &self,
        frame: &Aligned,
        channel: usize,
        strip: &mut Strip<'_>,
        columns: Range<usize>,
        work: &mut StripWork,
    ) {
        let Some((channels, rows, width)) = strip.sums.first().map(|first| first.sums.dim()) else {
            return;
        };
        let (ox, oy) = if channels == 3 { self.offsets[channel] } else { (0.0, 0.0) };
        let size = (frame.frame.format.width, frame.frame.format.height);
        let mut pieces = vec![columns.clone()];
        while let Some(piece) = pieces.pop() {
            let from = piece.start - columns.start;
            let of_piece = |span: &Range<usize>| {
                let span = span.start.max(from)..span.end.min(from + piece.len());
                if span.is_empty() { 0..0 } else { span.start - from..span.end - from }
            };
            let StripWork { dx, dy, within, whole, inner, places, .. } = &mut *work;
            inner.iter_mut().zip(&whole.weighty[..rows]).for_each(|(i, w)| *i = of_piece(w));
            let row_place = |(row, inner): (usize, &Range<usize>)| {
                let span = from + inner.start..from + inner.end;
                let beyond = *within + span.start..*within + span.end;
                RowPlace {
                    dx: &dx[row][beyond.clone()],
                    dy: &dy[row][beyond],
                    weight: &whole.of(row)[span.clone()],
                    first_column: self.origin.0 + columns.start + span.start,
                    scale: self.scale,
                    offset_x: ox,
                    position_y: self.position_y(strip.first_row + row) + oy,
                    size,
                }
            };
            let row_places: [RowPlace<'_>; STRIP_ROWS] = std::array::from_fn(|row| {
                inner[..rows]
                    .get(row)
                    .map_or_else(RowPlace::default, |inner| row_place((row, inner)))
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
            let (begun, size) = ((left, top), (across, down));
            load(&mut work.window, &frame.frame, plane, scale, begun, size);
            // Columns of the output in each row that has any weight.
            let columns_of =
                |inner: &Range<usize>| piece.start + inner.start..piece.start + inner.end;
            let StripWork {
                whole,
                counted,
                parts,
                places,
                samples,
                foreign,
                inner,
                window,
                sampler,
                part,
                refused,
                ..
            } = &mut *work;
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
                // Where several sums take from a px, it counts for the first of them.
                let of = |row: usize, x: usize| {
                    let own =
                        |part: &Rows| part.weighty[row].contains(&x) && part.of(row)[x] != 0.0;
                    let several = if counted.len() > 1 { counted.len() } else { 0 };
                    counted[parts.iter().take(several).position(own).unwrap_or(0)]
                };
                let each = |row: usize, x: usize| refused[of(row, from + x)] += 1;
                foreign.weigh_nothing(places, &inner[..rows], piece.len(), each);
            }
            for (k, sum) in counted.iter().enumerate() {
                let Some(target) = strip.sums.get_mut(*sum) else { continue };
                let own = (counted.len() > 1).then(|| &parts[k]);
                let mut sums = target.sums.index_axis_mut(Axis(0), channel);
                let mut weights = target.weights.index_axis_mut(Axis(0), channel);
                let (Some(sums), Some(weights)) = (sums.as_slice_mut(), weights.as_slice_mut())
                else {
                    continue;
                };
                for (row, inner) in inner[..rows].iter().enumerate() {
                    // No part has weight where the whole has none, but for rounding.
                    let span = own.map_or(inner.clone(), |own| of_piece(&own.weighty[row]));
                    let span = span.start.max(inner.start)..span.end.min(inner.end);
                    if span.is_empty() {
                        continue;
                    }
                    let placed = span.start - inner.start..span.end - inner.start;
                    let columns = columns_of(&span);
                    let at = row * width + columns.start..row * width + columns.end;
                    let mut target =
                        RowSums { sums: &mut sums[at.clone()], weights: &mut weights[at] };
                    let weight = &places[row].weight[placed.clone()];
                    // The weights of all sums, and of this one.
                    let of_block = from + span.start..from + span.end;
                    let share =
                        own.map(|own| (&whole.of(row)[of_block.clone()], &own.of(row)[of_block]));
                    let Layout::Bayer(order) = layout else {
                        target.add(&samples[row][placed], weight, share);
                        continue;
                    };
                    let weight = share.map_or(weight, |(all, own)| shared(weight, all, own, part));
                    let credible = self.credible(channel, strip.first_row + row, &columns);
                    let (u, v) = (&places[row].u[placed.clone()], &places[row].v[placed]);
                    let mosaic = Mosaic { order, channel, drop: self.drop.unwrap_or(Drop::TENT) };
                    refused[*sum] += target.add_mosaic(window, (u, v, weight), mosaic, credible);
                }
            }
        }
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
