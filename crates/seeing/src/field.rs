//! The warp field: where each place of the reference lies in a frame.
//!
//! A [`Field`] holds displacements at the centres of square cells and interpolates between them
//! with a cubic B-spline-like smoothness (Keys' cubic), so that no kink shows. [`solve`] turns
//! local measurements of very different worth into one smooth field: the most probable one,
//! given how strongly and how roughly the air bends a picture. Cells without structure borrow
//! from their neighbours.

use crate::interpolate::cubic_taps;

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
        let to_px = |i: usize| (i as f32 + 0.5) / scale - 0.5;
        let v = (to_px(y) + 0.5) / cell_px as f32 - 0.5;
        let j = v.floor();
        let wy = cubic_taps(v - j);
        self.line.resize(columns, 0.0);
        let row = |k: isize| {
            let j = clamp_index(j as isize + k, rows);
            &cells[j * columns..(j + 1) * columns]
        };
        let (a, b, c, d) = (row(-1), row(0), row(1), row(2));
        for (i, l) in self.line.iter_mut().enumerate() {
            *l = wy[0] * a[i] + wy[1] * b[i] + wy[2] * c[i] + wy[3] * d[i];
        }
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

/// Buffers of [`solve`].
#[derive(Clone, Debug, Default)]
pub struct SolveWork {
    vectors: [Vec<f32>; 5],
    laplacian: Vec<f32>,
}

/// The most probable field given measurements and smoothness, starting from (and written to)
/// `field`; `home` is the displacement of the frame as a whole.
///
/// Minimises, over all cells, (u - m)' I (u - m) + |slope|^2 / s^2 + |curvature|^2 / c^2
/// + |u - home|^2 / p^2 by preconditioned conjugate gradients, at most `rounds` of them.
pub fn solve(
    field: &mut Field,
    measured: &[Measured],
    smoothness: &Smoothness,
    home: (f32, f32),
    rounds: usize,
    work: &mut SolveWork,
) {
    let n = field.len();
    if n == 0 || measured.len() != n {
        return;
    }
    let step = field.cell_px as f32;
    let system = System {
        columns: field.columns,
        rows: field.rows,
        measured,
        membrane: 1.0 / (smoothness.slope * step).powi(2),
        plate: 1.0 / (smoothness.curvature * step * step).powi(2),
        spring: 1.0 / smoothness.spread_px.powi(2),
    };
    // The unknowns are displacements about home, x of all cells and then y.
    let [x, r, z, p, q] = &mut work.vectors;
    for v in [&mut *x, &mut *r, &mut *z, &mut *p, &mut *q] {
        v.clear();
        v.resize(2 * n, 0.0);
    }
    for i in 0..n {
        x[i] = field.x_px[i] - home.0;
        x[n + i] = field.y_px[i] - home.1;
    }
    system.apply(x, q, &mut work.laplacian);
    for (i, m) in measured.iter().enumerate() {
        let (mx, my) = (m.x_px - home.0, m.y_px - home.1);
        let [xx, xy, yy] = m.information;
        r[i] = xx * mx + xy * my - q[i];
        r[n + i] = xy * mx + yy * my - q[n + i];
    }
    system.precondition(r, z);
    p.copy_from_slice(z);
    let mut rz = dot(r, z);
    let target = 1e-6 * rz.max(1e-30);
    for _ in 0..rounds {
        if rz <= target {
            break;
        }
        system.apply(p, q, &mut work.laplacian);
        let pq = dot(p, q);
        if pq <= 0.0 {
            break;
        }
        let alpha = (rz / pq) as f32;
        for i in 0..2 * n {
            x[i] += alpha * p[i];
            r[i] -= alpha * q[i];
        }
        system.precondition(r, z);
        let next = dot(r, z);
        let beta = (next / rz) as f32;
        rz = next;
        for (p, z) in p.iter_mut().zip(z.iter()) {
            *p = z + beta * *p;
        }
    }
    for i in 0..n {
        field.x_px[i] = x[i] + home.0;
        field.y_px[i] = x[n + i] + home.1;
    }
}

fn dot(a: &[f32], b: &[f32]) -> f64 {
    a.iter().zip(b).map(|(a, b)| f64::from(*a) * f64::from(*b)).sum()
}

struct System<'a> {
    columns: usize,
    rows: usize,
    measured: &'a [Measured],
    membrane: f32,
    plate: f32,
    spring: f32,
}

impl System<'_> {
    fn apply(&self, v: &[f32], out: &mut [f32], laplacian: &mut Vec<f32>) {
        let n = self.columns * self.rows;
        laplacian.resize(n, 0.0);
        for part in 0..2 {
            let v = &v[part * n..(part + 1) * n];
            let out = &mut out[part * n..(part + 1) * n];
            self.laplace(v, laplacian);
            self.laplace(laplacian, out);
            for ((o, l), v) in out.iter_mut().zip(laplacian.iter()).zip(v) {
                *o = self.plate * *o + self.membrane * l + self.spring * v;
            }
        }
        let (out_x, out_y) = out.split_at_mut(n);
        for (i, m) in self.measured.iter().enumerate() {
            let [xx, xy, yy] = m.information;
            out_x[i] += xx * v[i] + xy * v[n + i];
            out_y[i] += xy * v[i] + yy * v[n + i];
        }
    }

    /// Sum over the neighbours of own minus theirs (positive semi-definite, free edges).
    fn laplace(&self, v: &[f32], out: &mut [f32]) {
        let (columns, rows) = (self.columns, self.rows);
        for j in 0..rows {
            let row = &v[j * columns..(j + 1) * columns];
            let line = &mut out[j * columns..(j + 1) * columns];
            let above = &v[j.saturating_sub(1) * columns..][..columns];
            let below = &v[(j + 1).min(rows - 1) * columns..][..columns];
            for i in 0..columns {
                let (left, right) = (row[i.saturating_sub(1)], row[(i + 1).min(columns - 1)]);
                line[i] = 4.0 * row[i] - left - right - above[i] - below[i];
            }
        }
    }

    /// Divide by the 2 x 2 diagonal blocks.
    fn precondition(&self, r: &[f32], z: &mut [f32]) {
        let n = self.columns * self.rows;
        let base = 20.0 * self.plate + 4.0 * self.membrane + self.spring;
        for (i, m) in self.measured.iter().enumerate() {
            let [xx, xy, yy] = m.information;
            let (a, b, d) = (xx + base, xy, yy + base);
            let det = a * d - b * b;
            let (rx, ry) = (r[i], r[n + i]);
            z[i] = (d * rx - b * ry) / det;
            z[n + i] = (a * ry - b * rx) / det;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const AIR: Smoothness = Smoothness { slope: 0.1, curvature: 0.01, spread_px: 6.0 };

    #[test]
    fn expansion_agrees_with_the_field_point_by_point() {
        let mut field = Field::constant(100, 70, 16, 0.0, 0.0);
        for (i, v) in field.x_px.iter_mut().enumerate() {
            *v = ((i * 31) % 17) as f32 * 0.3;
        }
        let mut expander = RowExpander::default();
        let grid = (field.columns, field.rows, field.cell_px);
        for scale in [1.0f32, 2.0, 1.5] {
            let mut out = vec![0.0; 90];
            for y in [0, 8, 33, 69] {
                expander.expand(&field.x_px, grid, scale, y, 3, &mut out);
                for (k, o) in out.iter().enumerate() {
                    let px = |i: usize| (i as f32 + 0.5) / scale - 0.5;
                    let (expected, _) = field.at(px(3 + k), px(y));
                    assert!((o - expected).abs() < 1e-4, "{scale} {y} {k}: {o} {expected}");
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
        solve(&mut field, &measured, &AIR, (3.0, -2.0), 200, &mut work);
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
        solve(&mut field, &measured, &AIR, (0.0, 0.0), 50, &mut SolveWork::default());
        assert!((field.x_px[0] - 1.0).abs() < 0.01);
        assert!((field.y_px[0] - 2.0).abs() < 0.3, "{:?}", field.y_px);
    }
}
