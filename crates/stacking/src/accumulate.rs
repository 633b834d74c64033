//! Adding frames up: each is resampled once, along its warp field, and added with weights that
//! blend from place to place without a seam.
//!
//! Work is split by strips of output rows, and every strip takes the frames in the same order:
//! the sums do not depend on the number of threads.

use crate::credible::Expected;
use crate::halves::Region;
use crate::samples::{FramePlanes, PAD};
use ndarray::{Array3, Axis};
use rayon::prelude::*;
use std::sync::OnceLock;
use stillwright_picture::{Layout, Picture};
use stillwright_seeing::field::{Field, RowExpander};
use stillwright_seeing::sharpness::CellGrid;

/// One aligned frame, ready to be added.
pub struct Aligned {
    /// Its samples.
    pub planes: FramePlanes,
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
    sums: [Array3<f32>; 2],
    weights: [Array3<f32>; 2],
    rejected: u64,
}

/// Rows of one strip. Small enough that a strip's sums stay in cache, large enough that the
/// field's expansion pays.
const STRIP_ROWS: usize = 16;

/// Frames fade out over this many px along their edge, so that a wandering edge leaves no line.
const FADE_PX: f32 = 12.0;

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
            sums: [Array3::zeros(shape), Array3::zeros(shape)],
            weights: [Array3::zeros(shape), Array3::zeros(shape)],
            rejected: 0,
        }
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
    pub fn add(&mut self, frames: &[Aligned], target: usize, expected: Option<&Expected>) {
        let scale = self.scale;
        let origin = self.origin;
        let cells = self.weight_cells;
        let offsets = self.channel_offsets;
        let [sum_a, sum_b] = &mut self.sums;
        let [weight_a, weight_b] = &mut self.weights;
        let rejected: u64 = sum_a
            .axis_chunks_iter_mut(Axis(1), STRIP_ROWS)
            .into_par_iter()
            .zip(sum_b.axis_chunks_iter_mut(Axis(1), STRIP_ROWS).into_par_iter())
            .zip(weight_a.axis_chunks_iter_mut(Axis(1), STRIP_ROWS).into_par_iter())
            .zip(weight_b.axis_chunks_iter_mut(Axis(1), STRIP_ROWS).into_par_iter())
            .enumerate()
            .map_init(StripWork::default, |work, (strip, (((sa, sb), wa), wb))| {
                let mut sums = [sa, sb];
                let mut weights = [wa, wb];
                let first_row = origin.1 + strip * STRIP_ROWS;
                let mut refused = 0;
                for frame in frames {
                    let Some(weight) = frame.weights.get(target) else { continue };
                    let target = Target {
                        sums: sums[frame.half].view_mut(),
                        weights: weights[frame.half].view_mut(),
                        first_row,
                        first_column: origin.0,
                        scale,
                    };
                    refused += add_strip(frame, weight, target, &cells, &offsets, expected, work);
                }
                refused
            })
            .sum();
        self.rejected += rejected;
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
        for (index, out) in planes.indexed_iter_mut() {
            let sum: f32 = halves.iter().map(|h| self.sums[*h][index]).sum();
            let weight: f32 = halves.iter().map(|h| self.weights[*h][index]).sum();
            *out = if weight > 1e-9 {
                sum / weight
            } else {
                fallback.map_or(0.0, |f| f.planes[index])
            };
        }
        Picture { planes }
    }
}

#[derive(Default)]
struct StripWork {
    expander: RowExpander,
    dx: Vec<f32>,
    dy: Vec<f32>,
    weight: Vec<f32>,
}

struct Target<'a> {
    sums: ndarray::ArrayViewMut3<'a, f32>,
    weights: ndarray::ArrayViewMut3<'a, f32>,
    first_row: usize,
    first_column: usize,
    scale: f32,
}

/// Add one frame to one strip; returns how many samples were refused.
fn add_strip(
    frame: &Aligned,
    weight: &[f32],
    mut target: Target<'_>,
    cells: &CellGrid,
    offsets: &[(f32, f32); 3],
    expected: Option<&Expected>,
    work: &mut StripWork,
) -> u64 {
    let (channels, rows, width) = target.sums.dim();
    let (scale, first_column) = (target.scale, target.first_column);
    work.dx.resize(width, 0.0);
    work.dy.resize(width, 0.0);
    work.weight.resize(width, 0.0);
    let grid = (frame.field.columns, frame.field.rows, frame.field.cell_px);
    let mut refused = 0;
    for row in 0..rows {
        let y = target.first_row + row;
        let position_y = (y as f32 + 0.5) / scale - 0.5;
        if !weight_row(weight, cells, position_y, scale, target.first_column, &mut work.weight) {
            continue;
        }
        work.expander.expand(&frame.field.x_px, grid, scale, y, first_column, &mut work.dx);
        work.expander.expand(&frame.field.y_px, grid, scale, y, first_column, &mut work.dy);
        for (channel, offset) in offsets.iter().enumerate().take(channels) {
            let (ox, oy) = if channels == 3 { *offset } else { (0.0, 0.0) };
            let mut sums = target.sums.slice_mut(ndarray::s![channel, row, ..]);
            let mut weights = target.weights.slice_mut(ndarray::s![channel, row, ..]);
            let (Some(sums), Some(weights)) = (sums.as_slice_mut(), weights.as_slice_mut()) else {
                continue;
            };
            let credible = expected.map(|e| Credible {
                value: e.picture.planes.slice(ndarray::s![channel, y, first_column..]),
                tolerance: e.tolerance.planes.slice(ndarray::s![channel, y, first_column..]),
            });
            let line = Line {
                position_y: position_y + oy,
                offset_x: ox,
                first_column,
                scale,
                dx: &work.dx,
                dy: &work.dy,
                weight: &work.weight,
            };
            refused += match frame.planes.mosaic {
                Some(layout) => {
                    add_mosaic_line(frame, layout, channel, &line, credible.as_ref(), sums, weights)
                }
                None => add_line(frame, channel, &line, credible.as_ref(), sums, weights),
            };
        }
    }
    refused
}

struct Line<'a> {
    position_y: f32,
    offset_x: f32,
    first_column: usize,
    scale: f32,
    dx: &'a [f32],
    dy: &'a [f32],
    weight: &'a [f32],
}

impl Line<'_> {
    /// Where entry `x` of this line lies in the frame, px, and its weight there; `None` where it
    /// has none.
    #[inline]
    fn place(&self, x: usize, planes: &FramePlanes) -> Option<(f32, f32, f32)> {
        let weight = self.weight[x];
        if weight == 0.0 {
            return None;
        }
        let column = ((self.first_column + x) as f32 + 0.5) / self.scale - 0.5;
        let u = column + self.dx[x] + self.offset_x;
        let v = self.position_y + self.dy[x];
        let weight = weight * edge_weight(u, v, planes.width, planes.height);
        (weight != 0.0).then_some((u, v, weight))
    }
}

struct Credible<'a> {
    value: ndarray::ArrayView1<'a, f32>,
    tolerance: ndarray::ArrayView1<'a, f32>,
}

impl Credible<'_> {
    fn refuses(&self, x: usize, sample: f32) -> bool {
        (sample - self.value[x]).abs() > self.tolerance[x]
    }
}

/// Weights along one output row, bilinear between cell centres; false when all are zero.
fn weight_row(
    cells_weight: &[f32],
    cells: &CellGrid,
    y: f32,
    scale: f32,
    first_column: usize,
    out: &mut [f32],
) -> bool {
    let side = cells.cell_px as f32;
    let v = ((y + 0.5) / side - 0.5).clamp(0.0, (cells.rows - 1) as f32);
    let j = (v as usize).min(cells.rows.saturating_sub(2));
    let below = (j + 1).min(cells.rows - 1);
    let fy = v - j as f32;
    let row = |j: usize| &cells_weight[j * cells.columns..(j + 1) * cells.columns];
    let (a, b) = (row(j), row(below));
    if a.iter().chain(b).all(|w| *w == 0.0) {
        return false;
    }
    let last = cells.columns - 1;
    for (x, o) in out.iter_mut().enumerate() {
        let column = (first_column + x) as f32;
        let u = ((column + 0.5) / (scale * side) - 0.5).clamp(0.0, last as f32);
        let i = u as usize;
        let next = (i + 1).min(last);
        let fx = u - i as f32;
        let upper = a[i] + fx * (a[next] - a[i]);
        let lower = b[i] + fx * (b[next] - b[i]);
        *o = upper + fy * (lower - upper);
    }
    true
}

/// 1 inside the frame, fading towards its edge, 0 outside. It never quite reaches 0 inside, so
/// that the outermost pixels of a scene that never moves are still covered.
fn edge_weight(u: f32, v: f32, width: usize, height: usize) -> f32 {
    let (right, bottom) = ((width - 1) as f32, (height - 1) as f32);
    let distance = u.min(v).min(right - u).min(bottom - v);
    if distance < 0.0 {
        return 0.0;
    }
    let t = (distance / FADE_PX).min(1.0);
    0.02 + 0.98 * t * t * (3.0 - 2.0 * t)
}

/// Steps between two pixels for which kernels are tabulated.
const PHASES: usize = 256;

/// Lanczos-3 kernels for [`PHASES`] + 1 positions between two pixels: weights of samples -2 to 3
/// and two zeros (lanes), each normalised to 1 (Duchon, J. Appl. Meteorology 18, 1016, 1979).
fn kernels() -> &'static [[f32; 8]] {
    static TABLE: OnceLock<Vec<[f32; 8]>> = OnceLock::new();
    TABLE.get_or_init(|| {
        let sinc = |x: f64| if x.abs() < 1e-9 { 1.0 } else { x.sin() / x };
        (0..=PHASES)
            .map(|phase| {
                let t = phase as f64 / PHASES as f64;
                let mut taps = [0.0f64; 6];
                for (k, tap) in taps.iter_mut().enumerate() {
                    let x = std::f64::consts::PI * (k as f64 - 2.0 - t);
                    *tap = if x.abs() >= 3.0 * std::f64::consts::PI {
                        0.0
                    } else {
                        sinc(x) * sinc(x / 3.0)
                    };
                }
                let sum: f64 = taps.iter().sum();
                let mut out = [0.0f32; 8];
                for (o, t) in out.iter_mut().zip(taps) {
                    *o = (t / sum) as f32;
                }
                out
            })
            .collect()
    })
}

/// Add one row of a plane that has a sample at every pixel.
fn add_line(
    frame: &Aligned,
    channel: usize,
    line: &Line<'_>,
    credible: Option<&Credible<'_>>,
    sums: &mut [f32],
    weights: &mut [f32],
) -> u64 {
    let planes = &frame.planes;
    let plane = planes.plane(if planes.count() == 3 { channel } else { 0 });
    let stride = planes.stride();
    let table = kernels();
    let mut refused = 0;
    for x in 0..sums.len() {
        let Some((u, v, w)) = line.place(x, planes) else { continue };
        let (i, j) = (u as usize, v as usize);
        let kernel_x = &table[((u - i as f32) * PHASES as f32 + 0.5) as usize];
        let kernel_y = &table[((v - j as f32) * PHASES as f32 + 0.5) as usize];
        let mut columns = [0.0f32; 8];
        let corner = (j + PAD - 2) * stride + i + PAD - 2;
        for (k, wy) in kernel_y[..6].iter().enumerate() {
            let from = corner + k * stride;
            let samples = &plane[from..from + 8];
            for (c, s) in columns.iter_mut().zip(samples) {
                *c += wy * s;
            }
        }
        let mut sample = 0.0;
        for (c, wx) in columns.iter().zip(kernel_x) {
            sample += c * wx;
        }
        if credible.is_some_and(|c| c.refuses(x, sample)) {
            refused += 1;
            continue;
        }
        sums[x] += w * sample;
        weights[x] += w;
    }
    refused
}

/// Add one row of one colour of a mosaic from that colour's own samples: the up to four raw
/// samples around the position, those of this colour, each weighted by its nearness (a tent of
/// 1 px on each side). Over many frames that wander, every place is covered.
fn add_mosaic_line(
    frame: &Aligned,
    layout: Layout,
    channel: usize,
    line: &Line<'_>,
    credible: Option<&Credible<'_>>,
    sums: &mut [f32],
    weights: &mut [f32],
) -> u64 {
    let Layout::Bayer(order) = layout else { return 0 };
    let planes = &frame.planes;
    let plane = planes.plane(0);
    let stride = planes.stride();
    let mut refused = 0;
    for x in 0..sums.len() {
        let Some((u, v, w)) = line.place(x, planes) else { continue };
        let (i, j) = (u as usize, v as usize);
        let (fx, fy) = (u - i as f32, v - j as f32);
        let corner = (j + PAD) * stride + i + PAD;
        let near = [
            (0, 0, (1.0 - fx) * (1.0 - fy)),
            (1, 0, fx * (1.0 - fy)),
            (0, 1, (1.0 - fx) * fy),
            (1, 1, fx * fy),
        ];
        for (dx, dy, nearness) in near {
            if order.channel_at(i + dx, j + dy) != channel {
                continue;
            }
            let sample = plane[corner + dy * stride + dx];
            if credible.is_some_and(|c| c.refuses(x, sample)) {
                refused += 1;
                continue;
            }
            let share = w * nearness;
            sums[x] += share * sample;
            weights[x] += share;
        }
    }
    refused
}
