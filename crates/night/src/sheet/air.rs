//! The seeing, from how far the scene and its places moved while it was captured.

use crate::beside::light_at_capture_scale;
use stillwright_moon::angle::ARCSEC_PER_RADIAN;
use stillwright_seeing::Survey;
use stillwright_seeing::air;
use stillwright_seeing::raster::{Raster, reduce};
use stillwright_stacking::Stack;

/// Time within which the whole frame's motion counts as the air's, s. Longer, and the mount's motion is
/// taken for the air's; shorter, and more of the air's own is missed: wind carries the air over a small
/// telescope's aperture in about that time.
const LAG_S: f64 = 0.13;
/// What the estimate finds of the width, share, and how far it may be off beyond that, share of the
/// width: half-width of what covers 95 of 100. Measured on simulated captures (D/r0 2 to 7, 30 and 120
/// frames a second, fields of one and two arcmin, a wandering mount): 0.79 to 1.03 of the truth.
const FOUND: f64 = 0.88;
const UNCERTAINTY: f64 = 0.25;

/// The air above a telescope as a capture shows it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Seeing {
    /// Width of a long exposure at half its height, arcsec, at the wavelength of the optics.
    pub arcsec: f64,
    /// Half-width of what covers the truth 95 times in 100, arcsec; none where only a least value can be
    /// told, for the places of the scene do not move apart (a planet's disc).
    pub uncertainty_arcsec: Option<f64>,
}

/// Variance along one axis, px^2 of the capture, of how far places moved beside the whole frame, from
/// the blur of the mean of all frames against the stack; `None` where it cannot be told.
pub fn ripple_px2(stack: &Stack, survey: &Survey) -> Option<f64> {
    let factor = survey.geometry_factor.max(1);
    let (width, height) = (survey.geometry.width, survey.geometry.height);
    let scale = f64::from(stack.scale);
    let size = (
        (stack.picture.width() as f64 / scale).round() as usize,
        (stack.picture.height() as f64 / scale).round() as usize,
    );
    let light = Raster::of_plane(light_at_capture_scale(&stack.picture, scale, size).view());
    let mut sharp = Raster::default();
    reduce(&light, factor, &mut sharp);
    // The rims that drift bares, and blocks that are not whole, are left out.
    let covered = stack.covered;
    let per_block = scale * factor as f64;
    let first = |at: usize| (at as f64 / per_block).ceil() as usize;
    let end = |at: usize, most: usize| ((at as f64 / per_block).floor() as usize).min(most);
    let (left, top) = (first(covered.left), first(covered.top));
    let right = end(covered.left + covered.width, width.min(sharp.width));
    let bottom = end(covered.top + covered.height, height.min(sharp.height));
    if right <= left || bottom <= top {
        return None;
    }
    let cut = |from: &Raster| {
        let mut out = Raster::zeros(right - left, bottom - top);
        for y in top..bottom {
            out.row_mut(y - top).copy_from_slice(&from.row(y)[left..right]);
        }
        out
    };
    let blocks = (factor * factor) as f64;
    air::ripple_px2(&cut(&sharp), &cut(&survey.geometry)).map(|variance| variance * blocks)
}

/// The seeing of a capture: from the quick motion of the whole frame and from what places did beside it
/// (`ripple_px2`). Without that, or without `frames_per_s`, only a least value: from frame to frame.
/// `None` where too few frames follow one another.
///
/// One-axis variance of the motion of a telescope's image: 0.170 (lambda/D)^2 (D/r0)^(5/3) rad^2
/// (centroid tilt; Tyler, J. Opt. Soc. Am. A 11, 358, 1994); seeing 0.976 lambda / r0 (Dierickx
/// 1992).
pub fn seeing(
    survey: &Survey,
    frames_per_s: Option<f64>,
    ripple_px2: Option<f64>,
    (aperture_m, wavelength_m): (f64, f64),
    arcsec_per_px: f64,
) -> Option<Seeing> {
    let lag = frames_per_s.map(|rate| (LAG_S * rate).round().max(1.0) as usize);
    let both = lag.zip(ripple_px2);
    let variance_px2 = match both {
        Some((lag, ripple)) => air::wander_px2(survey, lag)? + ripple,
        None => air::wander_px2(survey, 1)?,
    };
    let radians = variance_px2.sqrt() * arcsec_per_px / ARCSEC_PER_RADIAN;
    let unit = wavelength_m / aperture_m;
    let d_over_r0 = (radians * radians / (0.169_80 * unit * unit)).powf(0.6);
    let raw = 0.975_863 * unit * d_over_r0 * ARCSEC_PER_RADIAN;
    let arcsec = if both.is_some() { raw / FOUND } else { raw };
    let told = arcsec.is_finite() && arcsec > 0.0;
    let uncertainty_arcsec = both.map(|_| UNCERTAINTY * arcsec);
    told.then_some(Seeing { arcsec, uncertainty_arcsec })
}
