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

/// Weighted sums of one step: template r, frame f, slopes g.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Sums {
    w: f64,
    rr: f64,
    fr: f64,
    ff: f64,
    xx: f64,
    xy: f64,
    yy: f64,
    xf: f64,
    yf: f64,
    xr: f64,
    yr: f64,
}

impl Sums {
    pub(crate) fn add_row(
        &mut self,
        ring: [&[f32]; TAPS],
        tap: [f32; TAPS],
        values: &[f32],
        slope_x: &[f32],
        slope_y: &[f32],
        window: &[f32],
    ) {
        let total = row_sums(ring, tap, values, (slope_x, slope_y), window);
        let [w, rr, fr, ff, xx, xy, yy, xf, yf, xr, yr] = total;
        self.w += w;
        self.rr += rr;
        self.fr += fr;
        self.ff += ff;
        self.xx += xx;
        self.xy += xy;
        self.yy += yy;
        self.xf += xf;
        self.yf += yf;
        self.xr += xr;
        self.yr += yr;
    }

    /// Least squares of f(x + d) = c r: the step -d that carries the frame onto the template.
    pub(crate) fn solve(&self) -> Option<Step> {
        if self.rr <= 0.0 || self.ff <= 0.0 || self.w <= 0.0 {
            return None;
        }
        let contrast = self.fr / self.rr;
        let correlation = self.fr / (self.rr * self.ff).sqrt();
        // Ridge of a millionth: a tile with slopes along one direction only stays solvable.
        let ridge = 1e-6 * (self.xx + self.yy);
        let (xx, yy) = (self.xx + ridge, self.yy + ridge);
        let det = xx * yy - self.xy * self.xy;
        if det <= 0.0 || contrast.abs() < 1e-3 {
            return None;
        }
        let bx = (self.xf - contrast * self.xr) / contrast;
        let by = (self.yf - contrast * self.yr) / contrast;
        let residual = (self.ff - contrast * self.fr).max(0.0) / self.w;
        let (dx, dy) = ((yy * bx - self.xy * by) / det, (xx * by - self.xy * bx) / det);
        // The frame looks like the template moved by the step: f(x) = c r(x - d) to first
        // order is c r - c g d, so the place to look at moves by -d.
        Some(Step {
            x_px: -dx as f32,
            y_px: -dy as f32,
            contrast: contrast as f32,
            correlation: correlation as f32,
            residual_variance: residual as f32,
            normal: [self.xx as f32, self.xy as f32, self.yy as f32],
        })
    }
}

/// Interpolate along a row: `slot[i]` from the six samples of `source` from `i` on.
#[multiversion(targets("x86_64+avx2+bmi2"))]
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

/// Lanes of [`row_sums`].
const LANES: usize = 8;

/// Sums of one row, in the order of the fields of [`Sums`].
#[multiversion(targets("x86_64+avx2+bmi2"))]
fn row_sums(
    ring: [&[f32]; TAPS],
    tap: [f32; TAPS],
    values: &[f32],
    (slope_x, slope_y): (&[f32], &[f32]),
    window: &[f32],
) -> [f64; 11] {
    let mut lanes = [[0.0f32; LANES]; 11];
    let n = values.len();
    let ring = ring.map(|row| &row[..n]);
    let (slope_x, slope_y, window) = (&slope_x[..n], &slope_y[..n], &window[..n]);
    for i in (0..n / LANES * LANES).step_by(LANES) {
        let rows: [&[f32]; TAPS] = ring.map(|row| &row[i..i + LANES]);
        let (r, w) = (&values[i..i + LANES], &window[i..i + LANES]);
        let (gx, gy) = (&slope_x[i..i + LANES], &slope_y[i..i + LANES]);
        for l in 0..LANES {
            let f = tap[0] * rows[0][l]
                + tap[1] * rows[1][l]
                + tap[2] * rows[2][l]
                + tap[3] * rows[3][l]
                + tap[4] * rows[4][l]
                + tap[5] * rows[5][l];
            let (wr, wf, wx, wy) = (w[l] * r[l], w[l] * f, w[l] * gx[l], w[l] * gy[l]);
            lanes[0][l] += w[l];
            lanes[1][l] += wr * r[l];
            lanes[2][l] += wf * r[l];
            lanes[3][l] += wf * f;
            lanes[4][l] += wx * gx[l];
            lanes[5][l] += wx * gy[l];
            lanes[6][l] += wy * gy[l];
            lanes[7][l] += wx * f;
            lanes[8][l] += wy * f;
            lanes[9][l] += wx * r[l];
            lanes[10][l] += wy * r[l];
        }
    }
    let mut totals = lanes.map(|lane| f64::from(lane.iter().sum::<f32>()));
    for i in n / LANES * LANES..n {
        let f: f32 = tap.iter().zip(ring).map(|(t, row)| t * row[i]).sum();
        let (w, r, gx, gy) = (window[i], values[i], slope_x[i], slope_y[i]);
        let one = [
            w,
            w * r * r,
            w * f * r,
            w * f * f,
            w * gx * gx,
            w * gx * gy,
            w * gy * gy,
            w * gx * f,
            w * gy * f,
            w * gx * r,
            w * gy * r,
        ];
        for (total, one) in totals.iter_mut().zip(one) {
            *total += f64::from(one);
        }
    }
    totals
}
