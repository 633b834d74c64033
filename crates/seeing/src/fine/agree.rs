//! How much of the reference's fine waves a frame shows, and shows where it is thought to lie.
//!
//! With `r` the reference and `w` the same with its waves weighing alike (`whiten`), `sum w f / sum w r` is 1 for a frame that is as
//! sharp as the reference and lies right; blur, speckle and displacement that was not found lower it alike. It is the share of the
//! signal that an average gains from the frame, and where frames are equally noisy that is what each is to weigh (maximal-ratio
//! combining: Brennan, Proc. IRE 47, 1075, 1959, from memory).

use super::Fine;
use super::grid::FineGrid;
use crate::raster::{Kernel, Raster, smooth};

/// What the whole frame says counts as much at each place as so many places of usual structure.
const WHOLE_COUNTS: f32 = 0.6;

/// The reference, ready for it.
#[derive(Clone)]
pub(super) struct Agree {
    /// Whitened reference without its planes, row after row of those that are compared.
    pub own: Vec<f32>,
    /// Sum over each cell of that times the reference.
    cells: Vec<f32>,
    steady: Kernel,
}

/// Buffers of one worker.
#[derive(Clone, Debug, Default)]
pub(super) struct AgreeWork {
    /// Sum over each cell of the frame times the whitened reference; not a number where nothing was compared.
    pub sums: Vec<f32>,
    /// What comes of it: for each cell from 0, or not a number.
    pub agreement: Vec<f32>,
    frame: Raster,
    reference: Raster,
    steadied: [Raster; 2],
    work: Raster,
}

impl AgreeWork {
    /// Nothing has been compared yet, over `cells` cells.
    pub fn clear(&mut self, cells: usize) {
        self.sums.clear();
        self.sums.resize(cells, f32::NAN);
    }
}

impl Agree {
    /// Of the `white` reference, of which `fine` was made; cells are steadied with their neighbours by a Gaussian of `steady_px`.
    pub fn new(white: &Raster, fine: &Fine, steady_px: f32) -> Agree {
        let grid = fine.grid;
        let mut smoothed = Raster::default();
        smooth(white, &Kernel::spline3(), &mut Raster::default(), &mut smoothed);
        let mut own = grid.compared(&smoothed);
        let mut cells = vec![0.0; grid.cells()];
        for band in 0..grid.bands() {
            for column in 0..grid.columns {
                grid.take_plane_off(&mut own, band, column);
                for (row, _) in grid.rows(band) {
                    let span = grid.span(row, &grid.across(column));
                    let both = own[span.clone()].iter().zip(&fine.own[0][span]);
                    cells[band * grid.columns + column] += both.map(|(w, r)| w * r).sum::<f32>();
                }
            }
        }
        let steady = Kernel::gaussian((steady_px / grid.cell_px as f32).max(0.3));
        Agree { own, cells, steady }
    }

    /// From the sums of the frame to its agreement. A cell is steadied with what was compared around it, and with the whole frame.
    pub fn tell(&self, grid: &FineGrid, work: &mut AgreeWork) {
        let AgreeWork { sums, agreement, frame, reference, steadied, work } = work;
        for raster in [&mut *frame, &mut *reference] {
            raster.reshape(grid.columns, grid.bands());
        }
        let (mut of_frame, mut of_reference, mut count) = (0.0f64, 0.0f64, 0.0f64);
        for (cell, (sum, own)) in sums.iter().zip(&self.cells).enumerate() {
            let (sum, own, one) = if sum.is_nan() { (0.0, 0.0, 0.0) } else { (*sum, *own, 1.0) };
            (frame.values[cell], reference.values[cell]) = (sum, own);
            of_frame += f64::from(sum);
            of_reference += f64::from(own);
            count += one;
        }
        let [frame_near, reference_near] = steadied;
        smooth(frame, &self.steady, work, frame_near);
        smooth(reference, &self.steady, work, reference_near);
        let counts = f64::from(WHOLE_COUNTS) / count.max(1.0);
        let (of_frame, of_reference) = ((counts * of_frame) as f32, (counts * of_reference) as f32);
        agreement.clear();
        let both = frame_near.values.iter().zip(&reference_near.values);
        agreement.extend(both.map(|(frame, reference)| {
            let (frame, reference) = (frame + of_frame, reference + of_reference);
            if reference > 0.0 { (frame / reference).max(0.0) } else { f32::NAN }
        }));
    }
}
