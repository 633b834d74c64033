//! Where, around the place that was found, a frame shows most of the reference's fine waves.
//!
//! Rough air makes several specks of a point, and what a mean gains from a frame is greatest where the brightest of them lies on the point
//! (shift-and-add: Bates and Cady, Opt. Commun. 32, 365, 1980, from memory). Slopes lead up the nearest hill only; so the agreement is
//! looked at a px to each side as well, place by place, and the field goes most of the way to where it is greatest.

use super::super::grid::FineGrid;
use super::Keen;
use crate::field::Field;
use crate::luminance::LightRows;
use crate::piece::Piece;
use crate::places::{LANES, eight};
use crate::raster::{Kernel, Raster, smooth};
use multiversion::multiversion;
use std::ops::Range;
use stillwright_picture::{Cancelled, Progress};

/// Px beside the place that are looked at, each way.
const BESIDE_PX: [f32; ROWS] = [-1.0, 0.0, 1.0];
const ROWS: usize = 3;
const PLACES: usize = ROWS * ROWS;

/// Sums over a cell at the places beside each other, in lanes.
type Lanes = [[f32; LANES]; ROWS];

/// How fast a place counts less the further its agreement lies below the greatest: e times less for each sixtieth.
const KEENNESS: f32 = 60.0;

/// Buffers of one worker.
#[derive(Clone, Debug, Default)]
pub(in crate::fine) struct PeakWork {
    lanes: Vec<Lanes>,
    outside: Vec<bool>,
    /// What the frame shows at each of the places, a cell each: sums of the frame times the whitened reference, then steadied.
    shown: [Raster; PLACES],
    /// Where it shows most, px beside the place that was found.
    beside: [Raster; 2],
    steadied: Raster,
    work: Raster,
}

impl Keen {
    /// Bend `field` to where `frame` shows most.
    ///
    /// # Errors
    /// When cancelled, asked for before each row of cells.
    pub(super) fn go_to_peak(
        &self,
        frame: &LightRows<'_>,
        field: &mut Field,
        wanted: Option<&[bool]>,
        (piece, work): (&mut Piece, &mut PeakWork),
        progress: &dyn Progress,
    ) -> Result<(), Cancelled> {
        let grid = self.grid;
        let PeakWork { lanes, outside, shown, beside, steadied, work } = work;
        for raster in shown.iter_mut().chain(&mut *beside) {
            raster.reshape(grid.columns, grid.bands());
            raster.values.fill(0.0);
        }
        let each = |piece: &mut Piece, band: usize, cells: Range<usize>| {
            self.look_beside(piece, band, cells, (&mut *lanes, &mut *outside, &mut *shown));
        };
        grid.pieces_and(1.0, frame, field, wanted, (piece, each), progress)?;
        for one in &mut *shown {
            smooth(one, &self.peak, work, steadied);
            std::mem::swap(one, steadied);
        }
        let [x, y] = &mut *beside;
        for cell in 0..grid.cells() {
            (x.values[cell], y.values[cell]) = most(&shown.each_ref().map(|s| s.values[cell]));
        }
        for (beside, field) in beside.iter().zip([&mut field.x_px, &mut field.y_px]) {
            smooth(beside, &self.peak, work, steadied);
            field.iter_mut().zip(&steadied.values).for_each(|(d, more)| *d += more);
        }
        Ok(())
    }

    /// What the frame shows at each place, for the cells of the piece that was looked at.
    fn look_beside(
        &self,
        piece: &mut Piece,
        band: usize,
        cells: Range<usize>,
        (lanes, outside, shown): (&mut Vec<Lanes>, &mut Vec<bool>, &mut [Raster; PLACES]),
    ) {
        let FineGrid { columns, cell_px, .. } = self.grid;
        let span = self.grid.across_all(&cells);
        let first = band * columns + cells.start;
        let means = &self.means[first..first + cells.len()];
        lanes.clear();
        lanes.resize(ROWS * cells.len(), [[0.0; LANES]; ROWS]);
        outside.clear();
        outside.resize(cells.len(), false);
        for (j, (row, _)) in self.grid.rows(band).enumerate() {
            let white = &self.agree.own[self.grid.span(row, &span)];
            for (beside, lanes) in BESIDE_PX.iter().zip(lanes.chunks_exact_mut(cells.len())) {
                let (frame, _) = piece.b_spline_below(j, *beside);
                add_row(frame, white, (means, cell_px), lanes);
            }
            for (out, inside) in outside.iter_mut().zip(piece.inside(j).chunks(cell_px)) {
                *out |= inside.contains(&0);
            }
        }
        for (row, lanes) in lanes.chunks_exact(cells.len()).enumerate() {
            for (k, lanes) in lanes.iter().enumerate().filter(|(k, _)| !outside[*k]) {
                for (beside, lanes) in lanes.iter().enumerate() {
                    shown[ROWS * row + beside].values[first + k] = lanes.iter().sum();
                }
            }
        }
    }
}

/// How that is steadied with what lies around, cells of `cell_px`: ground over 16 px, discs, for which `steady_px` is more, over more.
pub(super) fn kernel(steady_px: f32, cell_px: usize) -> Kernel {
    Kernel::gaussian((0.8 * steady_px / cell_px as f32).max(0.3))
}

/// Mean of the places, px, each weighed by how little less than the most is shown there; none where nothing is.
fn most(shown: &[f32; PLACES]) -> (f32, f32) {
    let top = shown.iter().copied().fold(0.0, f32::max);
    if top <= 0.0 {
        return (0.0, 0.0);
    }
    let (mut sum, mut x, mut y) = (0.0, 0.0, 0.0);
    for (place, shown) in shown.iter().enumerate() {
        let weight = (KEENNESS * (shown / top - 1.0)).exp();
        sum += weight;
        x += weight * BESIDE_PX[place % ROWS];
        y += weight * BESIDE_PX[place / ROWS];
    }
    (x / sum, y / sum)
}

/// Add one row of the frame times the whitened reference up, cell by cell: as it is, and by a px to the left and to the right, which lie
/// one place along the row. The first and the last place of the row are left out of all three.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512vl+avx2+bmi2", "x86_64+avx2+bmi2"))]
fn add_row(frame: &[f32], white: &[f32], (means, cell_px): (&[f32], usize), lanes: &mut [Lanes]) {
    let n = white.len().min(frame.len());
    for (k, (sums, mean)) in lanes.iter_mut().zip(means).enumerate() {
        let (from, to) = ((k * cell_px).max(1), ((k + 1) * cell_px).min(n.saturating_sub(1)));
        for at in (from..to).step_by(LANES) {
            if at + LANES <= to {
                let w = eight(white, at);
                for (beside, sums) in sums.iter_mut().enumerate() {
                    let f = eight(frame, at + beside - 1);
                    for l in 0..LANES {
                        sums[l] += (f[l] - mean) * w[l];
                    }
                }
            } else {
                for (beside, sums) in sums.iter_mut().enumerate() {
                    for l in 0..to - at {
                        sums[l] += (frame[at + l + beside - 1] - mean) * white[at + l];
                    }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_greatest_agreement_is_gone_to_and_none_at_all_moves_nothing() {
        assert_eq!(most(&[0.0; PLACES]), (0.0, 0.0));
        assert_eq!(most(&[-1.0; PLACES]), (0.0, 0.0));
        assert_eq!(most(&[2.0; PLACES]), (0.0, 0.0));
        let mut shown = [0.5; PLACES];
        // One px to the right, one up.
        shown[2] = 1.0;
        let (x, y) = most(&shown);
        assert!((x - 1.0).abs() < 1e-6 && (y + 1.0).abs() < 1e-6, "{x} {y}");
        // Two that are alike: half-way.
        (shown[2], shown[4], shown[5]) = (0.5, 1.0, 1.0);
        let (x, y) = most(&shown);
        assert!((x - 0.5).abs() < 1e-6 && y.abs() < 1e-6, "{x} {y}");
    }
}
