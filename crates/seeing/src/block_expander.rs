//! A field expanded to the px of a block, some rows of it together.

use crate::field::{Field, RowExpander};
use crate::interpolate::cubic_taps;
use crate::spline::BLOCK;
use multiversion::multiversion;
use std::ops::Range;

/// Side of the cells for which rows are expanded together, px.
const SIDE: usize = 16;

/// Values in a row of a block: a block may begin within an interval between two centres, and intervals are filled whole.
pub const ROW: usize = BLOCK + SIDE;

/// Intervals that a row may touch, in whole vectors.
const INTERVALS: usize = (ROW / SIDE).next_multiple_of(8);

/// Centres of a row of cells, in whole vectors: those of the intervals, one before and two after them.
const CENTRES: usize = INTERVALS + 8;

/// Expands fields to blocks; buffers are reused.
#[derive(Clone, Debug, Default)]
pub struct BlockExpander {
    by_row: RowExpander,
    work: Work,
}

/// Steps on the way from cells to px; all rows take one after the other, for what was just written is slow to read.
#[derive(Clone, Debug, Default)]
struct Work {
    /// The cells around the block, those at the edge of the grid repeated beyond it.
    cells: Vec<[f32; CENTRES]>,
    /// Values at the centres of each row.
    lines: Vec<[f32; CENTRES]>,
    /// Of each interval between two centres, the polynomial beyond its value at the first one.
    taps: Vec<[[f32; INTERVALS]; 3]>,
}

impl BlockExpander {
    /// Displacements of `field` to the right and down in the rows of a block whose first px is in row `y` and column `from` of the
    /// output (`scale` px to the px): in each row those of the columns of `spans`, which reach to [`BLOCK`] at most. Column `c` of the
    /// block stands at `c` beyond the number that is given back. The same as [`RowExpander::expand_both`], bit for bit.
    pub fn expand(
        &mut self,
        field: &Field,
        scale: f32,
        (y, from): (usize, usize),
        spans: &[Range<usize>],
        [dx, dy]: [&mut [[f32; ROW]]; 2],
    ) -> usize {
        if scale == 1.0 && field.cell_px == SIDE && !field.is_empty() {
            let within = (from + SIDE / 2) % SIDE;
            let place = Place { y, first: (from + SIDE / 2) / SIDE, within };
            let grid = (field.columns, field.rows);
            rows_together((&field.x_px, grid), &place, spans, &mut self.work, dx);
            rows_together((&field.y_px, grid), &place, spans, &mut self.work, dy);
            return within;
        }
        for (row, span) in spans.iter().enumerate().filter(|(_, span)| !span.is_empty()) {
            let (x, down) = (&mut dx[row][span.clone()], &mut dy[row][span.clone()]);
            self.by_row.expand_both(field, scale, (y + row, from + span.start), [x, down]);
        }
        0
    }
}

/// Where a block begins.
struct Place {
    y: usize,
    /// One more than the centre before the first px (which may be the one before the grid).
    first: usize,
    /// How many px beyond that centre it lies.
    within: usize,
}

/// Share of the way between two centres at each px of an interval.
const SHARES: [f32; SIDE] = {
    let mut shares = [0.0; SIDE];
    let mut k = 0;
    while k < SIDE {
        shares[k] = (k as f32 + 0.5) / SIDE as f32;
        k += 1;
    }
    shares
};

/// What the four centres around each of them weigh.
static DOWN: [[f32; 4]; SIDE] = {
    let mut down = [[0.0; 4]; SIDE];
    let mut k = 0;
    while k < SIDE {
        down[k] = cubic_taps(SHARES[k]);
        k += 1;
    }
    down
};

#[multiversion(targets("x86_64+avx512f+avx512bw+avx512vl+avx2+bmi2", "x86_64+avx2+bmi2"))]
fn rows_together<'a>(
    (grid, (columns, rows)): (&'a [f32], (usize, usize)),
    place: &Place,
    spans: &[Range<usize>],
    work: &mut Work,
    out: &mut [[f32; ROW]],
) {
    let Work { cells, lines, taps } = work;
    let end = spans.iter().map(|span| span.end).max().unwrap_or(0);
    let many = (place.within + end).div_ceil(SIDE) + 3;
    // Row `y` lies `within` beyond the centre `j - 1` of the grid.
    let of_row = |row: usize| {
        let y = place.y + row + SIDE / 2;
        (y / SIDE, y % SIDE)
    };
    let (first, last) = (of_row(0).0, of_row(spans.len()).0);
    cells.clear();
    for j in first..last + 4 {
        let j = j.saturating_sub(2).min(rows - 1);
        let row = &grid[j * columns..(j + 1) * columns];
        // The centre before `first - 1` is the first of all.
        let at = |i: usize| row[(place.first + i).saturating_sub(2).min(columns - 1)];
        let mut around = [0.0; CENTRES];
        around[..many].iter_mut().enumerate().for_each(|(i, cell)| *cell = at(i));
        cells.push(around);
    }
    lines.resize(spans.len(), [0.0; CENTRES]);
    taps.resize(spans.len(), [[0.0; INTERVALS]; 3]);
    for (row, line) in lines.iter_mut().enumerate() {
        let (j, within) = of_row(row);
        let w = &DOWN[within];
        let Some([a, b, c, d]) = cells.get(j - first..).and_then(|cells| cells.first_chunk())
        else {
            continue;
        };
        for i in 0..CENTRES {
            line[i] = w[0] * a[i] + w[1] * b[i] + w[2] * c[i] + w[3] * d[i];
        }
    }
    for (line, [c1, c2, c3]) in lines.iter().zip(taps.iter_mut()) {
        for i in 0..INTERVALS {
            let (p, q, r, s) = (line[i], line[i + 1], line[i + 2], line[i + 3]);
            c1[i] = 0.5 * (r - p);
            c2[i] = p - 2.5 * q + 2.0 * r - 0.5 * s;
            c3[i] = 0.5 * (s - p) + 1.5 * (q - r);
        }
    }
    // Shares that the compiler knew would not be laid into registers.
    let shares = std::hint::black_box(SHARES);
    for (((span, out), line), taps) in spans.iter().zip(out).zip(lines.iter()).zip(taps.iter()) {
        let first = (place.within + span.start) / SIDE;
        let last = (place.within + span.end).div_ceil(SIDE);
        let whole = out.as_chunks_mut::<SIDE>().0.iter_mut().enumerate();
        for (k, out) in whole.take(if span.is_empty() { 0 } else { last }).skip(first) {
            let (q, c1, c2, c3) = (line[k + 1], taps[0][k], taps[1][k], taps[2][k]);
            for (o, t) in out.iter_mut().zip(&shares) {
                *o = q + t * (c1 + t * (c2 + t * c3));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn blocks_are_their_rows() {
        let mut state = 1u64;
        let mut some = |n: usize| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            (state >> 33) as usize % n
        };
        let (mut block, mut by_row) = (BlockExpander::default(), RowExpander::default());
        for round in 0..300 {
            let (cell_px, scale) =
                [(16, 1.0), (16, 1.0), (16, 1.0), (8, 1.0), (16, 1.5)][round % 5];
            let (width, height) = (20 + some(600), 20 + some(90));
            let mut field = Field::constant(width, height, cell_px, 0.0, 0.0);
            field.x_px.iter_mut().for_each(|d| *d = some(1000) as f32 / 77.0 - 5.0);
            field.y_px.iter_mut().for_each(|d| *d = some(1000) as f32 / 91.0 - 5.0);
            let (y, from) = (some(height), some(width));
            let n = (1 + some(BLOCK)).min(width - from);
            let spans: Vec<_> = (0..(1 + some(32)).min(height - y))
                .map(|_| {
                    let start = some(n);
                    start..start + some(n - start + 1)
                })
                .collect();
            let mut found = [vec![[f32::NAN; ROW]; 32], vec![[f32::NAN; ROW]; 32]];
            let [dx, dy] = &mut found;
            let within = block.expand(&field, scale, (y, from), &spans, [dx, dy]);
            for (row, span) in spans.iter().enumerate().filter(|(_, span)| !span.is_empty()) {
                let mut told = [vec![0.0; span.len()], vec![0.0; span.len()]];
                let [dx, dy] = &mut told;
                by_row.expand_both(&field, scale, (y + row, from + span.start), [dx, dy]);
                for (found, told) in found.iter().zip(&told) {
                    let found = &found[row][within + span.start..within + span.end];
                    assert_eq!(found, &told[..], "{width} x {height}, {from} {y} {span:?}");
                }
            }
        }
    }
}
