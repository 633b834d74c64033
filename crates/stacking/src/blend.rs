//! How weights of cells become weights of pixels: each cell's own, blended into its neighbours', so that no
//! seam shows.

use crate::resample::RAMP;
use multiversion::multiversion;
use stillwright_seeing::sharpness::CellGrid;

/// Over how much of a cell its weight blends into the next one's, around the border between them. All
/// of it (from centre to centre) makes a third more pixels count in each frame, with little weight.
pub const BLEND: f32 = 0.5;

/// Share of the later of two cells, `between` (0 to 1) of the way from centre to centre.
#[inline(always)]
fn share(between: f32) -> f32 {
    let share = 0.5 + (between - 0.5) / BLEND;
    let share = if share > 0.0 { share } else { 0.0 };
    if share < 1.0 { share } else { 1.0 }
}

/// Weights along one output row, blended between cells; false, and nothing written, when
/// all are zero.
pub fn weight_row(
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
    let fy = share(v - j as f32);
    let row = |j: usize| &cells_weight[j * cells.columns..(j + 1) * cells.columns];
    let (a, b) = (row(j), row(below));
    let last = cells.columns - 1;
    let at = |i: usize| (1.0 - fy) * a[i] + fy * b[i];
    let position = |x: usize| {
        let u = ((first_column + x) as f32 + 0.5) / (scale * side) - 0.5;
        u.clamp(0.0, last as f32)
    };
    let reach = 0.5 * (1.0 - BLEND);
    let from = (position(0) + reach) as usize;
    let to = ((position(out.len()) + 1.0 - reach) as usize).min(last);
    if (from..=to).all(|i| at(i) == 0.0) {
        return false;
    }
    let (cell, half) = (cells.cell_px, cells.cell_px / 2);
    let mut x = 0;
    while x < out.len() {
        // Pixels between the same two centres; at other scales than 1 each by itself.
        let (i, begun, run) = if scale == 1.0 && cell.is_multiple_of(2) {
            let from = (first_column + x) as isize - half as isize;
            let within = from.rem_euclid(cell as isize) as usize;
            let begun = (within as f32 + 0.5) / side;
            (from.div_euclid(cell as isize), begun, (cell - within).min(out.len() - x))
        } else {
            let u = position(x);
            (u as isize, u - u.floor(), 1)
        };
        let p = at(i.clamp(0, last as isize) as usize);
        let q = at((i + 1).clamp(0, last as isize) as usize);
        blend((p, q), (begun, 1.0 / side), &mut out[x..x + run]);
        x += run;
    }
    true
}

/// From `p` to `q`, the first `begun` of the way from centre to centre, each next one `step` further.
#[multiversion(targets("x86_64+avx2+bmi2"))]
fn blend((p, q): (f32, f32), (begun, step): (f32, f32), out: &mut [f32]) {
    for (o, ramp) in out.iter_mut().zip(&RAMP) {
        *o = p + (q - p) * share(begun + step * ramp);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weights_rise_without_a_step_and_a_cell_keeps_its_own_in_the_middle() {
        let cells = CellGrid { cell_px: 32, columns: 4, rows: 3 };
        let mut weights = vec![0.0; 12];
        (weights[5], weights[6]) = (1.0, 0.25);
        let mut row = [0.0; 128];
        for scale in [1.0, 2.0] {
            let out = &mut row[..(64.0 * scale) as usize];
            assert!(weight_row(&weights, &cells, 48.0, scale, 0, out));
            let step = 1.0 / (BLEND * 32.0 * scale);
            assert!(out.windows(2).all(|w| (w[1] - w[0]).abs() <= step + 1e-6), "{out:?}");
            let at = |x: f32| out[(x * scale) as usize];
            assert_eq!((at(8.0), at(48.0)), (0.0, 1.0));
            assert!((at(32.0) - 0.5).abs() <= step);
        }
        // Nothing above the reach of the blend.
        assert!(!weight_row(&weights, &cells, 20.0, 1.0, 0, &mut row));
        assert!(weight_row(&weights, &cells, 26.0, 1.0, 0, &mut row));
    }
}
