//! The telescope: an annular pupil, what it passes at best, and its pupil on a grid.

use std::f64::consts::PI;

/// Modulation transfer of a perfect annular pupil at the spatial frequency `nu`, in units of the
/// cut-off D / lambda, with the linear central obstruction `epsilon` (0 clear, below 1).
///
/// 1 at `nu` = 0, 0 from `nu` = 1 on; even in `nu`. Accurate to 1e-12. Closed form of O'Neill,
/// J. Opt. Soc. Am. 46, 285 (1956), written as the overlap of two annuli.
pub fn annular_mtf(nu: f64, epsilon: f64) -> f64 {
    let nu = nu.abs();
    if nu >= 1.0 {
        return 0.0;
    }
    let e = epsilon.clamp(0.0, 0.999);
    // Overlap of two circles of diameters 1 and `e` whose centres are `nu` apart, in units of
    // pi / 4; for equal circles this is Goodman's eq. 6-32.
    let equal = |d: f64| {
        if nu >= d {
            return 0.0;
        }
        let x = nu / d;
        d * d * (2.0 / PI) * (x.acos() - x * (1.0 - x * x).sqrt())
    };
    let mixed = if e == 0.0 || nu >= 0.5 * (1.0 + e) {
        0.0
    } else if nu <= 0.5 * (1.0 - e) {
        e * e
    } else {
        let (big, small) = (0.5, 0.5 * e);
        let a = (nu * nu + big * big - small * small) / (2.0 * nu * big);
        let b = (nu * nu + small * small - big * big) / (2.0 * nu * small);
        let lens =
            big * big * a.clamp(-1.0, 1.0).acos() + small * small * b.clamp(-1.0, 1.0).acos();
        let kite =
            (-nu + small + big) * (nu + small - big) * (nu - small + big) * (nu + small + big);
        (lens - 0.5 * kite.max(0.0).sqrt()) * 4.0 / PI
    };
    (equal(1.0) + equal(e) - 2.0 * mixed) / (1.0 - e * e)
}

/// The pupil on a square grid: how much of each grid cell it covers.
pub(crate) struct Pupil {
    /// Side of the grid, cells.
    pub side: usize,
    /// Covered share of each cell, 0 to 1, rows by columns.
    pub cover: Vec<f32>,
    /// Horizontal distance of each column (and row) from the axis, cells.
    pub axis: Vec<f32>,
    /// Sum of `cover`.
    pub area: f32,
    /// Sum of the squares of `cover`: the light that the grid's amplitudes carry.
    pub light: f32,
    /// Sum of `cover` times the square of the horizontal distance, cells².
    pub moment: f32,
}

impl Pupil {
    /// An annulus `diameter` cells across.
    pub fn new(diameter: f64, obstruction: f64) -> Pupil {
        let side = diameter.ceil() as usize + 1;
        let middle = (side - 1) as f64 / 2.0;
        const FINE: usize = 16;
        let (outer, inner) = ((diameter / 2.0).powi(2), (obstruction * diameter / 2.0).powi(2));
        let offset = |i: usize| (i as f64 + 0.5) / FINE as f64 - 0.5;
        let mut cover = Vec::with_capacity(side * side);
        for y in 0..side {
            for x in 0..side {
                let mut inside = 0;
                for i in 0..FINE {
                    for j in 0..FINE {
                        let r2 = (x as f64 - middle + offset(j)).powi(2)
                            + (y as f64 - middle + offset(i)).powi(2);
                        inside += usize::from(r2 <= outer && r2 >= inner);
                    }
                }
                cover.push(inside as f32 / (FINE * FINE) as f32);
            }
        }
        let axis: Vec<f32> = (0..side).map(|i| (i as f64 - middle) as f32).collect();
        let area = cover.iter().sum();
        let light = cover.iter().map(|c| c * c).sum();
        let moment =
            cover.chunks(side).flat_map(|row| row.iter().zip(&axis)).map(|(c, x)| c * x * x);
        let moment = moment.sum();
        Pupil { side, cover, axis, area, light, moment }
    }

    /// Mean slope of a phase over the pupil, radians per cell, to the right and down: the
    /// least-squares (Zernike) tilt. The phase's first sample is `phase[0]`, its rows `stride`
    /// apart.
    pub fn slope(&self, phase: &[f32], stride: usize) -> (f32, f32) {
        let (mut sx, mut sy) = (0.0f32, 0.0f32);
        for (y, cover) in self.cover.chunks(self.side).enumerate() {
            let row = &phase[y * stride..][..self.side];
            let (mut along, mut sum) = (0.0f32, 0.0f32);
            for ((c, p), x) in cover.iter().zip(row).zip(&self.axis) {
                let v = c * p;
                along += v * x;
                sum += v;
            }
            sx += along;
            sy += sum * self.axis[y];
        }
        (sx / self.moment, sy / self.moment)
    }

    /// Take mean and slope out of a phase of `side` x `side` samples; returns the variance over
    /// the pupil that remains, rad².
    pub fn flatten(&self, phase: &mut [f32]) -> f32 {
        let (sx, sy) = self.slope(phase, self.side);
        let sum: f32 = self.cover.iter().zip(phase.iter()).map(|(c, p)| c * p).sum();
        let mean = sum / self.area;
        let mut squares = 0.0f32;
        let rows = phase.chunks_mut(self.side).zip(self.cover.chunks(self.side));
        for ((row, cover), y) in rows.zip(&self.axis) {
            let level = mean + sy * y;
            for ((p, c), x) in row.iter_mut().zip(cover).zip(&self.axis) {
                *p -= level + sx * x;
                squares += c * *p * *p;
            }
        }
        squares / self.area
    }
}
