//! The sums and the solution of one Gauss-Newton step on shift and contrast.

use crate::interpolate::TAPS;
use multiversion::multiversion;

/// One step, and what it tells.
pub(crate) struct Step {
    pub x_px: f32,
    pub y_px: f32,
    pub contrast: f32,
    pub correlation: f32,
    pub residual_variance: f32,
    pub normal: [f32; 3],
}

/// Weighted sums of the template r and its slopes g alone, over the px that count.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Own {
    w: f64,
    rr: f64,
    xx: f64,
    xy: f64,
    yy: f64,
    xr: f64,
    yr: f64,
}

impl Own {
    /// Add a row: window, template, slopes.
    pub(crate) fn add_row(&mut self, window: &[f32], r: &[f32], slopes: (&[f32], &[f32])) {
        let [w, rr, xx, xy, yy, xr, yr] = own_sums(window, r, slopes);
        self.w += w;
        self.rr += rr;
        self.xx += xx;
        self.xy += xy;
        self.yy += yy;
        self.xr += xr;
        self.yr += yr;
    }
}

/// Weighted sums of one step: template r, frame f, slopes g.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Sums {
    own: Own,
    fr: f64,
    ff: f64,
    xf: f64,
    yf: f64,
}

/// One row of what a frame is compared with: the window, and template and slopes times the window.
#[derive(Clone, Copy)]
pub(crate) struct Weighted<'a> {
    pub window: &'a [f32],
    pub r: &'a [f32],
    pub slope_x: &'a [f32],
    pub slope_y: &'a [f32],
}

impl Sums {
    pub(crate) fn new(own: Own) -> Sums {
        Sums { own, fr: 0.0, ff: 0.0, xf: 0.0, yf: 0.0 }
    }

    pub(crate) fn add_row(
        &mut self,
        ring: [&[f32]; TAPS],
        tap: [f32; TAPS],
        weighted: Weighted<'_>,
    ) {
        let [fr, ff, xf, yf] = row_sums(ring, tap, weighted);
        self.fr += fr;
        self.ff += ff;
        self.xf += xf;
        self.yf += yf;
    }

    /// Least squares of f(x + d) = c r: the step -d that carries the frame onto the template.
    pub(crate) fn solve(&self) -> Option<Step> {
        let own = &self.own;
        if own.rr <= 0.0 || self.ff <= 0.0 || own.w <= 0.0 {
            return None;
        }
        let contrast = self.fr / own.rr;
        let correlation = self.fr / (own.rr * self.ff).sqrt();
        // Ridge of a millionth: a tile with slopes along one direction only stays solvable.
        let ridge = 1e-6 * (own.xx + own.yy);
        let (xx, yy) = (own.xx + ridge, own.yy + ridge);
        let det = xx * yy - own.xy * own.xy;
        if det <= 0.0 || contrast.abs() < 1e-3 {
            return None;
        }
        let bx = (self.xf - contrast * own.xr) / contrast;
        let by = (self.yf - contrast * own.yr) / contrast;
        let residual = (self.ff - contrast * self.fr).max(0.0) / own.w;
        let (dx, dy) = ((yy * bx - own.xy * by) / det, (xx * by - own.xy * bx) / det);
        // The frame looks like the template moved by the step: f(x) = c r(x - d) to first
        // order is c r - c g d, so the place to look at moves by -d.
        Some(Step {
            x_px: -dx as f32,
            y_px: -dy as f32,
            contrast: contrast as f32,
            correlation: correlation as f32,
            residual_variance: residual as f32,
            normal: [own.xx as f32, own.xy as f32, own.yy as f32],
        })
    }
}

/// Interpolate along a row: `slot[i]` from the six samples of `source` from `i` on.
#[multiversion(targets("x86_64+avx512f+avx512bw+avx512vl+avx2+bmi2", "x86_64+avx2+bmi2"))]
pub(crate) fn interpolate_row(source: &[f32], taps: &[f32; TAPS], slot: &mut [f32]) {
    let n = slot.len();
    let s: [&[f32]; TAPS] = std::array::from_fn(|k| &source[k..k + n]);
    for i in 0..n {
        slot[i] = s[0][i] * taps[0]
            + s[1][i] * taps[1]
            + s[2][i] * taps[2]
            + s[3][i] * taps[3]
            + s[4][i] * taps[4]
            + s[5][i] * taps[5];
    }
}

/// Lanes of the sums.
const LANES: usize = 8;

/// Sums of one row of the template, in the order of the fields of [`Own`].
#[multiversion(targets("x86_64+avx2+bmi2"))]
fn own_sums<'a>(window: &[f32], r: &[f32], (slope_x, slope_y): (&'a [f32], &'a [f32])) -> [f64; 7] {
    let n = window.len();
    let (r, slope_x, slope_y) = (&r[..n], &slope_x[..n], &slope_y[..n]);
    let mut lanes = [[0.0f32; LANES]; 7];
    for from in (0..n).step_by(LANES) {
        for (l, i) in (from..(from + LANES).min(n)).enumerate() {
            let (w, r, gx, gy) = (window[i], r[i], slope_x[i], slope_y[i]);
            let (wr, wx, wy) = (w * r, w * gx, w * gy);
            let all = [w, wr * r, wx * gx, wx * gy, wy * gy, wx * r, wy * r];
            for (sums, one) in lanes.iter_mut().zip(all) {
                sums[l] += one;
            }
        }
    }
    lanes.map(|lane| f64::from(lane.iter().sum::<f32>()))
}

/// Sums of one row: fr, ff, and the slopes times f.
#[multiversion(targets("x86_64+avx2+bmi2"))]
fn row_sums<'a>(ring: [&'a [f32]; TAPS], tap: [f32; TAPS], weighted: Weighted<'a>) -> [f64; 4] {
    let n = weighted.window.len();
    let ring = ring.map(|row| &row[..n]);
    let (w, r) = (weighted.window, &weighted.r[..n]);
    let (gx, gy) = (&weighted.slope_x[..n], &weighted.slope_y[..n]);
    let mut lanes = [[0.0f32; LANES]; 4];
    let whole = n / LANES * LANES;
    // Taken apart outside of the loop: what is called in there may not be compiled into it.
    let in_blocks = |row: &'a [f32]| row.as_chunks::<LANES>().0;
    let rows = ring.map(in_blocks);
    let [ws, rs, gxs, gys] = [w, r, gx, gy].map(in_blocks);
    for (at, w) in ws.iter().enumerate() {
        let (r, gx, gy) = (&rs[at], &gxs[at], &gys[at]);
        let (a, b, c) = (&rows[0][at], &rows[1][at], &rows[2][at]);
        let (d, e, g) = (&rows[3][at], &rows[4][at], &rows[5][at]);
        for l in 0..LANES {
            let f = tap[0] * a[l]
                + tap[1] * b[l]
                + tap[2] * c[l]
                + tap[3] * d[l]
                + tap[4] * e[l]
                + tap[5] * g[l];
            lanes[0][l] += f * r[l];
            lanes[1][l] += f * f * w[l];
            lanes[2][l] += f * gx[l];
            lanes[3][l] += f * gy[l];
        }
    }
    for i in whole..n {
        let f: f32 = tap.iter().zip(ring).map(|(t, row)| t * row[i]).sum();
        lanes[0][i - whole] += f * r[i];
        lanes[1][i - whole] += f * f * w[i];
        lanes[2][i - whole] += f * gx[i];
        lanes[3][i - whole] += f * gy[i];
    }
    lanes.map(|lane| f64::from(lane.iter().sum::<f32>()))
}
