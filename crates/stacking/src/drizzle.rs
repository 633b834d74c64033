//! Drizzle: every sample is a drop, smaller than its pixel, that falls on the finer pixels of the output.
//!
//! After Fruchter & Hook, PASP 114, 144 (2002). A pixel of the camera is shrunk about its middle to the share
//! *pixfrac* of its side, laid onto the output, and its light is given to each output pixel by the area that
//! both have in common. Interpolation cannot show more than one frame's pixels hold; drops of many frames,
//! each elsewhere by a fraction of a px, can. What it costs: places between the drops of few frames stay bare, and
//! noise of neighbouring output pixels is alike, because they share drops ([`noise_ratio`]).
//!
//! Seen from the output: its pixel of side `1 / scale` px lies at `u` in the frame, and the drop of sample `i` shares
//! `min(pixfrac, 1 / scale, (pixfrac + 1 / scale) / 2 - |u - i|)` px with it along an axis (where that is above 0).
//! That is exact where the frame is merely displaced; a warp of a tenth of a px per px makes the drops a
//! tenth larger or smaller, and moves none.

use crate::resample::{BLOCK, Places};
use crate::spline::{interpolate, mean_square_of_taps};
use crate::window::{STRIDE, Window};
use multiversion::multiversion;
use ndarray::{Array3, Axis, s};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use stillwright_seeing::spline::Between;

/// Smallest share of a pixel's side that a drop may have. Smaller drops leave so many bare places that some thousand
/// frames would not fill them.
pub const LEAST_PIXFRAC: f32 = 0.1;

/// How samples come to lie between pixels.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Resampling {
    /// Drops where the capture's pixels are too coarse for what its frames hold, interpolation elsewhere.
    #[default]
    Auto,
    /// Interpolation (a spline; a mosaic's colours by a tent).
    Interpolation,
    /// Drops of this share of a pixel's side, [`LEAST_PIXFRAC`] to 1; the output must not be coarser than the capture.
    #[serde(rename = "pixfrac")]
    Drizzle(f32),
}

/// How much of a sample falls on an output pixel that lies beside it, along one axis: [`Drop::share`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drop {
    /// Nothing falls further away than this, px of the frame; at most 1.
    pub reach: f32,
    /// The most that can fall, px.
    pub top: f32,
    /// Factor for shares along both axes, such that they are 1 on average.
    pub even: f32,
}

impl Drop {
    /// A drop of the share `pixfrac` of a pixel's side, on an output of `scale` pixels to the px, at least 1.
    pub fn new(pixfrac: f32, scale: f32) -> Drop {
        let side = 1.0 / scale.max(1.0);
        let pixfrac = pixfrac.clamp(LEAST_PIXFRAC, 1.0);
        let area = pixfrac * side;
        Drop { reach: 0.5 * (pixfrac + side), top: pixfrac.min(side), even: 1.0 / (area * area) }
    }

    /// Linear interpolation between samples: a tent of 1 px on each side.
    pub const TENT: Drop = Drop { reach: 1.0, top: 1.0, even: 1.0 };

    /// Length in common along one axis, px, at `distance` px (not negative).
    #[inline(always)]
    pub fn share(&self, distance: f32) -> f32 {
        let left = self.reach - distance;
        let left = if left > 0.0 { left } else { 0.0 };
        if left < self.top { left } else { self.top }
    }
}

/// By how much the noise of single output pixels, taken for that of independent ones, falls short: the noise of a large
/// area is `R` times what its pixels' noise would give.
///
/// Drizzled, with `r = pixfrac x scale`: `R = r / (1 - 1 / (3 r))` from 1 on, `1 / (1 - r / 3)` below (Fruchter & Hook 2002, section
/// 7; it follows from the shape of what drop and pixel share). Interpolated (`None`): `scale` over the mean of the sum of squared taps,
/// at least 1. Holds for many frames, evenly strewn, and for noise that differs from sample to sample; what the air
/// makes of one frame is alike over some px anyway.
pub fn noise_ratio(pixfrac: Option<f32>, scale: f32) -> f32 {
    match pixfrac.map(|pixfrac| pixfrac * scale) {
        Some(r) if r >= 1.0 => r / (1.0 - 1.0 / (3.0 * r)),
        Some(r) => 1.0 / (1.0 - r / 3.0),
        None => (scale / mean_square_of_taps()).max(1.0),
    }
}

/// The drop that a start without a wish takes: the smallest that leaves no gap, at least half a pixel. Half a pixel was best at
/// two pixels to the px whatever the seeing (figures in [`crate::sampling`]). `colour_share` is the share of samples
/// that have a colour's filter; of a mosaic, one frame covers no place for certain, `frames` together shall miss one in
/// a thousand at most.
pub fn usual_pixfrac(scale: f32, colour_share: f32, frames: usize) -> f32 {
    let side = 1.0 / scale.max(1.0);
    let mut pixfrac = (1.0 - side).max(0.5);
    let missed = |pixfrac: f32| {
        let hit = colour_share * (pixfrac + side).min(1.0 / colour_share.sqrt()).powi(2);
        (1.0 - hit.min(1.0)).powi(frames.min(1 << 20) as i32)
    };
    if colour_share < 1.0 {
        while pixfrac < 0.999 && missed(pixfrac) > 1e-3 {
            pixfrac = (pixfrac + 0.05).min(1.0);
        }
    }
    pixfrac
}

/// How far a gap is filled from its own neighbours, px of the output.
const GAP_PX: usize = 3;

/// Fill places on which no drop fell (not a number) from those around them, the nearest ring that has any; what lies
/// further away from drops than [`GAP_PX`] stays.
pub fn fill_gaps(planes: &mut Array3<f32>) {
    let (_, height, width) = planes.dim();
    planes.axis_iter_mut(Axis(0)).into_par_iter().for_each(|mut plane| {
        let mut filled = Vec::new();
        for ((y, x), _) in plane.indexed_iter().filter(|(_, v)| v.is_nan()) {
            for reach in 1..=GAP_PX {
                let rows = y.saturating_sub(reach)..(y + reach + 1).min(height);
                let columns = x.saturating_sub(reach)..(x + reach + 1).min(width);
                let near = plane.slice(s![rows, columns]);
                let (sum, count) = near
                    .iter()
                    .filter(|v| !v.is_nan())
                    .fold((0.0, 0.0), |(sum, count), v| (sum + v, count + 1.0));
                if count > 0.0 {
                    filled.push(((y, x), sum / count));
                    break;
                }
            }
        }
        filled.into_iter().for_each(|(at, v)| plane[at] = v);
    });
}

/// Samples of rows of places, in either way, and the buffers for it.
#[derive(Clone, Debug)]
pub struct Sampler {
    between: Box<Between>,
    drops: Box<Drops>,
}

/// Areas in common with the four samples around each place, and these samples.
#[derive(Clone, Debug)]
struct Drops {
    areas: [[f32; BLOCK]; 4],
    samples: [[f32; BLOCK]; 4],
}

impl Default for Sampler {
    fn default() -> Self {
        let drops = Drops { areas: [[0.0; BLOCK]; 4], samples: [[0.0; BLOCK]; 4] };
        Sampler { between: Box::default(), drops: Box::new(drops) }
    }
}

impl Sampler {
    /// Sample `window` at the first `out.len()` places, which were found in it by [`Places::within`]: interpolated, or the
    /// mean of the drops that fall there, whose area is then a factor of the place's weight (0 where none falls).
    pub fn row(
        &mut self,
        window: &Window,
        places: &mut Places,
        drop: Option<Drop>,
        out: &mut [f32],
    ) {
        let Some(drop) = drop else {
            return interpolate(window, places, &mut self.between, out);
        };
        let n = out.len().min(BLOCK);
        places.within(n, window);
        areas(places, drop, n, &mut self.drops.areas);
        gather(&window.values, places, n, &mut self.drops.samples);
        means(places, &self.drops, drop.even, &mut out[..n]);
    }
}

/// Areas that the output pixels have in common with the samples left above, right above, left below, right below.
#[multiversion(targets("x86_64+avx2+bmi2"))]
fn areas(places: &Places, drop: Drop, n: usize, areas: &mut [[f32; BLOCK]; 4]) {
    let n = n.min(BLOCK);
    let (us, vs) = (&places.u[..n], &places.v[..n]);
    let [a, b, c, d] = areas;
    let (a, b, c, d) = (&mut a[..n], &mut b[..n], &mut c[..n], &mut d[..n]);
    for x in 0..n {
        let (fx, fy) = (us[x] - us[x].floor(), vs[x] - vs[x].floor());
        let (left, right) = (drop.share(fx), drop.share(1.0 - fx));
        let (above, below) = (drop.share(fy), drop.share(1.0 - fy));
        a[x] = left * above;
        b[x] = right * above;
        c[x] = left * below;
        d[x] = right * below;
    }
}

/// The four samples around each place. Places without weight point to a corner that is there.
#[multiversion(targets("x86_64+avx2+bmi2"))]
fn gather(values: &[f32], places: &Places, n: usize, samples: &mut [[f32; BLOCK]; 4]) {
    let n = n.min(BLOCK);
    let corners = &places.corners()[..n];
    let [a, b, c, d] = samples;
    let (a, b, c, d) = (&mut a[..n], &mut b[..n], &mut c[..n], &mut d[..n]);
    for x in 0..n {
        // Corners are two rows and columns before the place.
        let from = corners[x] as usize + 2 * STRIDE + 2;
        let near = values.get(from..).and_then(|v| v.first_chunk::<{ STRIDE + 2 }>());
        let Some(near) = near else { continue };
        (a[x], b[x]) = (near[0], near[1]);
        (c[x], d[x]) = (near[STRIDE], near[STRIDE + 1]);
    }
}

#[multiversion(targets("x86_64+avx2+bmi2"))]
fn means(places: &mut Places, drops: &Drops, even: f32, out: &mut [f32]) {
    let n = out.len().min(BLOCK);
    let weight = &mut places.weight[..n];
    let out = &mut out[..n];
    let [aa, ab, ac, ad] = &drops.areas;
    let [sa, sb, sc, sd] = &drops.samples;
    let (aa, ab, ac, ad) = (&aa[..n], &ab[..n], &ac[..n], &ad[..n]);
    let (sa, sb, sc, sd) = (&sa[..n], &sb[..n], &sc[..n], &sd[..n]);
    for x in 0..n {
        let area = (aa[x] + ab[x]) + (ac[x] + ad[x]);
        let light = (aa[x] * sa[x] + ab[x] * sb[x]) + (ac[x] * sc[x] + ad[x] * sd[x]);
        let some = area > 0.0;
        out[x] = light / if some { area } else { 1.0 };
        weight[x] *= area * even;
    }
}

#[cfg(test)]
mod tests;
