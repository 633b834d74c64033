//! The warp field: where each place of the reference lies in a frame.
//!
//! A [`Field`] holds displacements at the centres of square cells and interpolates between them
//! with a cubic B-spline-like smoothness (Keys' cubic), so that no kink shows. [`solve()`] turns
//! local measurements of very different worth into one smooth field: the most probable one,
//! given how strongly and how roughly the air bends a picture. Cells without structure borrow
//! from their neighbours.

use crate::interpolate::cubic_taps;
use multiversion::multiversion;

/// Displacements on a grid of cells: `frame position = reference position + displacement`, px.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Field {
    /// Side of a cell, px of the reference; its centre is where the displacement holds.
    pub cell_px: usize,
    /// Cells in a row.
    pub columns: usize,
    /// Rows of cells.
    pub rows: usize,
    /// To the right, row of cells after row.
    pub x_px: Vec<f32>,
    /// Down.
    pub y_px: Vec<f32>,
}

impl Field {
    /// A field over `width` x `height` px that moves everything by (`x_px`, `y_px`).
    pub fn constant(width: usize, height: usize, cell_px: usize, x_px: f32, y_px: f32) -> Field {
        let (columns, rows) = (width.div_ceil(cell_px), height.div_ceil(cell_px));
        let n = columns * rows;
        Field { cell_px, columns, rows, x_px: vec![x_px; n], y_px: vec![y_px; n] }
    }

    /// Number of cells.
    pub fn len(&self) -> usize {
        self.columns * self.rows
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Displacement at a position of the reference, px.
    pub fn at(&self, x: f32, y: f32) -> (f32, f32) {
        let (i, tx) = self.cell_of(x);
        let (j, ty) = self.cell_of(y);
        let (wx, wy) = (cubic_taps(tx), cubic_taps(ty));
        let (mut dx, mut dy) = (0.0, 0.0);
        for (k, wy) in wy.iter().enumerate() {
            let row = clamp_index(j + k as isize - 1, self.rows) * self.columns;
            for (l, wx) in wx.iter().enumerate() {
                let cell = row + clamp_index(i + l as isize - 1, self.columns);
                dx += wx * wy * self.x_px[cell];
                dy += wx * wy * self.y_px[cell];
            }
        }
        (dx, dy)
    }

    fn cell_of(&self, position: f32) -> (isize, f32) {
        let u = (position + 0.5) / self.cell_px as f32 - 0.5;
        let cell = u.floor();
        (cell as isize, u - cell)
    }
}

/// The largest whole number that is not above `value`: `f32::floor` is a call where the processor is not known to round.
#[inline(always)]
fn floor(value: f32) -> isize {
    let towards_0 = value as isize;
    if towards_0 as f32 > value { towards_0 - 1 } else { towards_0 }
}

fn clamp_index(index: isize, n: usize) -> usize {
    index.clamp(0, n as isize - 1) as usize
}

/// Expands a cell grid to rows of pixels, cubic between centres; buffers are reused.
#[derive(Clone, Debug, Default)]
pub struct RowExpander {
    line: Vec<f32>,
}

impl RowExpander {
    /// Values at row `y` and columns `from..from + out.len()`, in steps of `1 / scale` px, of
    /// the grid `cells` (`columns` x `rows` cells of `cell_px`); `y` and `from` in units of the
    /// output (px times scale).
    #[allow(clippy::too_many_arguments)]
    pub fn expand(
        &mut self,
        cells: &[f32],
        (columns, rows, cell_px): (usize, usize, usize),
        scale: f32,
        y: usize,
        from: usize,
        out: &mut [f32],
    ) {
        if in_whole_px(scale, cell_px) {
            whole_px([cells], (columns, rows, cell_px), (y, from), &mut self.line, [out]);
            return;
        }
        let to_px = |i: usize| (i as f32 + 0.5) / scale - 0.5;
        let v = (to_px(y) + 0.5) / cell_px as f32 - 0.5;
        let j = floor(v);
        let wy = cubic_taps(v - j as f32);
        self.line.resize(columns, 0.0);
        // The centres before and after what is asked for, and one more on either side.
        let centre = |x: usize| (to_px(x) + 0.5) / cell_px as f32 - 0.5;
        let low = (floor(centre(from)) - 1).clamp(0, columns as isize - 1) as usize;
        let high = (floor(centre(from + out.len())) + 3).clamp(0, columns as isize) as usize;
        let span = low..high.max(low + 1);
        let row = |k: isize| {
            let j = clamp_index(j + k, rows);
            &cells[j * columns..(j + 1) * columns][span.clone()]
        };
        down([row(-1), row(0), row(1), row(2)], &wy, &mut self.line[span.clone()]);
        let step = 1.0 / (scale * cell_px as f32);
        let first = (to_px(from) + 0.5) / cell_px as f32 - 0.5;
        let mut x = 0;
        while x < out.len() {
            let u = first + x as f32 * step;
            let i = u.floor();
            // Pixels that share this cell interval.
            let until = (((i + 1.0 - first) / step).ceil() as usize).clamp(x + 1, out.len());
            let at = |k: isize| self.line[clamp_index(i as isize + k, columns)];
            let (p, q, r, s) = (at(-1), at(0), at(1), at(2));
            // Keys' cubic written as a polynomial of the position between two centres.
            let c1 = 0.5 * (r - p);
            let c2 = p - 2.5 * q + 2.0 * r - 0.5 * s;
            let c3 = 0.5 * (s - p) + 1.5 * (q - r);
            for (k, o) in out[x..until].iter_mut().enumerate() {
                let t = first + (x + k) as f32 * step - i;
                *o = q + t * (c1 + t * (c2 + t * c3));
            }
            x = until;
        }
    }

    /// Displacements of `field` to the right and down: the same as [`RowExpander::expand`] for one and the other.
    pub fn expand_both(
        &mut self,
        field: &Field,
        scale: f32,
        (y, from): (usize, usize),
        [dx, dy]: [&mut [f32]; 2],
    ) {
        let grid = (field.columns, field.rows, field.cell_px);
        if in_whole_px(scale, field.cell_px) {
            let cells = [field.x_px.as_slice(), &field.y_px];
            whole_px(cells, grid, (y, from), &mut self.line, [dx, dy]);
        } else {
            self.expand(&field.x_px, grid, scale, y, from, dx);
            self.expand(&field.y_px, grid, scale, y, from, dy);
        }
    }
}

/// Four rows of cells by the taps of a cubic.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512vl+avx2+bmi2", "x86_64+avx2+bmi2"))]
fn down<'a>([a, b, c, d]: [&'a [f32]; 4], w: &[f32; 4], out: &mut [f32]) {
    let n = out.len().min(a.len()).min(b.len()).min(c.len()).min(d.len());
    let (a, b, c, d, out) = (&a[..n], &b[..n], &c[..n], &d[..n], &mut out[..n]);
    for i in 0..n {
        out[i] = w[0] * a[i] + w[1] * b[i] + w[2] * c[i] + w[3] * d[i];
    }
}

/// Largest cells that [`whole_px`] takes.
const MOST_SHARES: usize = 128;

/// Whether [`whole_px`] takes cells of this side at this scale.
fn in_whole_px(scale: f32, cell_px: usize) -> bool {
    scale == 1.0 && cell_px.is_multiple_of(2) && (2..=MOST_SHARES).contains(&cell_px)
}

/// [`RowExpander::expand`] at scale 1 for cells of even side, for some grids alike: every interval between two centres
/// begins at a whole px, and its positions are the same in all of them.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512vl+avx2+bmi2", "x86_64+avx2+bmi2"))]
fn whole_px<'a, const N: usize>(
    cells: [&'a [f32]; N],
    grid: (usize, usize, usize),
    (y, from): (usize, usize),
    line: &mut Vec<f32>,
    out: [&mut [f32]; N],
) {
    // The usual sides are known to the compiler, which then lays an interval into registers.
    match grid.2 {
        8 => intervals(cells, grid, &SHARES_OF_8, (y, from), line, out),
        16 => intervals(cells, grid, &SHARES_OF_16, (y, from), line, out),
        side => {
            let shares = shares::<MOST_SHARES>(side);
            intervals_of_any(cells, grid, &shares[..side], (y, from), line, out);
        }
    }
}

/// Share of the way between two centres at each px of an interval.
const fn shares<const N: usize>(cell_px: usize) -> [f32; N] {
    let mut shares = [0.0f32; N];
    let mut k = 0;
    while k < cell_px && k < N {
        shares[k] = (k as f32 + 0.5) / cell_px as f32;
        k += 1;
    }
    shares
}

static SHARES_OF_8: [f32; 8] = shares(8);
static SHARES_OF_16: [f32; 16] = shares(16);

/// Where the intervals of a row begin.
struct Begin {
    /// Centre before the first px, and how many px beyond it that lies.
    first: isize,
    within: usize,
    /// Row of cells before the row, and the taps of the four around it.
    row: isize,
    taps: [f32; 4],
}

impl Begin {
    #[inline(always)]
    fn of(cell_px: usize, (y, from): (usize, usize)) -> Begin {
        let v = (y as f32 + 0.5) / cell_px as f32 - 0.5;
        let row = floor(v);
        let at = from as isize - (cell_px / 2) as isize;
        let (first, within) =
            (at.div_euclid(cell_px as isize), at.rem_euclid(cell_px as isize) as usize);
        Begin { first, within, row, taps: cubic_taps(v - row as f32) }
    }

    /// The values of the row at the centres of `count` intervals, one before and two after them, into `line`; beyond the grid
    /// those at its edge.
    #[inline(always)]
    fn line(
        &self,
        cells: &[f32],
        (columns, rows): (usize, usize),
        count: usize,
        line: &mut Vec<f32>,
    ) {
        line.resize(count + 3, 0.0);
        let line = &mut line[..count + 3];
        // The centres of the line that the grid has.
        let many = line.len();
        let inside = |centre: isize| (centre - (self.first - 1)).clamp(0, many as isize) as usize;
        let low = inside(0).min(many - 1);
        let high = inside(columns as isize).max(low + 1);
        let column = clamp_index(self.first - 1 + low as isize, columns);
        let row =
            |k: isize| &cells[clamp_index(self.row + k, rows) * columns + column..][..high - low];
        let ([a, b, c, d], w) = ([row(-1), row(0), row(1), row(2)], self.taps);
        let inner = &mut line[low..high];
        for i in 0..inner.len() {
            inner[i] = w[0] * a[i] + w[1] * b[i] + w[2] * c[i] + w[3] * d[i];
        }
        let (first, last) = (line[low], line[high - 1]);
        line[..low].fill(first);
        line[high..].fill(last);
    }
}

#[inline(always)]
fn intervals<const N: usize, const SIDE: usize>(
    cells: [&[f32]; N],
    (columns, rows, _): (usize, usize, usize),
    shares: &[f32; SIDE],
    place: (usize, usize),
    line: &mut Vec<f32>,
    out: [&mut [f32]; N],
) {
    let begin = Begin::of(SIDE, place);
    for (cells, out) in cells.into_iter().zip(out) {
        begin.line(cells, (columns, rows), (begin.within + out.len()).div_ceil(SIDE), line);
        let mut centres = line.windows(4);
        let mut next = |out: &mut [f32; SIDE]| {
            if let Some([p, q, r, s]) = centres.next() {
                along([*p, *q, *r, *s], shares, out);
            }
        };
        let mut whole = out;
        if begin.within > 0 {
            let begun;
            (begun, whole) = whole.split_at_mut((SIDE - begin.within).min(whole.len()));
            let mut all = [0.0; SIDE];
            next(&mut all);
            begun.copy_from_slice(&all[begin.within..][..begun.len()]);
        }
        let (whole, rest) = whole.as_chunks_mut::<SIDE>();
        whole.iter_mut().for_each(&mut next);
        if !rest.is_empty() {
            let mut all = [0.0; SIDE];
            next(&mut all);
            rest.copy_from_slice(&all[..rest.len()]);
        }
    }
}

#[inline(always)]
fn intervals_of_any<const N: usize>(
    cells: [&[f32]; N],
    (columns, rows, _): (usize, usize, usize),
    shares: &[f32],
    place: (usize, usize),
    line: &mut Vec<f32>,
    out: [&mut [f32]; N],
) {
    let side = shares.len();
    let begin = Begin::of(side, place);
    for (cells, out) in cells.into_iter().zip(out) {
        begin.line(cells, (columns, rows), (begin.within + out.len()).div_ceil(side), line);
        let mut shares_left = &shares[begin.within..];
        let mut left = out;
        for centres in line.windows(4) {
            let [p, q, r, s] = centres else { break };
            let some;
            (some, left) = left.split_at_mut(shares_left.len().min(left.len()));
            along([*p, *q, *r, *s], &shares_left[..some.len()], some);
            shares_left = shares;
        }
    }
}

/// Values at `shares` of the way between the second and the third of four centres.
#[inline(always)]
fn along([p, q, r, s]: [f32; 4], shares: &[f32], out: &mut [f32]) {
    let c1 = 0.5 * (r - p);
    let c2 = p - 2.5 * q + 2.0 * r - 0.5 * s;
    let c3 = 0.5 * (s - p) + 1.5 * (q - r);
    for (o, t) in out.iter_mut().zip(shares) {
        *o = q + t * (c1 + t * (c2 + t * c3));
    }
}

/// What was measured about the displacement of one cell.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Measured {
    /// Displacement that the measurement asks for, px.
    pub x_px: f32,
    /// Displacement that the measurement asks for, px.
    pub y_px: f32,
    /// Information (xx, xy, yy), 1/px^2; zeros where nothing was measured.
    pub information: [f32; 3],
}

/// How smooth the field is expected to be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Smoothness {
    /// Standard deviation of the field's slope, px per px. Smaller: true ripple is flattened;
    /// larger: noise is followed where structure is weak.
    pub slope: f32,
    /// Standard deviation of its curvature, px per px^2, likewise.
    pub curvature: f32,
    /// Standard deviation of the displacement about `home`, px: holds what nothing else holds.
    pub spread_px: f32,
}

pub use crate::solve::{Effort, SolveWork, solve};

#[cfg(test)]
mod tests {
    use super::*;

    const AIR: Smoothness = Smoothness { slope: 0.1, curvature: 0.01, spread_px: 6.0 };

    #[test]
    fn expansion_agrees_with_the_field_point_by_point() {
        for cell_px in [8, 15, 16, 24, 130] {
            let mut field = Field::constant(100, 70, cell_px, 0.0, 0.0);
            for (i, (x, y)) in field.x_px.iter_mut().zip(&mut field.y_px).enumerate() {
                (*x, *y) = (((i * 31) % 17) as f32 * 0.3, ((i * 53) % 23) as f32 * 0.2);
            }
            let mut expander = RowExpander::default();
            let grid = (field.columns, field.rows, field.cell_px);
            for scale in [1.0f32, 2.0, 1.5] {
                for (from, many) in [(0, 100), (3, 90), (8, 1), (41, 7), (60, 40)] {
                    let (mut dx, mut dy) = (vec![0.0; many], vec![0.0; many]);
                    let mut one = vec![0.0; many];
                    for y in [0, 8, 33, 69] {
                        expander.expand_both(&field, scale, (y, from), [&mut dx, &mut dy]);
                        for (k, found) in dx.iter().zip(&dy).enumerate() {
                            let px = |i: usize| (i as f32 + 0.5) / scale - 0.5;
                            let expected = field.at(px(from + k), px(y));
                            let off = (found.0 - expected.0).hypot(found.1 - expected.1);
                            assert!(
                                off < 1e-4,
                                "{cell_px} {scale} {y} {k}: {found:?} {expected:?}"
                            );
                        }
                        expander.expand(&field.y_px, grid, scale, y, from, &mut one);
                        assert_eq!(one, dy);
                    }
                }
            }
        }
    }

    #[test]
    fn good_measurements_are_followed_and_gaps_are_bridged() {
        let mut field = Field::constant(320, 256, 16, 3.0, -2.0);
        let truth = |i: usize, j: usize| {
            let (x, y) = (i as f32 * 16.0, j as f32 * 16.0);
            (3.0 + 2.0 * (x / 40.0).sin() * (y / 60.0).cos(), -2.0 + 1.5 * (y / 50.0).sin())
        };
        let (columns, rows) = (field.columns, field.rows);
        let measured: Vec<Measured> = (0..columns * rows)
            .map(|cell| {
                let (i, j) = (cell % columns, cell / columns);
                let (x_px, y_px) = truth(i, j);
                let hole = (6..9).contains(&i) && (6..9).contains(&j);
                let information = if hole { [0.0; 3] } else { [400.0, 20.0, 300.0] };
                Measured { x_px, y_px, information }
            })
            .collect();
        let mut work = SolveWork::default();
        let effort = Effort { rounds: 200, precision_px: 1e-4 };
        solve(&mut field, &measured, &AIR, (3.0, -2.0), effort, &mut work);
        for j in 0..rows {
            for i in 0..columns {
                let (x, y) = truth(i, j);
                let error =
                    (field.x_px[j * columns + i] - x).hypot(field.y_px[j * columns + i] - y);
                let hole = (6..9).contains(&i) && (6..9).contains(&j);
                assert!(error < if hole { 0.6 } else { 0.12 }, "({i}, {j}): {error}");
            }
        }
    }

    #[test]
    fn an_edge_seen_along_itself_asks_for_nothing() {
        // One cell knows x only; its y is free and follows its neighbour.
        let mut field = Field::constant(32, 16, 16, 0.0, 0.0);
        let measured = [
            Measured { x_px: 1.0, y_px: 99.0, information: [1e4, 0.0, 0.0] },
            Measured { x_px: 1.0, y_px: 2.0, information: [1e4, 0.0, 1e4] },
        ];
        let effort = Effort { rounds: 50, precision_px: 1e-4 };
        solve(&mut field, &measured, &AIR, (0.0, 0.0), effort, &mut SolveWork::default());
        assert!((field.x_px[0] - 1.0).abs() < 0.01);
        assert!((field.y_px[0] - 2.0).abs() < 0.3, "{:?}", field.y_px);
    }
}
