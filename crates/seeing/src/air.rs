//! How strong the air was, from how far places of the scene moved.
//!
//! The image of a place wanders by the tilt of the wave over the aperture: variance along one axis 0.170
//! (lambda/D)^2 (D/r0)^(5/3) rad^2 (centroid tilt; Tyler, J. Opt. Soc. Am. A 11, 358, 1994), whatever the
//! size of the field. It has two parts here. What the whole frame does is [`wander_px2`]. What places do
//! beside that ([`ripple_px2`]) blurs the mean of all frames, which are laid upon one another as a whole,
//! against a stack, in which each place was followed: by a Gaussian of that variance, for the transfer of
//! a long exposure is that of a short one times that of the tilt (Fried, J. Opt. Soc. Am. 56, 1372, 1966).
//! The scene, the telescope and the blur that stays when the tilt is followed are in both, and drop out.

use crate::raster::Raster;
use crate::rings::ring_sums;
use crate::survey::Survey;

/// Fewest pairs of neighbouring frames that tell a wander.
const FEWEST: usize = 16;
/// The blur is read where it leaves so much of the detail and more. Larger, and it is told from
/// few coarse waves only; smaller, and noise and other faults of the mean count.
const LEAST_LEFT: f64 = 0.3;
/// Rings below this one hold window and shading.
const FIRST: usize = 1;

/// Variance along one axis, px^2, of the whole scene's motion within `lag` frames: half the mean square
/// of how far it comes from one frame to the one `lag` later. What is slower, the drift of the mount above
/// all, is left out; bumps do not count. `None` where too few frames follow one another.
pub fn wander_px2(survey: &Survey, lag: usize) -> Option<f64> {
    let frames = &survey.frames;
    let later = frames.get(lag.max(1)..)?;
    let pairs = frames.iter().zip(later).filter(|(a, b)| {
        a.rejected.is_none() && b.rejected.is_none() && b.index == a.index + lag.max(1)
    });
    let mut squares: Vec<f64> = pairs
        .map(|(a, b)| {
            let (a, b) = (a.shift, b.shift);
            0.25 * (f64::from(b.x_px - a.x_px).powi(2) + f64::from(b.y_px - a.y_px).powi(2))
        })
        .filter(|square| square.is_finite())
        .collect();
    if squares.len() < FEWEST {
        return None;
    }
    // Bumps of the mount are no seeing: the middle of the distribution tells. For two equal axes the
    // median of the sum of squares is ln 2 times its mean.
    let middle = squares.len() / 2;
    let (_, median, _) = squares.select_nth_unstable_by(middle, f64::total_cmp);
    Some(*median / std::f64::consts::LN_2)
}

/// Variance along one axis, px^2, of how far single places move beside the whole frame: how much more
/// `mean` is blurred than `sharp`. Both on one grid: the mean of all frames as the survey has it
/// ([`Survey::geometry`]), and a linear stack, reduced alike. `None` where the pictures are smaller than
/// 48 px or agree too little to tell.
pub fn ripple_px2(sharp: &Raster, mean: &Raster) -> Option<f64> {
    if (sharp.width, sharp.height) != (mean.width, mean.height)
        || sharp.width.min(sharp.height) < 48
    {
        return None;
    }
    let sums = ring_sums(mean, sharp);
    let share = |k: usize| sums.cross[k] / sums.second[k].max(f64::MIN_POSITIVE);
    // ln(share) = gain - 2 (pi f)^2 variance: a straight line over f^2.
    let (mut w, mut x, mut y, mut xx, mut xy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    let mut rings = 0;
    for k in FIRST..sums.frequency.len() {
        let s = share(k);
        if s < LEAST_LEFT {
            break;
        }
        let weight = sums.count[k] * s * s;
        let (f2, ln) = (sums.frequency[k].powi(2), s.ln());
        w += weight;
        x += weight * f2;
        y += weight * ln;
        xx += weight * f2 * f2;
        xy += weight * f2 * ln;
        rings += 1;
    }
    let spread = w * xx - x * x;
    if rings < 3 || spread <= 0.0 {
        return None;
    }
    let slope = (w * xy - x * y) / spread;
    let variance = -slope / (2.0 * std::f64::consts::PI.powi(2));
    variance.is_finite().then_some(variance.max(0.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::raster::{Kernel, smooth};

    #[test]
    fn a_known_blur_is_read() {
        let mut state = 5_u64;
        let mut draw = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            (state >> 40) as f32 / (1_u64 << 24) as f32 - 0.5
        };
        let rough =
            Raster { width: 160, height: 120, values: (0..19_200).map(|_| draw()).collect() };
        let blurred = |sigma: f32, source: &Raster| {
            let mut out = Raster::zeros(160, 120);
            smooth(source, &Kernel::gaussian(sigma), &mut Raster::default(), &mut out);
            out
        };
        let sharp = blurred(1.0, &rough);
        for sigma in [1.0_f32, 2.0, 3.5] {
            let mut mean = blurred(sigma, &sharp);
            mean.values.iter_mut().for_each(|v| *v += 0.002 * draw());
            let found = ripple_px2(&sharp, &mean).unwrap();
            let expected = f64::from(sigma * sigma);
            assert!((found / expected - 1.0).abs() < 0.1, "{found}, expected {expected}");
        }
        assert!(ripple_px2(&sharp, &sharp).unwrap() < 1e-3);
        assert_eq!(ripple_px2(&sharp, &Raster::zeros(80, 120)), None);
    }
}
