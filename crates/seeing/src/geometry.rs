//! The mean of all usable frames at reduced size: blurred by the ripple, true in its geometry.

use crate::raster::Raster;
use stillwright_picture::Shift;

/// Adds up reduced frames at their whole-frame shift.
pub(crate) struct GeometryMean {
    sum: Raster,
    weight: Raster,
    fallback: Raster,
}

impl GeometryMean {
    /// A mean on the grid of `home`, whose values stand where no frame reaches.
    pub(crate) fn new(home: &Raster) -> GeometryMean {
        GeometryMean {
            sum: Raster::zeros(home.width, home.height),
            weight: Raster::zeros(home.width, home.height),
            fallback: home.clone(),
        }
    }

    /// Add a frame whose scene lies at `shift` (px of the full frame), divided by `brightness`.
    pub(crate) fn add(&mut self, reduced: &Raster, shift: &Shift, brightness: f32, factor: usize) {
        let (dx, dy) = (shift.x_px / factor as f32, shift.y_px / factor as f32);
        if !(dx.is_finite() && dy.is_finite()) || brightness <= 0.0 {
            return;
        }
        let (x_cell, y_cell) = (dx.floor(), dy.floor());
        let (fx, fy) = (dx - x_cell, dy - y_cell);
        let (left, top) = (x_cell as isize, y_cell as isize);
        let taps = [(1.0 - fx) * (1.0 - fy), fx * (1.0 - fy), (1.0 - fx) * fy, fx * fy]
            .map(|t| t / brightness);
        let width = self.sum.width as isize;
        let low = (-left).clamp(0, width) as usize;
        let high = (reduced.width as isize - 1 - left).clamp(low as isize, width) as usize;
        for y in 0..self.sum.height {
            let v = y as isize + top;
            if v < 0 || v + 1 >= reduced.height as isize || high <= low {
                continue;
            }
            let from = (low as isize + left) as usize;
            let n = high - low;
            let upper = &reduced.row(v as usize)[from..from + n + 1];
            let lower = &reduced.row(v as usize + 1)[from..from + n + 1];
            let out = &mut self.sum.row_mut(y)[low..high];
            for (i, o) in out.iter_mut().enumerate() {
                *o += taps[0] * upper[i]
                    + taps[1] * upper[i + 1]
                    + taps[2] * lower[i]
                    + taps[3] * lower[i + 1];
            }
            self.weight.row_mut(y)[low..high].iter_mut().for_each(|w| *w += 1.0);
        }
    }

    pub(crate) fn finish(self) -> Raster {
        let mut mean = self.fallback;
        for ((m, s), w) in mean.values.iter_mut().zip(&self.sum.values).zip(&self.weight.values) {
            if *w > 0.0 {
                *m = s / w;
            }
        }
        mean
    }
}
