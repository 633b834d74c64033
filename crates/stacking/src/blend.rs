//! How weights of cells become weights of pixels: each cell's own, blended into its neighbours', so that no
//! seam shows.

use multiversion::multiversion;
use std::ops::Range;
use stillwright_seeing::lanes::RAMP;
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

/// Between which rows of cells the weights of an output row lie: the first, and the share of the next one (its bits). Rows of
/// which this is the same have the same weights.
pub fn rows_blended(cells: &CellGrid, y: f32) -> (usize, u32) {
    let (j, below, fy) = between_rows(cells, y);
    if fy == 1.0 { (below, 0) } else { (j, fy.to_bits()) }
}

fn between_rows(cells: &CellGrid, y: f32) -> (usize, usize, f32) {
    let v = ((y + 0.5) / cells.cell_px as f32 - 0.5).clamp(0.0, (cells.rows - 1) as f32);
    let j = (v as usize).min(cells.rows.saturating_sub(2));
    (j, (j + 1).min(cells.rows - 1), share(v - j as f32))
}

/// The columns of a row of weights outside which all are 0, in steps of eight.
pub fn with_weight(row: &[f32]) -> Range<usize> {
    let some = |eight: &[f32]| eight.iter().fold(false, |some, w| some | (*w != 0.0));
    let Some(first) = row.chunks(8).position(some) else { return 0..0 };
    let last = row.chunks(8).rposition(some).unwrap_or(first);
    8 * first..(8 * (last + 1)).min(row.len())
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
    let (j, below, fy) = between_rows(cells, y);
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
    if scale == 1.0 && cells.cell_px.is_multiple_of(2) {
        blend((a, b, fy), cells.cell_px, first_column, out);
    } else {
        for (x, out) in out.iter_mut().enumerate() {
            let u = position(x);
            let (p, q) = (at(u as usize), at((u as usize + 1).min(last)));
            *out = p + (q - p) * share(u - u.floor());
        }
    }
    true
}

/// A row of px, some of `a` and the share `fy` of `b`, rows of cells of an even number of px, from the first column on.
#[multiversion(targets("x86_64+avx2+bmi2"))]
fn blend((a, b, fy): (&[f32], &[f32], f32), cell: usize, first_column: usize, out: &mut [f32]) {
    let n = a.len().min(b.len());
    let step = 1.0 / cell as f32;
    // Half a cell before the first centre, too, the first cell lends its weight: cells are counted from one before it.
    let first = first_column + cell - cell / 2;
    let (mut after, mut within) = (first / cell, first % cell);
    let mut x = 0;
    while x < out.len() {
        // Pixels between the same two centres.
        let run = (cell - within).min(out.len() - x);
        let (i, j) = (after.saturating_sub(1).min(n - 1), after.min(n - 1));
        let p = (1.0 - fy) * a[i] + fy * b[i];
        let q = (1.0 - fy) * a[j] + fy * b[j];
        let out = &mut out[x..x + run];
        if p == q {
            out.fill(p);
        } else {
            let begun = (within as f32 + 0.5) * step;
            for (o, ramp) in out.iter_mut().zip(&RAMP) {
                *o = p + (q - p) * share(begun + step * ramp);
            }
        }
        (after, within) = (after + 1, 0);
        x += run;
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
        let all = with_weight(&row[..128]);
        assert!(all.start.is_multiple_of(8) && all.len() < 128);
        assert!((0..128).all(|x| all.contains(&x) || row[x] == 0.0));
        assert_eq!((with_weight(&[0.0; 20]), with_weight(&[1.0; 20])), (0..0, 0..20));
        // Rows that are told to be alike are.
        let mut other = row;
        for y in 1..96 {
            let at = [(y - 1) as f32, y as f32];
            let counts = at.map(|y| rows_blended(&cells, y));
            weight_row(&weights, &cells, at[0], 1.0, 0, &mut row);
            weight_row(&weights, &cells, at[1], 1.0, 0, &mut other);
            let alike = counts[0] == counts[1];
            assert!(!alike || row == other, "{y}");
            // Half of every cell is its own.
            assert_eq!(
                alike,
                (y - 1) % 32 >= 8 && y % 32 < 24 && y % 32 > 8 || !(16..=80).contains(&y),
                "{y}"
            );
        }
        // Nothing above the reach of the blend.
        assert!(!weight_row(&weights, &cells, 20.0, 1.0, 0, &mut row));
        assert!(weight_row(&weights, &cells, 26.0, 1.0, 0, &mut row));
    }
}
