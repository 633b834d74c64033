//! Which px of the reference are compared at full size, cell by cell.

use super::STEP;
use super::plane::Basis;
use crate::field::Field;
use crate::luminance::LightRows;
use crate::piece::Piece;
use crate::places::runs;
use crate::raster::Raster;
use std::ops::Range;
use stillwright_picture::{Cancelled, Progress};

/// Square cells over a reference, of whose rows one in [`STEP`] is compared. Compared rows are kept row after row.
#[derive(Clone, Copy, Debug)]
pub(crate) struct FineGrid {
    width: usize,
    height: usize,
    /// Side of a cell, px.
    pub cell_px: usize,
    /// Cells side by side.
    pub columns: usize,
}

impl FineGrid {
    /// Over the light of a reference.
    pub fn new(light: &Raster, cell_px: usize) -> FineGrid {
        let (width, height) = (light.width, light.height);
        FineGrid { width, height, cell_px, columns: width.div_ceil(cell_px) }
    }

    /// Rows of cells.
    pub fn bands(&self) -> usize {
        self.height.div_ceil(self.cell_px)
    }

    /// Number of cells.
    pub fn cells(&self) -> usize {
        self.columns * self.bands()
    }

    /// The rows of `from` that are compared.
    pub fn compared(&self, from: &Raster) -> Vec<f32> {
        let rows = (0..self.height).filter(|y| y % self.cell_px % STEP == STEP / 2);
        rows.flat_map(|y| from.row(y).iter().copied()).collect()
    }

    /// Columns of a cell.
    pub fn across(&self, column: usize) -> Range<usize> {
        column * self.cell_px..((column + 1) * self.cell_px).min(self.width)
    }

    /// Columns of cells side by side, of which there is one at least.
    pub fn across_all(&self, cells: &Range<usize>) -> Range<usize> {
        cells.start * self.cell_px..self.across(cells.end.saturating_sub(1)).end
    }

    /// Where the px of columns `across` of a compared `row` are kept.
    pub fn span(&self, row: usize, across: &Range<usize>) -> Range<usize> {
        row * self.width + across.start..row * self.width + across.end
    }

    /// The rows of a band of cells that are compared: their number among all compared, and where they lie.
    pub fn rows(&self, band: usize) -> impl Iterator<Item = (usize, usize)> + use<> {
        let (top, bottom) = (band * self.cell_px, ((band + 1) * self.cell_px).min(self.height));
        let first = band * self.cell_px.saturating_sub(STEP / 2).div_ceil(STEP);
        (top + STEP / 2..bottom).step_by(STEP).enumerate().map(move |(k, y)| (first + k, y))
    }

    /// Planes over a cell.
    pub fn basis(&self, band: usize, column: usize) -> Basis {
        Basis::new(self.across(column).len(), self.rows(band).count())
    }

    /// Take the plane that fits best over a cell off compared `values`; their mean there is told.
    pub fn take_plane_off(&self, values: &mut [f32], band: usize, column: usize) -> f32 {
        let (across, basis) = (self.across(column), self.basis(band, column));
        let mut sums = [0.0f32; 3];
        for (j, (row, _)) in self.rows(band).enumerate() {
            for (i, v) in values[self.span(row, &across)].iter().enumerate() {
                sums[0] += v;
                sums[1] += v * basis.x(i);
                sums[2] += v * basis.y(j);
            }
        }
        for (j, (row, _)) in self.rows(band).enumerate() {
            for (i, v) in values[self.span(row, &across)].iter_mut().enumerate() {
                *v -= basis.plane(&sums, i, j);
            }
        }
        sums[0] / basis.n.max(1.0)
    }

    /// Look along `field` at all of `frame` that is `wanted`, and hand each piece on with its band and its cells.
    ///
    /// # Errors
    /// When cancelled, asked for before each row of cells.
    pub fn pieces(
        &self,
        frame: &LightRows<'_>,
        field: &Field,
        wanted: Option<&[bool]>,
        each: (&mut Piece, impl FnMut(&mut Piece, usize, Range<usize>)),
        progress: &dyn Progress,
    ) -> Result<(), Cancelled> {
        self.pieces_and(0.0, frame, field, wanted, each, progress)
    }

    /// The same, and up to `below_px` above and below it.
    ///
    /// # Errors
    /// As [`FineGrid::pieces`].
    pub fn pieces_and(
        &self,
        below_px: f32,
        frame: &LightRows<'_>,
        field: &Field,
        wanted: Option<&[bool]>,
        (piece, mut each): (&mut Piece, impl FnMut(&mut Piece, usize, Range<usize>)),
        progress: &dyn Progress,
    ) -> Result<(), Cancelled> {
        for band in 0..self.bands() {
            progress.check()?;
            let rows = || self.rows(band).map(|(_, y)| y);
            for mut left in runs(wanted, band * self.columns, self.columns) {
                while !left.is_empty() {
                    let columns = |of: &Range<usize>| self.across_all(of);
                    let seen = (frame, below_px);
                    let cells = piece.look_at_first(seen, field, &left, columns, rows);
                    left.start = cells.end.max(left.start + 1);
                    if !cells.is_empty() {
                        each(piece, band, cells);
                    }
                }
            }
        }
        Ok(())
    }
}
