//! One picture drawn as the other sees it.

use super::homography::Mapping;
use crate::interpolate::cubic;
use crate::raster::{Kernel, Raster, smooth};
use rayon::prelude::*;

/// A picture laid upon the grid of another.
#[derive(Clone, Debug)]
pub struct Laid {
    /// Values; 0 outside.
    pub raster: Raster,
    /// Which pixels the picture reaches.
    pub inside: Vec<bool>,
}

/// Draw `source` on a grid of `width` x `height`: `out(p) = source(source_from_grid(p))`, by cubic
/// convolution (Keys 1981), blurred before where the source has finer pixels than the grid, so that
/// nothing folds back.
pub fn lay<M: Mapping>(source: &Raster, source_from_grid: &M, width: usize, height: usize) -> Laid {
    let middle = [0.5 * width as f64, 0.5 * height as f64];
    let scale = source_from_grid.scale_at(middle);
    let blurred;
    // A box of `scale` source pixels has a variance of scale^2 / 12, a source pixel one of 1 / 12;
    // twice as much keeps what folds back below a few per cent.
    let variance = (scale * scale - 1.0) / 6.0;
    let source = if variance > 0.02 && variance.is_finite() {
        let mut out = Raster::zeros(source.width, source.height);
        let sigma = variance.sqrt().min(40.0) as f32;
        smooth(source, &Kernel::gaussian(sigma), &mut Raster::default(), &mut out);
        blurred = out;
        &blurred
    } else {
        source
    };
    let mut raster = Raster::zeros(width, height);
    let mut inside = vec![false; width * height];
    let (last_x, last_y) = (source.width as f64 - 0.5, source.height as f64 - 0.5);
    let rows = raster.values.par_chunks_mut(width.max(1)).zip(inside.par_chunks_mut(width.max(1)));
    rows.enumerate().for_each(|(y, (line, within))| {
        for (x, (out, within)) in line.iter_mut().zip(within).enumerate() {
            let [sx, sy] = source_from_grid.apply([x as f64, y as f64]);
            if (-0.5..=last_x).contains(&sx) && (-0.5..=last_y).contains(&sy) {
                (*out, *within) = (cubic(source, sx, sy), true);
            }
        }
    });
    Laid { raster, inside }
}

impl Laid {
    /// Share of the grid that the picture reaches, 0 to 1.
    pub fn share(&self) -> f64 {
        self.inside.iter().filter(|v| **v).count() as f64 / self.inside.len().max(1) as f64
    }

    /// Where the picture does not reach: its own mean, so that no edge is made.
    pub fn filled(&self) -> Raster {
        let (mut sum, mut count) = (0.0_f64, 0.0_f64);
        for (value, inside) in self.raster.values.iter().zip(&self.inside) {
            if *inside {
                (sum, count) = (sum + f64::from(*value), count + 1.0);
            }
        }
        let mean = (sum / count.max(1.0)) as f32;
        let mut out = self.raster.clone();
        for (value, inside) in out.values.iter_mut().zip(&self.inside) {
            if !inside {
                *value = mean;
            }
        }
        out
    }

    /// The largest rectangle found by drawing in the sides one after the other, in which the picture
    /// reaches everywhere: left, top, width, height.
    pub fn window(&self) -> Option<(usize, usize, usize, usize)> {
        let (width, height) = (self.raster.width, self.raster.height);
        let (mut left, mut top, mut right, mut bottom) = (0, 0, width, height);
        while right > left + 1 && bottom > top + 1 {
            let missing = |cells: &mut dyn Iterator<Item = (usize, usize)>| {
                let (mut n, mut all) = (0, 0);
                for (x, y) in cells {
                    all += 1;
                    n += usize::from(!self.inside[y * width + x]);
                }
                n as f64 / f64::from(all.max(1))
            };
            let worst = [
                missing(&mut (top..bottom).map(|y| (left, y))),
                missing(&mut (top..bottom).map(|y| (right - 1, y))),
                missing(&mut (left..right).map(|x| (x, top))),
                missing(&mut (left..right).map(|x| (x, bottom - 1))),
            ];
            let (side, share) =
                worst.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1)).unwrap_or((0, &0.0));
            if *share <= 0.0 {
                return Some((left, top, right - left, bottom - top));
            }
            match side {
                0 => left += 1,
                1 => right -= 1,
                2 => top += 1,
                _ => bottom -= 1,
            }
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::super::homography::Homography;
    use super::*;

    #[test]
    fn a_shifted_picture_is_drawn_where_it_belongs() {
        let source = Raster {
            width: 30,
            height: 20,
            values: (0..600).map(|i| (i % 30) as f32 + 0.5 * (i / 30) as f32).collect(),
        };
        let shift = Homography::similarity(1.0, 0.0, [0.0, 0.0], [4.5, 2.0]);
        let laid = lay(&source, &shift, 30, 20);
        assert!((laid.raster.row(3)[7] - (11.5 + 2.5)).abs() < 1e-3);
        assert!(!laid.inside[29] && laid.inside[24]);
        let (left, top, width, height) = laid.window().unwrap();
        assert_eq!((left, top), (0, 0));
        assert!((24..=26).contains(&width) && (17..=18).contains(&height), "{width} {height}");
        let away = Homography::similarity(1.0, 0.0, [0.0, 0.0], [400.0, 2.0]);
        let laid = lay(&source, &away, 30, 20);
        assert_eq!((laid.share(), laid.window()), (0.0, None));
    }
}
