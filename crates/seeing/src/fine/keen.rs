//! What fine waves alone say of where a frame lies as a whole.
//!
//! Air that is rough displaces each wave by another amount, and a scene's power is in the coarse ones; what is
//! worth aligning is fine. So frame and reference are compared by the slopes of a reference whose waves weigh alike
//! (`whiten`). Such a comparison is noisy: it tells one shift of the whole frame, and beyond that a bend that must be smooth.
//!
//! With `z` the fine slopes and `g` all of the slopes, `sum z (f / c - r - b d) = (sum z g') u`, for a frame of contrast
//! `c` and softness `b` as the comparison before told them; `z` has the covariance `sum z z'`, hence the information
//! `A' Z^-1 A` of each cell (generalised least squares with instruments, textbooks of statistics, from memory).

use super::agree::{Agree, AgreeWork};
use super::grid::FineGrid;
use super::whiten::whitened;
use super::{Fine, STEP, slopes};
use crate::field::{self, Effort, Field, Measured, Smoothness, SolveWork};
use crate::luminance::LightRows;
use crate::measure::{CORRELATED_PX, Likeness};
use crate::piece::Piece;
use crate::places::{LANES, eight};
use crate::raster::{Kernel, Raster};
use multiversion::multiversion;
use peak::PeakWork;
use std::ops::Range;
use stillwright_picture::{Cancelled, Progress};

/// A shift by less than this, px, is the last. (Every second row only: a quarter of the gain on a disc is lost.)
const ENOUGH_PX: f32 = 0.03;

/// What fine waves may bend a field by. (Half and double the slope and spread, half and double the curvature: within 1 % of the information;
/// three times all of it is worse than no bend in calm air.)
const BEND: Smoothness = Smoothness { slope: 0.1, curvature: 0.005, spread_px: 1.0 };

/// It is expected in full in frames that the air bends by this much, px rms, and hardly at all below the lesser figure. (As much in calm air as
/// in rough bends a calm night's stack by 1.28 times the bend of the mean of all its frames instead of 1.16, for no information.)
const RESTLESS_PX: f32 = 2.0;
const CALM_PX: f32 = 1.35;
/// The least share of it.
const LEAST_BEND: f32 = 0.05;

/// How exactly the bend is worked out.
const BEND_EFFORT: Effort = Effort { rounds: 40, precision_px: 0.002 };

/// Sums over a cell of the frame times the two fine slopes and times the whitened reference, in lanes.
type Lanes = [[f32; LANES]; 3];

/// Sums over a cell of the reference: fine slopes times all of the slope, times each other, times the reference and times
/// its blur.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct KeenSums {
    /// `A`: xx, xy, yx, yy; the first is the fine slope's way.
    mixed: [f32; 4],
    /// `Z`: xx, xy, yy.
    fine: [f32; 3],
    reference: [f32; 2],
    blur: [f32; 2],
}

/// The reference, ready for comparisons.
#[derive(Clone)]
pub(crate) struct Keen {
    grid: FineGrid,
    /// Fine slopes without their planes, row after row of those that are compared.
    own: [Vec<f32>; 2],
    cells: Vec<KeenSums>,
    means: Vec<f32>,
    agree: Agree,
    /// How what is shown beside a place is steadied.
    peak: Kernel,
}

/// Buffers of one worker.
#[derive(Clone, Debug, Default)]
pub(crate) struct KeenWork {
    piece: Piece,
    lanes: Vec<Lanes>,
    outside: Vec<bool>,
    measured: Vec<Measured>,
    agree: AgreeWork,
    peak: PeakWork,
    bend: Field,
    solve: SolveWork,
}

impl KeenWork {
    /// How far the frame that was followed last agrees, for each cell.
    pub fn agreement(&self) -> &[f32] {
        &self.agree.agreement
    }

    /// No frame was followed.
    pub fn forget(&mut self) {
        self.agree.agreement.clear();
    }
}

impl Keen {
    /// Prepare the reference's `light`, of which `fine` was made; frames have this `noise_variance`. How far they agree is steadied
    /// over `steady_px`.
    pub fn new(light: &Raster, fine: &Fine, noise_variance: f32, steady_px: f32) -> Keen {
        let grid = fine.grid;
        let white = whitened(light, noise_variance);
        let agree = Agree::new(&white, fine, steady_px);
        let (x, y) = slopes(&white);
        drop(white);
        let own = [grid.compared(&x), grid.compared(&y)];
        let cells = vec![KeenSums::default(); grid.cells()];
        let peak = peak::kernel(steady_px, grid.cell_px);
        let mut keen = Keen { grid, own, cells, means: fine.means.clone(), agree, peak };
        for band in 0..grid.bands() {
            for column in 0..grid.columns {
                for own in &mut keen.own {
                    grid.take_plane_off(own, band, column);
                }
                keen.cells[band * grid.columns + column] = keen.of_reference(fine, band, column);
            }
        }
        keen
    }

    fn of_reference(&self, fine: &Fine, band: usize, column: usize) -> KeenSums {
        let mut s = KeenSums::default();
        let [r, gx, gy, d] = &fine.own;
        for (row, _) in self.grid.rows(band) {
            for at in self.grid.span(row, &self.grid.across(column)) {
                let z = [self.own[0][at], self.own[1][at]];
                let g = [gx[at], gy[at]];
                for (k, sum) in s.mixed.iter_mut().enumerate() {
                    *sum += z[k / 2] * g[k % 2];
                }
                for (sum, (a, b)) in s.fine.iter_mut().zip([(0, 0), (0, 1), (1, 1)]) {
                    *sum += z[a] * z[b];
                }
                for (k, z) in z.iter().enumerate() {
                    s.reference[k] += z * r[at];
                    s.blur[k] += z * d[at];
                }
            }
        }
        s
    }

    /// Compare `frame` along `field` wherever `wanted` says so, and move the field as a whole by what fine waves say, in `rounds`
    /// at most; what they said last bends it besides, and how far they agreed is left in `work`. `likeness` tells how each cell of the frame is like the reference.
    ///
    /// # Errors
    /// When cancelled, asked for before each row of cells.
    pub fn follow(
        &self,
        frame: &LightRows<'_>,
        field: &mut Field,
        (wanted, likeness, rounds): (Option<&[bool]>, &[Likeness], usize),
        work: &mut KeenWork,
        progress: &dyn Progress,
    ) -> Result<(), Cancelled> {
        if rounds > 0 && ripple_px(field, wanted) >= CALM_PX {
            self.go_to_peak(frame, field, wanted, (&mut work.piece, &mut work.peak), progress)?;
        }
        for round in 1..=rounds {
            let (x, y) = self.shift(frame, field, (wanted, likeness), work, progress)?;
            if round < rounds && x.hypot(y) >= ENOUGH_PX {
                field.x_px.iter_mut().for_each(|d| *d += x);
                field.y_px.iter_mut().for_each(|d| *d += y);
                continue;
            }
            let KeenWork { measured, agree, bend, solve, .. } = work;
            self.agree.tell(&self.grid, agree);
            bend.clone_from(field);
            bend.x_px.fill(x);
            bend.y_px.fill(y);
            let expected = bend_expected(ripple_px(field, wanted));
            field::solve(bend, measured, &expected, (x, y), BEND_EFFORT, solve);
            field.x_px.iter_mut().zip(&bend.x_px).for_each(|(d, more)| *d += more);
            field.y_px.iter_mut().zip(&bend.y_px).for_each(|(d, more)| *d += more);
            break;
        }
        Ok(())
    }

    /// How much further than `field` says the frame lies, px.
    fn shift(
        &self,
        frame: &LightRows<'_>,
        field: &Field,
        (wanted, likeness): (Option<&[bool]>, &[Likeness]),
        work: &mut KeenWork,
        progress: &dyn Progress,
    ) -> Result<(f32, f32), Cancelled> {
        let KeenWork { piece, lanes, outside, measured, agree, .. } = work;
        measured.clear();
        measured.resize(self.cells.len(), Measured::default());
        agree.clear(self.cells.len());
        let each = |piece: &mut Piece, band: usize, cells: Range<usize>| {
            let first = band * self.grid.columns + cells.start;
            self.compare_piece(piece, band, cells.clone(), lanes, outside);
            for (k, index) in (first..first + cells.len()).enumerate() {
                if let (false, Some(likeness)) = (outside[k], likeness.get(index)) {
                    let [x, y, agrees] = lanes[k].map(|lanes| lanes.iter().sum::<f32>());
                    measured[index] = told(&self.cells[index], [x, y], likeness);
                    agree.sums[index] = agrees;
                }
            }
        };
        self.grid.pieces(frame, field, wanted, (piece, each), progress)?;
        Ok(mean(measured))
    }

    /// Sums of the frame times the fine slopes and the whitened reference, for each cell of the piece that was looked at.
    fn compare_piece(
        &self,
        piece: &mut Piece,
        band: usize,
        cells: Range<usize>,
        lanes: &mut Vec<Lanes>,
        outside: &mut Vec<bool>,
    ) {
        let grid = self.grid;
        let span = grid.across_all(&cells);
        let first = band * grid.columns + cells.start;
        let means = &self.means[first..first + cells.len()];
        lanes.clear();
        lanes.resize(cells.len(), [[0.0; LANES]; 3]);
        outside.clear();
        outside.resize(cells.len(), false);
        for (j, (row, _)) in grid.rows(band).enumerate() {
            let own = grid.span(row, &span);
            let [x, y] = &self.own;
            let own = [x, y, &self.agree.own].map(|of| &of[own.clone()]);
            let (frame, inside) = piece.b_spline(j);
            add_row(frame, inside, own, (means, grid.cell_px), lanes, outside);
        }
    }
}

/// How much `field` bends a frame where it is `wanted`: rms about its mean, both axes together, px.
fn ripple_px(field: &Field, wanted: Option<&[bool]>) -> f32 {
    let (mut n, mut x, mut y, mut squares) = (0.0f64, 0.0f64, 0.0f64, 0.0f64);
    for (cell, (dx, dy)) in field.x_px.iter().zip(&field.y_px).enumerate() {
        if wanted.is_none_or(|wanted| wanted.get(cell) == Some(&true)) {
            let (dx, dy) = (f64::from(*dx), f64::from(*dy));
            (n, x, y, squares) = (n + 1.0, x + dx, y + dy, squares + dx * dx + dy * dy);
        }
    }
    let n = n.max(1.0);
    (squares / n - (x * x + y * y) / (n * n)).max(0.0).sqrt() as f32
}

/// The bend to be expected of fine waves in a frame that the air bends by `ripple_px`.
fn bend_expected(ripple_px: f32) -> Smoothness {
    let share = (ripple_px - CALM_PX) / (RESTLESS_PX - CALM_PX);
    let share = share.clamp(LEAST_BEND, 1.0);
    Smoothness {
        slope: BEND.slope * share,
        curvature: BEND.curvature * share,
        spread_px: BEND.spread_px * share,
    }
}

/// What a cell says: how much further the frame lies than was thought, px, and how sure that is.
fn told(own: &KeenSums, frame: [f32; 2], likeness: &Likeness) -> Measured {
    let Likeness { contrast, softness, scatter } = *likeness;
    if scatter <= 0.0 {
        return Measured::default();
    }
    let b = [0, 1].map(|k| frame[k] / contrast - own.reference[k] - softness * own.blur[k]);
    let [xx, xy, yy] = own.fine;
    let ridge = 1e-3 * (xx + yy) + 1e-20;
    let (xx, yy) = (xx + ridge, yy + ridge);
    let det = xx * yy - xy * xy;
    // Z^-1 times a column.
    let undone = |x: f32, y: f32| ((yy * x - xy * y) / det, (xx * y - xy * x) / det);
    let [axx, axy, ayx, ayy] = own.mixed;
    let (px, py) = undone(axx, ayx);
    let (qx, qy) = undone(axy, ayy);
    let (ixx, ixy, iyy) = (axx * px + ayx * py, axx * qx + ayx * qy, axy * qx + ayy * qy);
    let (tx, ty) = undone(b[0], b[1]);
    let (rx, ry) = (axx * tx + ayx * ty, axy * tx + ayy * ty);
    let more = 1e-3 * (ixx + iyy) + 1e-20;
    let (ixx, iyy) = (ixx + more, iyy + more);
    let det = ixx * iyy - ixy * ixy;
    let dx = ((iyy * rx - ixy * ry) / det).clamp(-2.0, 2.0);
    let dy = ((ixx * ry - ixy * rx) / det).clamp(-2.0, 2.0);
    let trust = contrast * contrast * STEP as f32 / (CORRELATED_PX * scatter);
    Measured { x_px: -dx, y_px: -dy, information: [ixx, ixy, iyy].map(|i| i * trust) }
}

/// The one shift that agrees best with all of `measured`; none is expected, to within a px.
fn mean(measured: &[Measured]) -> (f32, f32) {
    let (mut xx, mut xy, mut yy, mut x, mut y) = (1.0f64, 0.0, 1.0, 0.0, 0.0);
    for m in measured.iter().filter(|m| m.information != [0.0; 3]) {
        let [ixx, ixy, iyy] = m.information.map(f64::from);
        let (mx, my) = (f64::from(m.x_px), f64::from(m.y_px));
        (xx, xy, yy) = (xx + ixx, xy + ixy, yy + iyy);
        (x, y) = (x + ixx * mx + ixy * my, y + ixy * mx + iyy * my);
    }
    let det = xx * yy - xy * xy;
    (((yy * x - xy * y) / det) as f32, ((xx * y - xy * x) / det) as f32)
}

/// Add one row of the frame up.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512vl+avx2+bmi2", "x86_64+avx2+bmi2"))]
fn add_row(
    frame: &[f32],
    inside: &[u8],
    [zx, zy, w]: [&[f32]; 3],
    (means, cell_px): (&[f32], usize),
    lanes: &mut [[[f32; LANES]; 3]],
    outside: &mut [bool],
) {
    let n = zx.len();
    let (frame, inside, zy, w) = (&frame[..n], &inside[..n], &zy[..n], &w[..n]);
    for (k, (sums, out)) in lanes.iter_mut().zip(outside).enumerate() {
        let span = k * cell_px..((k + 1) * cell_px).min(n);
        if *out || inside[span.clone()].contains(&0) {
            *out = true;
            continue;
        }
        for at in span.clone().step_by(LANES) {
            let many = LANES.min(span.end - at);
            if many == LANES {
                let (f, w) = (eight(frame, at), eight(w, at));
                let (zx, zy) = (eight(zx, at), eight(zy, at));
                for l in 0..LANES {
                    let f = f[l] - means[k];
                    sums[0][l] += f * zx[l];
                    sums[1][l] += f * zy[l];
                    sums[2][l] += f * w[l];
                }
            } else {
                for l in 0..many {
                    let f = frame[at + l] - means[k];
                    sums[0][l] += f * zx[at + l];
                    sums[1][l] += f * zy[at + l];
                    sums[2][l] += f * w[at + l];
                }
            }
        }
    }
}

mod peak;
#[cfg(test)]
mod tests;
