//! The most probable warp field, given what was measured in its cells.

use crate::field::{Field, Measured, Smoothness};
use multiversion::multiversion;

/// How long [`solve`] goes on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Effort {
    /// Rounds of conjugate gradients at most.
    pub rounds: usize,
    /// Ends when the next change of the field would be smaller than this, rms px.
    pub precision_px: f32,
}

/// Buffers of [`solve`].
#[derive(Clone, Debug, Default)]
pub struct SolveWork {
    /// Unknowns, residual, preconditioned residual, direction, its image: x of all cells, then y.
    x: Vec<f32>,
    r: Vec<f32>,
    z: Vec<f32>,
    p: Vec<f32>,
    q: Vec<f32>,
    laplacian: Vec<f32>,
    /// Information xx, xy, yy of each cell, and the inverse of the 2 x 2 diagonal block.
    information: [Vec<f32>; 3],
    inverse: [Vec<f32>; 3],
}

/// The most probable field given measurements and smoothness, starting from (and written to)
/// `field`; `home` is the displacement of the frame as a whole.
///
/// Minimises, over all cells, (u - m)' I (u - m) + |slope|^2 / s^2 + |curvature|^2 / c^2
/// + |u - home|^2 / p^2 by preconditioned conjugate gradients.
pub fn solve(
    field: &mut Field,
    measured: &[Measured],
    smoothness: &Smoothness,
    home: (f32, f32),
    effort: Effort,
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
        membrane: 1.0 / (smoothness.slope * step).powi(2),
        plate: 1.0 / (smoothness.curvature * step * step).powi(2),
        spring: 1.0 / smoothness.spread_px.powi(2),
    };
    let base = 20.0 * system.plate + 4.0 * system.membrane + system.spring;
    for part in work.information.iter_mut().chain(&mut work.inverse) {
        part.resize(n, 0.0);
    }
    let [of_xx, of_xy, of_yy] = &mut work.information;
    let information = of_xx.iter_mut().zip(of_xy).zip(of_yy);
    let [of_a, of_b, of_d] = &mut work.inverse;
    let inverse = of_a.iter_mut().zip(of_b).zip(of_d);
    for ((m, information), inverse) in measured.iter().zip(information).zip(inverse) {
        let [xx, xy, yy] = m.information;
        let (a, d) = (xx + base, yy + base);
        let det = a * d - xy * xy;
        let ((of_xx, of_xy), of_yy) = information;
        (*of_xx, *of_xy, *of_yy) = (xx, xy, yy);
        let ((of_a, of_b), of_d) = inverse;
        (*of_a, *of_b, *of_d) = (d / det, -xy / det, a / det);
    }
    for v in [&mut work.x, &mut work.r, &mut work.z, &mut work.p, &mut work.q] {
        v.clear();
        v.resize(2 * n, 0.0);
    }
    work.laplacian.resize(n, 0.0);
    // The unknowns are displacements about home.
    for i in 0..n {
        work.x[i] = field.x_px[i] - home.0;
        work.x[n + i] = field.y_px[i] - home.1;
    }
    std::mem::swap(&mut work.x, &mut work.p);
    apply(&system, &work.information, &work.p, &mut work.q, &mut work.laplacian);
    std::mem::swap(&mut work.x, &mut work.p);
    for (i, m) in measured.iter().enumerate() {
        let (mx, my) = (m.x_px - home.0, m.y_px - home.1);
        let [xx, xy, yy] = m.information;
        work.r[i] = xx * mx + xy * my - work.q[i];
        work.r[n + i] = xy * mx + yy * my - work.q[n + i];
    }
    let (mut rz, mut zz) = precondition(&work.inverse, &work.r, &mut work.z);
    work.p.copy_from_slice(&work.z);
    let target = 1e-6 * rz.max(1e-30);
    let small = f64::from(effort.precision_px).powi(2) * n as f64;
    for _ in 0..effort.rounds {
        if rz <= target || zz <= small {
            break;
        }
        let pq = apply(&system, &work.information, &work.p, &mut work.q, &mut work.laplacian);
        if pq <= 0.0 {
            break;
        }
        advance((rz / pq) as f32, &work.p, &work.q, &mut work.x, &mut work.r);
        let next;
        (next, zz) = precondition(&work.inverse, &work.r, &mut work.z);
        turn((next / rz) as f32, &work.z, &mut work.p);
        rz = next;
    }
    for i in 0..n {
        field.x_px[i] = work.x[i] + home.0;
        field.y_px[i] = work.x[n + i] + home.1;
    }
}

/// Lanes of the sums.
const LANES: usize = 8;

#[derive(Clone, Copy)]
struct System {
    columns: usize,
    rows: usize,
    membrane: f32,
    plate: f32,
    spring: f32,
}

/// `q = A p`; gives p . q.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512vl+avx2+bmi2", "x86_64+avx2+bmi2"))]
fn apply(
    system: &System,
    information: &[Vec<f32>; 3],
    p: &[f32],
    q: &mut [f32],
    laplacian: &mut [f32],
) -> f64 {
    let n = system.columns * system.rows;
    for part in 0..2 {
        let v = &p[part * n..(part + 1) * n];
        let out = &mut q[part * n..(part + 1) * n];
        laplace(system, v, laplacian);
        laplace(system, laplacian, out);
        for ((o, l), v) in out.iter_mut().zip(laplacian.iter()).zip(v) {
            *o = system.plate * *o + system.membrane * l + system.spring * v;
        }
    }
    let (px, py) = (&p[..n], &p[n..2 * n]);
    let (qx, qy) = q.split_at_mut(n);
    let qy = &mut qy[..n];
    let [xx, xy, yy] = information;
    let (xx, xy, yy) = (&xx[..n], &xy[..n], &yy[..n]);
    for i in 0..n {
        qx[i] += xx[i] * px[i] + xy[i] * py[i];
        qy[i] += xy[i] * px[i] + yy[i] * py[i];
    }
    dot(&p[..2 * n], &q[..2 * n])
}

/// Sum over the neighbours of own minus theirs (positive semi-definite, free edges).
#[inline(always)]
fn laplace(system: &System, v: &[f32], out: &mut [f32]) {
    let (columns, rows) = (system.columns, system.rows);
    for j in 0..rows {
        let row = &v[j * columns..(j + 1) * columns];
        let above = &v[j.saturating_sub(1) * columns..][..columns];
        let below = &v[(j + 1).min(rows - 1) * columns..][..columns];
        let line = &mut out[j * columns..(j + 1) * columns];
        let one = |i: usize| {
            let (left, right) = (row[i.saturating_sub(1)], row[(i + 1).min(columns - 1)]);
            4.0 * row[i] - left - right - above[i] - below[i]
        };
        line[0] = one(0);
        line[columns - 1] = one(columns - 1);
        if columns > 2 {
            let inner = &mut line[1..columns - 1];
            let n = inner.len();
            let (left, here, right) = (&row[..n], &row[1..n + 1], &row[2..n + 2]);
            let (above, below) = (&above[1..n + 1], &below[1..n + 1]);
            let rows = [here, left, right, above, below];
            let mut x = 0;
            while x + WIDE <= n {
                four_less_neighbours::<WIDE>(inner, rows, x);
                x += WIDE;
            }
            // What is left over is done with some of what is done already, once more: rows are short.
            if x < n && n >= WIDE {
                four_less_neighbours::<WIDE>(inner, rows, n - WIDE);
                x = n;
            }
            while x < n {
                four_less_neighbours::<1>(inner, rows, x);
                x += 1;
            }
        }
    }
}

/// Cells of a row that are done at once.
const WIDE: usize = 16;

#[inline(always)]
fn four_less_neighbours<const N: usize>(out: &mut [f32], rows: [&[f32]; 5], x: usize) {
    let [here, left, right, above, below] = rows;
    let (here, left, right) = (&here[x..x + N], &left[x..x + N], &right[x..x + N]);
    let (above, below) = (&above[x..x + N], &below[x..x + N]);
    let out = &mut out[x..x + N];
    for l in 0..N {
        out[l] = 4.0 * here[l] - left[l] - right[l] - above[l] - below[l];
    }
}

#[inline(always)]
fn dot(a: &[f32], b: &[f32]) -> f64 {
    let mut lanes = [0.0f64; LANES];
    let (a8, a_rest) = a.as_chunks::<LANES>();
    let (b8, b_rest) = b.as_chunks::<LANES>();
    for (a, b) in a8.iter().zip(b8) {
        for l in 0..LANES {
            lanes[l] += f64::from(a[l]) * f64::from(b[l]);
        }
    }
    for (l, (a, b)) in a_rest.iter().zip(b_rest).enumerate() {
        lanes[l] += f64::from(*a) * f64::from(*b);
    }
    lanes.iter().sum()
}

/// Divide by the 2 x 2 diagonal blocks; gives r . z and z . z.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512vl+avx2+bmi2", "x86_64+avx2+bmi2"))]
fn precondition(inverse: &[Vec<f32>; 3], r: &[f32], z: &mut [f32]) -> (f64, f64) {
    let n = r.len() / 2;
    let (rx, ry) = (&r[..n], &r[n..2 * n]);
    let (zx, zy) = z.split_at_mut(n);
    let zy = &mut zy[..n];
    let [a, b, d] = inverse;
    let (a, b, d) = (&a[..n], &b[..n], &d[..n]);
    for i in 0..n {
        zx[i] = a[i] * rx[i] + b[i] * ry[i];
        zy[i] = b[i] * rx[i] + d[i] * ry[i];
    }
    (dot(r, z), dot(z, z))
}

/// `x += a p`, `r -= a q`.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512vl+avx2+bmi2", "x86_64+avx2+bmi2"))]
fn advance(alpha: f32, p: &[f32], q: &[f32], x: &mut [f32], r: &mut [f32]) {
    let n = p.len();
    let (q, x, r) = (&q[..n], &mut x[..n], &mut r[..n]);
    for i in 0..n {
        x[i] += alpha * p[i];
        r[i] -= alpha * q[i];
    }
}

/// `p = z + b p`.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512vl+avx2+bmi2", "x86_64+avx2+bmi2"))]
fn turn(beta: f32, z: &[f32], p: &mut [f32]) {
    for (p, z) in p.iter_mut().zip(z) {
        *p = z + beta * *p;
    }
}
