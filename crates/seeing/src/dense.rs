//! Dense comparison of a frame with the reference: what every cell says about the displacement.
//!
//! The frame is sampled along the field (Keys' cubic) and compared with
//! the reference px by px; each cell keeps five sums of the frame, those of the reference alone
//! are known beforehand. Lanes run along x; the order of all additions is fixed.

use crate::field::Field;
use crate::luminance::LightRows;
use crate::piece::Piece;
use crate::places::{LANES, eight, runs};
use crate::raster::{Kernel, Raster, smooth};
use crate::warp::slopes;
use multiversion::multiversion;
use std::ops::Range;
use stillwright_picture::{Cancelled, Progress};

/// How many rows are compared.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Rows {
    /// One of two. The band-pass leaves little above a quarter of a cycle per px, so that every second row
    /// knows what its neighbours know.
    Half,
    /// One of four: enough for rounds after which another follows.
    Quarter,
}

impl Rows {
    /// Of this many rows one is compared.
    pub fn step(self) -> usize {
        match self {
            Rows::Half => 2,
            Rows::Quarter => 4,
        }
    }

    /// The rows of a cell that are compared, a bit each.
    fn bits(self) -> u64 {
        match self {
            Rows::Half => u64::MAX / 3,
            Rows::Quarter => u64::MAX / 15,
        }
    }
}

/// What the reference is blurred by (standard deviation of a Gaussian, px) to know how it differs from a softer or
/// sharper frame. 1.5 and 2.5 are alike.
const SOFTER_PX: f32 = 1.5;

/// Sums over one cell: reference r, warped frame f, slopes g of the reference, and d, which the reference blurred
/// a little more has beside it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct CellSums {
    pub n: f32,
    pub rr: f32,
    pub fr: f32,
    pub ff: f32,
    pub xx: f32,
    pub xy: f32,
    pub yy: f32,
    pub xf: f32,
    pub yf: f32,
    pub xr: f32,
    pub yr: f32,
    pub fd: f32,
    pub rd: f32,
    pub dd: f32,
    pub xd: f32,
    pub yd: f32,
}

/// The reference, ready for comparisons.
#[derive(Clone)]
pub(crate) struct Dense {
    passed: Raster,
    slope_x: Raster,
    slope_y: Raster,
    /// The reference blurred by [`SOFTER_PX`], minus itself.
    softer: Raster,
    /// Sums of the reference over each whole cell, for each way to choose rows.
    cells: [Vec<CellSums>; 2],
    cell_px: usize,
    columns: usize,
}

/// Buffers of one worker.
#[derive(Clone, Debug, Default)]
pub(crate) struct DenseWork {
    piece: Piece,
    lanes: Vec<[[f32; LANES]; 5]>,
    /// Rows of each cell that lie in the frame, a bit each.
    rows: Vec<u64>,
    /// One entry a cell; all zero where nothing was compared.
    pub sums: Vec<CellSums>,
}

impl Dense {
    /// Prepare the band-passed reference for cells of `cell_px` (at most 64).
    pub fn new(passed: Raster, cell_px: usize) -> Dense {
        let (slope_x, slope_y) = slopes(&passed);
        let columns = passed.width.div_ceil(cell_px);
        let count = columns * passed.height.div_ceil(cell_px);
        let (mut softer, kernel) = (Raster::default(), Kernel::gaussian(SOFTER_PX));
        smooth(&passed, &kernel, &mut Raster::default(), &mut softer);
        softer.values.iter_mut().zip(&passed.values).for_each(|(d, r)| *d -= r);
        let cells = Default::default();
        let mut dense = Dense { passed, slope_x, slope_y, softer, cells, cell_px, columns };
        dense.cells = [Rows::Half, Rows::Quarter]
            .map(|rows| (0..count).map(|c| dense.of_reference(c, rows.bits())).collect());
        dense
    }

    /// Slopes of the reference.
    pub fn slopes(&self) -> (&Raster, &Raster) {
        (&self.slope_x, &self.slope_y)
    }

    /// Sums of the reference over the rows of a cell that `rows` tells.
    fn of_reference(&self, cell: usize, rows: u64) -> CellSums {
        let (i, j) = (cell % self.columns, cell / self.columns);
        let (x, y) = (i * self.cell_px, j * self.cell_px);
        let right = (x + self.cell_px).min(self.passed.width);
        let mut s = CellSums::default();
        for row in 0..self.cell_px.min(self.passed.height - y) {
            if rows >> row & 1 == 0 {
                continue;
            }
            let r = &self.passed.row(y + row)[x..right];
            let gx = &self.slope_x.row(y + row)[x..right];
            let gy = &self.slope_y.row(y + row)[x..right];
            let d = &self.softer.row(y + row)[x..right];
            for (((r, gx), gy), d) in r.iter().zip(gx).zip(gy).zip(d) {
                s.rd += r * d;
                s.dd += d * d;
                s.xd += gx * d;
                s.yd += gy * d;
                s.rr += r * r;
                s.xx += gx * gx;
                s.xy += gx * gy;
                s.yy += gy * gy;
                s.xr += gx * r;
                s.yr += gy * r;
            }
            s.n += (right - x) as f32;
        }
        s
    }

    /// Compare some `rows` of `frame` (band-passed) along `field` wherever `wanted` says so; the sums are left
    /// in `work`. A row of a cell that reaches beyond the frame does not count.
    ///
    /// # Errors
    /// When cancelled, asked for before each row of cells.
    pub fn compare(
        &self,
        frame: &Raster,
        field: &Field,
        (rows, wanted): (Rows, Option<&[bool]>),
        work: &mut DenseWork,
        progress: &dyn Progress,
    ) -> Result<(), Cancelled> {
        work.sums.clear();
        work.sums.resize(self.cells[0].len(), CellSums::default());
        for band in 0..self.passed.height.div_ceil(self.cell_px) {
            progress.check()?;
            for cells in runs(wanted, band * self.columns, self.columns) {
                self.compare_run(frame, field, (band, rows), cells, work);
            }
        }
        Ok(())
    }

    /// Compare a run of cells side by side, some at a time.
    fn compare_run(
        &self,
        frame: &Raster,
        field: &Field,
        (band, rows): (usize, Rows),
        cells: Range<usize>,
        work: &mut DenseWork,
    ) {
        let (cell, top) = (self.cell_px, band * self.cell_px);
        let columns = |of: &Range<usize>| of.start * cell..(of.end * cell).min(self.passed.width);
        let looked_at = || (top..(top + cell).min(self.passed.height)).step_by(rows.step());
        let light = LightRows::Light(frame);
        let mut left = cells;
        while !left.is_empty() {
            let piece = work.piece.look_at_first((&light, 0.0), field, &left, columns, looked_at);
            left.start = piece.end.max(left.start + 1);
            if !piece.is_empty() {
                self.compare_piece((band, rows), piece, work);
            }
        }
    }

    /// Compare the cells of the piece that was looked at.
    fn compare_piece(
        &self,
        (band, rows): (usize, Rows),
        cells: Range<usize>,
        work: &mut DenseWork,
    ) {
        let (width, cell) = (self.passed.width, self.cell_px);
        let span = cells.start * cell..(cells.end * cell).min(width);
        work.lanes.clear();
        work.lanes.resize(cells.len(), [[0.0; LANES]; 5]);
        work.rows.clear();
        work.rows.resize(cells.len(), 0);
        let whole = (self.passed.height - band * cell).min(cell);
        for (number, row) in (0..whole).step_by(rows.step()).enumerate() {
            let y = band * cell + row;
            let compared = Row {
                reference: &self.passed.row(y)[span.clone()],
                slope_x: &self.slope_x.row(y)[span.clone()],
                slope_y: &self.slope_y.row(y)[span.clone()],
                softer: &self.softer.row(y)[span.clone()],
                cell,
                bit: 1 << (row % 64),
            };
            let (frame, inside) = work.piece.keys(number);
            add_row(frame, inside, &compared, &mut work.lanes, &mut work.rows);
        }
        let all = rows.bits() & if whole >= 64 { u64::MAX } else { (1 << whole) - 1 };
        for (k, column) in cells.enumerate() {
            let index = band * self.columns + column;
            let mut sums = match work.rows[k] {
                0 => continue,
                seen if seen == all => self.cells[rows as usize][index],
                seen => self.of_reference(index, seen),
            };
            let [fr, ff, xf, yf, fd] = work.lanes[k].map(|lanes| lanes.iter().sum::<f32>());
            (sums.fr, sums.ff, sums.xf, sums.yf, sums.fd) = (fr, ff, xf, yf, fd);
            work.sums[index] = sums;
        }
    }
}

/// One row of the reference, to be compared.
struct Row<'a> {
    reference: &'a [f32],
    slope_x: &'a [f32],
    slope_y: &'a [f32],
    softer: &'a [f32],
    cell: usize,
    bit: u64,
}

#[multiversion(targets("x86_64+avx2+bmi2"))]
fn add_row<'a>(
    frame: &[f32],
    inside: &[u8],
    row: &Row<'a>,
    lanes: &mut [[[f32; LANES]; 5]],
    rows: &mut [u64],
) {
    let n = row.reference.len();
    let (slope_x, slope_y) = (&row.slope_x[..n], &row.slope_y[..n]);
    let softer = &row.softer[..n];
    let (frame, inside) = (&frame[..n], &inside[..n]);
    for (k, (sums, seen)) in lanes.iter_mut().zip(rows).enumerate() {
        let span = k * row.cell..((k + 1) * row.cell).min(n);
        if inside[span.clone()].contains(&0) {
            continue;
        }
        *seen |= row.bit;
        let whole = span.start + span.len() / LANES * LANES;
        for at in (span.start..whole).step_by(LANES) {
            let reference = eight(row.reference, at);
            let own = [reference, eight(slope_x, at), eight(slope_y, at), eight(softer, at)];
            add_lanes(sums, &eight(frame, at), &own);
        }
        if whole < span.end {
            let (mut f, mut own) = ([0.0f32; LANES], [[0.0f32; LANES]; 4]);
            for (l, x) in (whole..span.end).enumerate() {
                f[l] = frame[x];
                let here = [row.reference[x], slope_x[x], slope_y[x], softer[x]];
                own.iter_mut().zip(here).for_each(|(own, here)| own[l] = here);
            }
            add_lanes(sums, &f, &own);
        }
    }
}

#[inline(always)]
fn add_lanes(sums: &mut [[f32; LANES]; 5], f: &[f32; LANES], [r, gx, gy, d]: &[[f32; LANES]; 4]) {
    for l in 0..LANES {
        sums[0][l] += f[l] * r[l];
        sums[1][l] += f[l] * f[l];
        sums[2][l] += gx[l] * f[l];
        sums[3][l] += gy[l] * f[l];
        sums[4][l] += d[l] * f[l];
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::field::RowExpander;
    use crate::warp::warp_row;

    #[test]
    fn sums_agree_with_the_plain_ones_at_the_edge_too() {
        for chosen in [Rows::Half, Rows::Quarter] {
            sums_agree(chosen);
        }
    }

    fn sums_agree(chosen: Rows) {
        let (width, height, cell) = (76, 50, 8);
        let mut reference = Raster::zeros(width, height);
        let mut frame = Raster::zeros(width, height);
        for i in 0..width * height {
            let (x, y) = ((i % width) as f32, (i / width) as f32);
            reference.values[i] = (x * 0.31).sin() * (y * 0.23).cos();
            frame.values[i] = (x * 0.29).sin() * (y * 0.27).cos() + 0.01 * (i % 7) as f32;
        }
        let mut field = Field::constant(width, height, cell, 1.3, -0.7);
        for (k, (x, y)) in field.x_px.iter_mut().zip(&mut field.y_px).enumerate() {
            *x += 0.4 * (k as f32).sin();
            *y += 0.4 * (k as f32 * 1.7).cos();
        }
        let dense = Dense::new(reference.clone(), cell);
        let mut work = DenseWork::default();
        let silent = stillwright_picture::Silent;
        dense.compare(&frame, &field, (chosen, None), &mut work, &silent).unwrap();
        let (slope_x, slope_y) = slopes(&reference);
        let mut expander = RowExpander::default();
        let mut expected = vec![CellSums::default(); work.sums.len()];
        let (mut dx, mut dy) = (vec![0.0; width], vec![0.0; width]);
        for y in (0..height).filter(|y| y % cell % chosen.step() == 0) {
            let grid = (field.columns, field.rows, cell);
            expander.expand(&field.x_px, grid, 1.0, y, 0, &mut dx);
            expander.expand(&field.y_px, grid, 1.0, y, 0, &mut dy);
            for column in 0..field.columns {
                let span = column * cell..((column + 1) * cell).min(width);
                let mut f = vec![0.0; span.len()];
                let (dx, dy) = (&dx[span.clone()], &dy[span.clone()]);
                if !warp_row(&frame, span.start as f32, y as f32, dx, dy, &mut f) {
                    continue;
                }
                let s = &mut expected[y / cell * field.columns + column];
                for (k, f) in f.iter().enumerate() {
                    let at = y * width + span.start + k;
                    let r = reference.values[at];
                    let (gx, gy) = (slope_x.values[at], slope_y.values[at]);
                    s.n += 1.0;
                    s.rr += r * r;
                    s.fr += f * r;
                    s.ff += f * f;
                    s.xx += gx * gx;
                    s.yf += gy * f;
                    s.yr += gy * r;
                }
            }
        }
        let mut partial = 0;
        for (found, expected) in work.sums.iter().zip(&expected) {
            assert_eq!(found.n, expected.n);
            partial += usize::from(found.n > 0.0 && found.n < (cell * cell / chosen.step()) as f32);
            let pairs = [
                (found.rr, expected.rr),
                (found.fr, expected.fr),
                (found.ff, expected.ff),
                (found.xx, expected.xx),
                (found.yf, expected.yf),
                (found.yr, expected.yr),
            ];
            for (a, b) in pairs {
                assert!((a - b).abs() < 0.05, "{found:?} {expected:?}");
            }
        }
        assert!(partial > 0, "no cell lies across the edge");
    }
}
