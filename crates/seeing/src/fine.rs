//! Comparison at full size of a frame, as it was read, with the reference.
//!
//! No band-pass is made of the frame. It is sampled along the field with the cubic B-spline, which smooths as a
//! Gaussian of 0.58 px does (variance 1/3 px^2; common practice, no source); what is coarser than a cell is taken off
//! cell by cell: the plane that fits best there. A projection may stand on either side of a product, so it is
//! the reference and its slopes that lose their planes, once, and every product with the frame has lost it, too.
//! Some rows are compared; lanes run along x; the order of all additions is fixed.

use crate::dense::CellSums;
use crate::field::Field;
use crate::luminance::LightRows;
use crate::piece::Piece;
use crate::places::{LANES, eight};
use crate::raster::{Kernel, Raster, smooth};
use grid::FineGrid;
use multiversion::multiversion;
use plane::Basis;
use std::ops::Range;
use stillwright_picture::{Cancelled, Progress};

mod agree;
mod grid;
pub(crate) mod keen;
mod plane;
#[cfg(test)]
mod tests;
mod whiten;

/// Of this many rows one is compared.
pub(crate) const STEP: usize = 4;

/// What the reference is blurred by (standard deviation of a Gaussian, px) to know how it differs from a softer or
/// sharper frame.
const SOFTER_PX: f32 = 1.5;

/// Sums of a cell over its px: of the frame times the reference, its two slopes and its blur, of the frame, of the
/// frame times x and y (from the middle of the cell) and of its square.
const SUMS: usize = 8;

/// The sums of a cell, in lanes.
type Lanes = [[f32; LANES]; SUMS];

/// The reference, ready for comparisons.
#[derive(Clone)]
pub(crate) struct Fine {
    grid: FineGrid,
    /// Reference, slopes and blur without their planes, row after row of those that are compared.
    own: [Vec<f32>; 4],
    /// Sums of the reference over each cell.
    cells: Vec<CellSums>,
    /// Mean of the reference over each cell.
    means: Vec<f32>,
}

/// Buffers of one worker.
#[derive(Clone, Debug, Default)]
pub(crate) struct FineWork {
    piece: Piece,
    lanes: Vec<Lanes>,
    outside: Vec<bool>,
    /// One entry a cell; all zero where nothing was compared.
    pub sums: Vec<CellSums>,
}

impl Fine {
    /// Prepare the reference's light for cells of `cell_px`.
    pub fn new(light: &Raster, cell_px: usize) -> Fine {
        let grid = FineGrid::new(light, cell_px);
        let mut work = Raster::default();
        // What is of full size is let go of as soon as its rows are picked.
        let compared = |from: Raster| grid.compared(&from);
        // The B-spline at whole px, and its derivatives there.
        let (slope_x, slope_y) = slopes(light);
        let (slope_x, slope_y) = (compared(slope_x), compared(slope_y));
        let (mut smoothed, mut softer) = (Raster::default(), Raster::default());
        smooth(light, &Kernel::spline3(), &mut work, &mut smoothed);
        smooth(&smoothed, &Kernel::gaussian(SOFTER_PX), &mut work, &mut softer);
        softer.values.iter_mut().zip(&smoothed.values).for_each(|(d, r)| *d -= r);
        let own = [compared(smoothed), slope_x, slope_y, compared(softer)];
        let mut fine = Fine {
            grid,
            own,
            cells: vec![CellSums::default(); grid.cells()],
            means: vec![0.0; grid.cells()],
        };
        for band in 0..grid.bands() {
            for column in 0..grid.columns {
                fine.prepare(band, column);
            }
        }
        fine
    }

    /// Take the planes off one cell, and add it up.
    fn prepare(&mut self, band: usize, column: usize) {
        let grid = self.grid;
        let basis = grid.basis(band, column);
        let cell = band * grid.columns + column;
        for (quantity, values) in self.own.iter_mut().enumerate() {
            let mean = grid.take_plane_off(values, band, column);
            if quantity == 0 {
                self.means[cell] = mean;
            }
        }
        let mut s = CellSums { n: basis.n, ..CellSums::default() };
        let [r, gx, gy, d] = &self.own;
        for (row, _) in grid.rows(band) {
            for at in grid.span(row, &grid.across(column)) {
                let (r, gx, gy, d) = (r[at], gx[at], gy[at], d[at]);
                s.rr += r * r;
                s.rd += r * d;
                s.dd += d * d;
                s.xx += gx * gx;
                s.xy += gx * gy;
                s.yy += gy * gy;
                s.xr += gx * r;
                s.yr += gy * r;
                s.xd += gx * d;
                s.yd += gy * d;
            }
        }
        self.cells[cell] = s;
    }

    /// Compare `frame` along `field` wherever `wanted` says so; the sums are left in `work`. A cell that
    /// reaches beyond the frame says nothing.
    ///
    /// # Errors
    /// When cancelled, asked for before each row of cells.
    pub fn compare(
        &self,
        frame: &LightRows<'_>,
        field: &Field,
        wanted: Option<&[bool]>,
        work: &mut FineWork,
        progress: &dyn Progress,
    ) -> Result<(), Cancelled> {
        let FineWork { piece, lanes, outside, sums } = work;
        sums.clear();
        sums.resize(self.cells.len(), CellSums::default());
        let each = |piece: &mut Piece, band: usize, cells: Range<usize>| {
            self.compare_piece(piece, band, cells, (lanes, outside, sums));
        };
        self.grid.pieces(frame, field, wanted, (piece, each), progress)
    }

    /// Compare the cells of the piece that was looked at.
    fn compare_piece(
        &self,
        piece: &mut Piece,
        band: usize,
        cells: Range<usize>,
        (lanes, outside, sums): (&mut Vec<Lanes>, &mut Vec<bool>, &mut [CellSums]),
    ) {
        let grid = self.grid;
        let span = grid.across_all(&cells);
        let first = band * grid.columns + cells.start;
        let means = &self.means[first..first + cells.len()];
        lanes.clear();
        lanes.resize(cells.len(), [[0.0; LANES]; SUMS]);
        outside.clear();
        outside.resize(cells.len(), false);
        let whole = Basis::new(grid.cell_px, grid.rows(band).count());
        for (j, (row, _)) in grid.rows(band).enumerate() {
            let own = grid.span(row, &span);
            let compared = Row {
                own: [0, 1, 2, 3].map(|q: usize| &self.own[q][own.clone()]),
                means,
                cell: grid.cell_px,
                y: whole.y(j),
            };
            let (frame, inside) = piece.b_spline(j);
            add_row(frame, inside, &compared, lanes, outside);
        }
        for (k, column) in cells.enumerate() {
            if outside[k] {
                continue;
            }
            let index = first + k;
            let mut own = self.cells[index];
            let [fr, xf, yf, fd, f, fx, fy, ff] = lanes[k].map(|lanes| lanes.iter().sum::<f32>());
            let basis = grid.basis(band, column);
            // The lanes count x from the middle of a whole cell.
            let fx = fx + (whole.x(0) - basis.x(0)).abs() * f;
            let left = basis.left(ff, [f, fx, fy]);
            (own.fr, own.xf, own.yf, own.fd, own.ff) = (fr, xf, yf, fd, left);
            sums[index] = own;
        }
    }
}

/// Slopes of the B-spline through the samples of `light`, at the samples: differences along one way, smoothed along the
/// other.
fn slopes(light: &Raster) -> (Raster, Raster) {
    let (sixth, rest) = (1.0 / 6.0, 4.0 / 6.0);
    let (width, height) = (light.width, light.height);
    let (mut gx, mut gy) = (Raster::zeros(width, height), Raster::zeros(width, height));
    for y in 0..height {
        let (above, own) = (light.row(y.saturating_sub(1)), light.row(y));
        let below = light.row((y + 1).min(height - 1));
        for x in 0..width {
            let (l, r) = (x.saturating_sub(1), (x + 1).min(width - 1));
            let across = |row: &[f32]| 0.5 * (row[r] - row[l]);
            let down = |x: usize| 0.5 * (below[x] - above[x]);
            gx.values[y * width + x] = sixth * (across(above) + across(below)) + rest * across(own);
            gy.values[y * width + x] = sixth * (down(l) + down(r)) + rest * down(x);
        }
    }
    (gx, gy)
}

/// One row of the reference, to be compared.
struct Row<'a> {
    own: [&'a [f32]; 4],
    means: &'a [f32],
    cell: usize,
    y: f32,
}

/// Compare one row.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512vl+avx2+bmi2", "x86_64+avx2+bmi2"))]
fn add_row<'a>(
    frame: &[f32],
    inside: &[u8],
    row: &Row<'a>,
    lanes: &mut [[[f32; LANES]; SUMS]],
    outside: &mut [bool],
) {
    let n = row.own[0].len();
    let (frame, inside) = (&frame[..n], &inside[..n]);
    let [r, gx, gy, d] = row.own;
    let (r, gx, gy, d) = (&r[..n], &gx[..n], &gy[..n], &d[..n]);
    for (k, (sums, out)) in lanes.iter_mut().zip(outside).enumerate() {
        let span = k * row.cell..((k + 1) * row.cell).min(n);
        if *out || inside[span.clone()].contains(&0) {
            *out = true;
            continue;
        }
        let mean = row.means[k];
        let middle = 0.5 * (row.cell as f32 - 1.0);
        for at in span.clone().step_by(LANES) {
            let many = LANES.min(span.end - at);
            let x = (at - span.start) as f32 - middle;
            if many == LANES {
                let f = eight(frame, at).map(|f| f - mean);
                let own = [eight(r, at), eight(gx, at), eight(gy, at), eight(d, at)];
                add_lanes(sums, &f, &own, (x, row.y));
            } else {
                let mut f = [0.0f32; LANES];
                f.iter_mut().zip(&frame[at..at + many]).for_each(|(f, frame)| *f = frame - mean);
                let mut few = [[0.0f32; LANES]; 4];
                for (few, own) in few.iter_mut().zip([r, gx, gy, d]) {
                    few[..many].copy_from_slice(&own[at..at + many]);
                }
                add_lanes(sums, &f, &few, (x, row.y));
            }
        }
    }
}

#[inline(always)]
fn add_lanes(
    sums: &mut [[f32; LANES]; SUMS],
    f: &[f32; LANES],
    [r, gx, gy, d]: &[[f32; LANES]; 4],
    (x, y): (f32, f32),
) {
    for l in 0..LANES {
        sums[0][l] += f[l] * r[l];
        sums[1][l] += f[l] * gx[l];
        sums[2][l] += f[l] * gy[l];
        sums[3][l] += f[l] * d[l];
        sums[4][l] += f[l];
        sums[5][l] += f[l] * (x + l as f32);
        sums[6][l] += f[l] * y;
        sums[7][l] += f[l] * f[l];
    }
}
