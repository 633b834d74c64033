//! How deep the blur of a stack is, from how much its frames differ by the air.
//!
//! One power spectrum cannot tell scene and blur apart: both make it fall. What frames differ by can, for the scene is
//! in all of them alike. The depth of the blur (`-ln` of the stack's transfer at three tenths of the cut-off) goes with the root of `ln(1 + unrest)`. Single wavefronts worked out
//! outside the project (NumPy: Kolmogorov's spectrum, Fried's r0, annular pupil, tilt taken out; D/r0 2 to 8, all of them and the sharpest fifth) have depths of 1.8 to 2.28 times the root
//! of their speckle, 2.05 to 2.28 from a root of 0.2 on; exposures that last have less speckle and the same blur. On 28 stacks of this project's grounds (D/r0 2 to 8, mosaics,
//! little and much noise) the depth that gives the least error is 1.7 to 2.3 times it, on captures of another simulation 2.3 to 2.7 times; and the fewer frames there are, the more each
//! of them has drawn the reference to itself ([`OF_FEW`]).

use crate::unrest::Unrest;
use std::f64::consts::PI;

/// The band that is looked at, shares of the telescope's cut-off. Coarser, frames hardly differ; finer, the camera's
/// noise counts more than the air.
const BAND: std::ops::Range<f64> = 0.22..0.40;
/// Where the depth is told, share of the cut-off: in the middle, and where most of the fall lies behind.
pub(super) const TOLD_AT: f64 = 0.3;
/// How the depth of the blur follows from the root `r` of `ln(1 + unrest)`: `OVER_ROOT r - OFF - BENT r^2`, but not below nine tenths of `r`.
/// 1.68 times the root at 0.15, 1.99 at 0.3, 2.08 at 0.5, 2.09 at 0.9. Stills over the best filter's, mean and worst of all channels of 15 grounds and 11 discs (keep 20 % and as advised): 2.34 times the root
/// 1.043, 1.20; 2.38 1.034, 1.20; 2.42 1.038, 1.21. Without the bend (2.3 r - 0.08) ground of D/r0 8 has 1.12 as advised, so 1.08.
const OVER_ROOT: f64 = 2.38;
const OFF: f64 = 0.1;
const BENT: f64 = 0.2;

/// Scatter of the depth that is told, as a share. One of 0.1 leaves another simulation's ground of 12 bit at 1.2 times the best filter's error, of 0.18 takes
/// that of 8 bit to 1.11; this project's grounds do not care, nor do discs for 0.1 to 0.2.
const SHARE_SCATTER: f64 = 0.15;

/// What discs and grounds differ in.
#[derive(Clone, Copy, Debug)]
pub(super) struct Law {
    /// Reach of a blur of depth 1 where colours spread by a tent, which blurs over all the band.
    mosaic_reach: f64,
    /// The power of a depth above 1 with which the reach grows.
    deep_growth: f64,
    /// Exponent of a blur of depth 1 or less, and how much less it is for each unit of depth above.
    exponent: (f64, f64),
    /// Share of the fall that is gone at the cut-off where the depth is half a unit or less, and how much less of it for each unit
    /// above, down to none.
    relief: (f64, f64),
    /// The same of a mosaic, at all depths.
    mosaic_relief: f64,
}

/// Exponent and relief: with 1.5 and none for all, as they were, ground of D/r0 4.5 comes out with 1.08 instead of 1.04, with
/// exponents of 1.75 and more, as the best filters' gains have in calm air, worse: the level of the fall at
/// coarse detail, where the power is, then hangs on a reach that nothing tells well enough.
pub(super) const GROUND: Law = Law {
    mosaic_reach: 0.22,
    deep_growth: -0.2,
    exponent: (1.65, 0.15),
    relief: (0.3, 0.3),
    mosaic_relief: 0.0,
};
/// How much deeper the blur is, as a share, for each unit of the root and each frame that a place has, inverse. Frames of which the reference is made agree with it by what they put into
/// it. With it what another simulation's captures need over the root is the same within 2 % from 38 frames to 300.
const OF_FEW: f64 = 3.5;
/// A disc's limb rules its spectrum, and few patches of air lie on it. (Its sky is heard besides: `signal/black_sky.rs`.)
pub(super) const DISC: Law = Law {
    mosaic_reach: 0.26,
    deep_growth: 0.0,
    exponent: (1.5, 0.0),
    relief: (0.2, 0.0),
    mosaic_relief: 0.2,
};
/// No blur falls more slowly.
const LEAST_EXPONENT: f64 = 1.2;
/// How well the level of the camera's noise is known, as a share.
const NOISE_SCATTER: f64 = 0.05;

/// Reach of a blur of depth 1 there, and the power of a depth below 1 with which it grows. On simulated nights of this project the reach of
/// least error is 0.18 to 0.20 for depths of 0.4 to 1.6 and 0.16 for those above 2, on captures of another simulation 0.20 to 0.23 (depth 1.3):
/// this lies between, and the scatter below lets both be found. Stills of the advised keep over the best filter's, ground of D/r0 5 (noisy), 6, 6.5, 7, 8,
/// 8, with a power of 0.12, 0, -0.12, -0.2 above 1: 1.09, 1.06, 1.05, 1.05; 1.13, 1.08, 1.07, 1.05; 1.08, 1.07, 1.05, 1.05; 1.14, 1.10, 1.07, 1.07; 1.18, 1.14, 1.11, 1.10; 1.12,
/// 1.09, 1.07, 1.07; disc of D/r0 6 1.27, 1.26, 1.30, 1.42; those of the other simulation do not change.
const REACH: f64 = 0.21;
const REACH_GROWTH: f64 = 0.12;
/// How far a capture's reach strays from that, share of the cut-off: within it the spectrum of the stack decides. Over 22 grounds the
/// stills come 1 % nearer to the best filter than with one reach for all (worst 5 % farther, best 6 % nearer); discs stay as they are. With 0.03
/// about 0.22 a ground of much fine structure is off by 0.0648, so by 0.0626; the other simulation's by 0.0739 and 0.0641, so by 0.0744 and 0.0643.
const REACH_SCATTER: f64 = 0.04;
/// Reaches on either side that are tried, and the step between them.
const TRIED: i32 = 16;
const TRIED_STEP: f64 = 0.005;

/// `-ln` of a blur's transfer at [`TOLD_AT`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Told {
    pub depth: f64,
    pub scatter: f64,
    /// How the blur falls ([`ResidualBlur::exponent`](super::ResidualBlur::exponent)).
    pub exponent: f64,
    /// Share of the fall that is gone at the cut-off.
    pub relief: f64,
    /// Reach of a blur of depth 1.
    reach: f64,
    /// As in [`Law`].
    deep_growth: f64,
}

impl Told {
    /// Reach of the blur that is expected, share of the cut-off: up to a depth of 1 deeper blurs reach a little further.
    fn reach(&self) -> f64 {
        let power = if self.depth < 1.0 { REACH_GROWTH } else { self.deep_growth };
        (self.reach * self.depth.powf(power)).clamp(0.15, 0.32)
    }

    /// Reaches to be tried, and what each costs: its distance from the expected one in scatters, squared.
    pub fn reaches(&self) -> Vec<(f64, f64)> {
        let steps = (-TRIED..=TRIED).map(|k| TRIED_STEP * f64::from(k));
        steps.map(|off| (self.reach() + off, (off / REACH_SCATTER).powi(2))).collect()
    }
}

/// Depth of the blur of many frames that differ by so much: the root of `ln(1 + unrest)`.
fn depth_of(root: f64) -> f64 {
    (OVER_ROOT * root - OFF - BENT * root * root).max(0.9 * root)
}

/// What `unrest` tells of the stack by `law`, for a telescope of this cut-off (cycles per px of the capture); `None` where the band holds
/// no signal, or so little that the camera's noise hides the air.
pub(super) fn told(unrest: &Unrest, cutoff_cycles_per_px: f64, law: Law) -> Option<Told> {
    let (mut signal, mut air, mut noise, mut variance) = (0.0, 0.0, 0.0, 0.0);
    for (k, frequency) in unrest.frequency.iter().enumerate() {
        if BAND.contains(&(frequency / cutoff_cycles_per_px)) {
            signal += unrest.signal.get(k)?;
            air += unrest.air.get(k)?;
            noise += unrest.noise.get(k)?;
            // As if rings were independent: of noise they are.
            variance += unrest.scatter.get(k)?.powi(2);
        }
    }
    if !(signal > 0.0 && air.is_finite() && noise.is_finite() && variance.is_finite()) {
        return None;
    }
    // A tent of 1 px along both axes: sinc^2 each, all but alike in all directions.
    let told_at = PI * TOLD_AT * cutoff_cycles_per_px;
    let tent = if unrest.mosaic { told_at * told_at / 3.0 } else { 0.0 };
    let depth = |air: f64| {
        let root = (1.0 + air.max(0.0) / signal).ln().sqrt();
        let few = 1.0 + OF_FEW * root / unrest.frames_per_place.max(1) as f64;
        few * depth_of(root) + tent
    };
    let (found, more) = (depth(air), depth(air + (NOISE_SCATTER * noise).hypot(variance.sqrt())));
    let scatter = (SHARE_SCATTER * found).hypot(more - found) + 0.01;
    let (exponent, less) = law.exponent;
    let (relief, gone) = if unrest.mosaic { (law.mosaic_relief, 0.0) } else { law.relief };
    (scatter < 0.5 * found.max(0.5)).then_some(Told {
        depth: found,
        scatter,
        exponent: (exponent - less * (found - 1.0).max(0.0)).max(LEAST_EXPONENT),
        relief: (relief - gone * (found - 0.5).max(0.0)).max(0.0),
        reach: if unrest.mosaic { law.mosaic_reach } else { REACH },
        deep_growth: law.deep_growth,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Signal 1, air `air` and noise `noise` in every ring.
    fn unrest(air: f64, noise: f64) -> Unrest {
        let frequency: Vec<f64> = (0..100).map(|k| 0.005 * f64::from(k)).collect();
        let all = |value: f64| vec![value; 100];
        let (mosaic, frames_per_place) = (false, usize::MAX);
        Unrest {
            signal: all(1.0),
            air: all(air),
            scatter: all(0.0),
            noise: all(noise),
            frequency,
            mosaic,
            frames_per_place,
        }
    }

    #[test]
    fn more_unrest_is_a_deeper_blur_and_none_is_none() {
        let depth = |air: f64| told(&unrest(air, 0.0), 0.38, GROUND).unwrap().depth;
        assert_eq!(depth(0.0), 0.0);
        assert_eq!(depth(-0.1), 0.0);
        assert!((depth(1.0_f64.exp() - 1.0) - (OVER_ROOT - OFF - BENT)).abs() < 1e-12);
        assert!(depth(0.1) < depth(0.3) && depth(0.3) < depth(3.0));
        let of_disc = |air: f64| told(&unrest(air, 0.0), 0.38, DISC).unwrap();
        assert_eq!(of_disc(0.0).depth, 0.0);
        // The deepest that any night has shown.
        assert!(told(&unrest(30.0, 0.0), 0.38, GROUND).is_some());
    }

    #[test]
    fn the_fewer_frames_the_deeper_the_blur_and_the_more_so_in_rough_air() {
        let of = |air: f64, frames_per_place: usize| {
            let unrest = Unrest { frames_per_place, ..unrest(air, 0.0) };
            told(&unrest, 0.38, GROUND).unwrap().depth
                / told(&self::unrest(air, 0.0), 0.38, GROUND).unwrap().depth
        };
        assert!(of(0.1, 20) > of(0.1, 100) && of(0.1, 100) > 1.0);
        assert!(of(0.5, 20) > of(0.1, 20));
        // root(ln 1.5) 0.6368.
        assert!((of(0.5, 20) - 1.0 - 0.636_8 * OF_FEW / 20.0).abs() < 1e-4);
        assert!(of(0.5, 0).is_finite());
    }

    #[test]
    fn calm_air_blurs_fine_detail_less_and_rough_air_falls_early() {
        let [calm, fair, rough] =
            [0.03, 0.3, 3.0].map(|air| told(&unrest(air, 0.0), 0.38, GROUND).unwrap());
        assert_eq!((calm.exponent, calm.relief), (GROUND.exponent.0, GROUND.relief.0));
        assert!(calm.relief > fair.relief && fair.relief > rough.relief && rough.relief == 0.0);
        assert!(calm.exponent > rough.exponent && rough.exponent >= LEAST_EXPONENT);
        let mosaic = Unrest { mosaic: true, ..unrest(0.03, 0.0) };
        assert_eq!(told(&mosaic, 0.38, GROUND).unwrap().relief, GROUND.mosaic_relief);
    }

    #[test]
    fn noise_makes_it_uncertain_and_much_of_it_hides_the_air() {
        let [quiet, noisy] =
            [0.0, 1.0].map(|noise| told(&unrest(0.2, noise), 0.38, GROUND).unwrap());
        assert_eq!(quiet.depth, noisy.depth);
        assert!(noisy.scatter > quiet.scatter);
        let draws = Unrest { scatter: vec![0.1; 100], ..unrest(0.2, 0.0) };
        let draws = told(&draws, 0.38, GROUND).unwrap();
        assert!(draws.depth == quiet.depth && draws.scatter > quiet.scatter);
        assert_eq!(told(&unrest(0.0, 20.0), 0.38, GROUND), None);
    }

    #[test]
    fn a_band_without_signal_tells_nothing() {
        assert_eq!(told(&Unrest::default(), 0.38, GROUND), None);
        let dark = Unrest { signal: vec![-1.0; 100], ..unrest(0.2, 0.0) };
        assert_eq!(told(&dark, 0.38, GROUND), None);
        assert_eq!(told(&unrest(0.2, 0.0), f64::NAN, GROUND), None);
        let cut = Unrest { air: vec![0.2; 3], ..unrest(0.2, 0.0) };
        assert_eq!(told(&cut, 0.38, GROUND), None);
    }

    #[test]
    fn the_tent_of_a_mosaic_is_part_of_the_blur() {
        let mono = unrest(0.2, 0.0);
        let mosaic = Unrest { mosaic: true, ..mono.clone() };
        let [mono, mosaic] = [mono, mosaic].map(|all| told(&all, 0.4, GROUND).unwrap().depth);
        let more = mosaic - mono;
        // sinc(0.12)^2 along one axis: 0.953422.
        assert!((more + 0.953_422_f64.ln()).abs() < 5e-4, "{more}");
    }
}
