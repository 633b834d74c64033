//! What is credible at each place, to tell what one frame alone shows: a satellite, a cosmic ray,
//! a pixel that sticks for a while.
//!
//! A sample is refused when it differs from the picture so far by more than noise and air can
//! explain. The air moves and smears light over several px, so the whole range of brightness
//! that the surroundings show is allowed: refusing what a blurred frame spilled over an edge
//! would falsify the light there. What remains to be refused is what stands out of everything
//! around it.

use multiversion::multiversion;
use ndarray::{Array2, ArrayView2, Axis};
use rayon::prelude::*;
use stillwright_picture::Picture;
use stillwright_seeing::noise::NoiseModel;

/// Surroundings whose range is allowed, px on each side: the reach of strong blur.
const REACH_PX: usize = 9;

/// Noise that is allowed, standard deviations: one sample in 5 x 10^8 lies beyond by chance.
const SIGMAS: f32 = 6.0;

/// The picture so far and how far a sample may lie from it.
pub struct Expected {
    /// The picture so far, output grid.
    pub picture: Picture,
    /// Largest credible difference from it, same shape.
    pub tolerance: Picture,
}

impl Expected {
    /// Expectation from a first stack of frames with `noise`.
    pub fn from_stack(picture: &Picture, noise: &NoiseModel) -> Expected {
        Expected::within_reach(picture, noise, REACH_PX)
    }

    fn within_reach(picture: &Picture, noise: &NoiseModel, reach_px: usize) -> Expected {
        let mut tolerance = picture.clone();
        for channel in 0..picture.channels() {
            let plane = picture.plane(channel);
            let low = local_extreme(plane, reach_px, Extreme::Low);
            let high = local_extreme(plane, reach_px, Extreme::High);
            let mut out = tolerance.plane_mut(channel);
            for (((o, v), low), high) in out.iter_mut().zip(plane).zip(&low).zip(&high) {
                let range = (high - v).max(v - low);
                *o = SIGMAS * noise.sigma(*v) + range + 1e-3;
            }
        }
        Expected { picture: picture.clone(), tolerance }
    }

    /// Expectation before there is a clean stack: `mean` is the light of all frames, aligned as a
    /// whole, `sharp` a stack of few frames that may hold what one of them alone shows.
    ///
    /// A satellite sharpens a frame's grade, so the few best may well include it, and among few
    /// it cannot be told by its neighbours in time. In the mean of all it has sunk. Detail that
    /// the mean has lost is allowed for by four times the usual (median) difference of the two; what
    /// a third of the usual reach holds is allowed besides, since the best frames smear little.
    pub fn from_mean(mean: &Array2<f32>, sharp: &Picture, noise: &NoiseModel) -> Expected {
        let mut picture = sharp.clone();
        let level = |values: &mut dyn Iterator<Item = f32>| values.map(f64::from).sum::<f64>();
        let light = level(&mut mean.iter().copied()).max(1e-9);
        for channel in 0..sharp.channels() {
            let gain = level(&mut sharp.plane(channel).iter().copied()) / light;
            let scaled = mean.mapv(|v| v * gain as f32);
            picture.plane_mut(channel).assign(&scaled);
        }
        let mut expected = Expected::within_reach(&picture, noise, REACH_PX / 3);
        for channel in 0..sharp.channels() {
            let (plane, seen) = (picture.plane(channel), sharp.plane(channel));
            let mut apart: Vec<f32> = plane.iter().zip(seen).map(|(a, b)| (a - b).abs()).collect();
            let middle = apart.len() / 2;
            let usual = *apart.select_nth_unstable_by(middle, f32::total_cmp).1;
            // 1.4826: median absolute deviation to standard deviation (Rousseeuw & Croux 1993).
            let detail = 4.0 * 1.4826 * usual;
            expected.tolerance.plane_mut(channel).mapv_inplace(|t| t + detail);
        }
        expected
    }

    /// The same expectation on an output grid of another scale and size (columns, rows).
    pub fn at_scale(&self, scale: f32, size: (usize, usize)) -> Expected {
        Expected {
            picture: enlarged(&self.picture, scale, size),
            tolerance: enlarged(&self.tolerance, scale, size),
        }
    }
}

/// `picture` at another scale and size (columns, rows), by the nearest px.
pub fn enlarged(picture: &Picture, scale: f32, (width, height): (usize, usize)) -> Picture {
    if (picture.width(), picture.height()) == (width, height) {
        return picture.clone();
    }
    let nearest = |i: usize, n: usize| (((i as f32 + 0.5) / scale) as usize).min(n - 1);
    let mut out = Picture::black(picture.channels(), height, width);
    for ((channel, y, x), v) in out.planes.indexed_iter_mut() {
        let (u, w) = (nearest(x, picture.width()), nearest(y, picture.height()));
        *v = picture.planes[[channel, w, u]];
    }
    out
}

/// Smallest or largest values.
#[derive(Clone, Copy, PartialEq)]
enum Extreme {
    Low,
    High,
}

/// Smallest or largest value within `radius` px along both axes.
fn local_extreme(plane: ArrayView2<'_, f32>, radius: usize, which: Extreme) -> Array2<f32> {
    let (height, width) = plane.dim();
    let source = plane.as_standard_layout();
    let values = source.as_slice().unwrap_or(&[]);
    let mut out = Array2::zeros((height, width));
    if values.is_empty() {
        return out;
    }
    let rows = out.axis_iter_mut(Axis(0)).into_par_iter().enumerate();
    rows.for_each_init(Vec::new, |column, (y, mut row)| {
        column.clear();
        column.extend_from_slice(&values[y * width..(y + 1) * width]);
        let take = match which {
            Extreme::Low => lower,
            Extreme::High => higher,
        };
        for other in y.saturating_sub(radius)..(y + radius + 1).min(height) {
            take(column, &values[other * width..(other + 1) * width]);
        }
        let Some(row) = row.as_slice_mut() else { return };
        row.copy_from_slice(column);
        for shift in 1..=radius.min(width.saturating_sub(1)) {
            take(row, &column[shift..]);
            take(&mut row[shift..], column);
        }
    });
    out
}

/// Keep the smaller of each pair in `own`.
#[multiversion(targets("x86_64+avx2+bmi2"))]
fn lower(own: &mut [f32], other: &[f32]) {
    for (o, v) in own.iter_mut().zip(other) {
        *o = if *v < *o { *v } else { *o };
    }
}

/// Keep the larger of each pair in `own`.
#[multiversion(targets("x86_64+avx2+bmi2"))]
fn higher(own: &mut [f32], other: &[f32]) {
    for (o, v) in own.iter_mut().zip(other) {
        *o = if *v > *o { *v } else { *o };
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_spike_is_beyond_belief_and_light_spilled_over_an_edge_is_not() {
        let mut picture = Picture::black(1, 40, 60);
        picture.plane_mut(0).fill(0.1);
        for y in 0..40 {
            for x in 30..60 {
                picture.planes[[0, y, x]] = 0.6;
            }
        }
        let noise = NoiseModel { read: 1e-4, gain: 0.0 };
        let expected = Expected::from_stack(&picture, &noise);
        let refuses = |x: usize, sample: f32| {
            (sample - expected.picture.planes[[0, 20, x]]).abs()
                > expected.tolerance.planes[[0, 20, x]]
        };
        // Far from the edge only noise is allowed: six times 0.01.
        assert!(refuses(10, 0.17) && !refuses(10, 0.155));
        // Five px from it, what the bright side may have spilled is allowed.
        assert!(!refuses(25, 0.5) && refuses(25, 0.7));
        assert!(!refuses(34, 0.2));
    }

    #[test]
    fn extremes_reach_as_far_as_asked_and_no_further() {
        let mut plane = Array2::zeros((9, 12));
        plane[[4, 5]] = 1.0;
        let high = local_extreme(plane.view(), 2, Extreme::High);
        for ((y, x), v) in high.indexed_iter() {
            let near = y.abs_diff(4) <= 2 && x.abs_diff(5) <= 2;
            assert_eq!(*v, if near { 1.0 } else { 0.0 });
        }
    }
}
