//! Figures beside the picture: resolution, noise, sampling, and where the sliders rest.

use super::key::StackKey;
use crate::record::Resolution;
use std::sync::Arc;
use stillwright_stacking::finish::atrous::MOST_SCALES;
use stillwright_stacking::finish::{
    Colour, DetailScale, DetailSettings, FinishSettings, Measured, Optics, Sharpening, scale_noise,
};

/// What was measured on a stack with the optics that the recipe had.
#[derive(Clone, Debug)]
pub struct Measures {
    /// Signal and noise at each spatial frequency, from the half stacks: `light.correlation` has
    /// the curves (`frequency`, `frc`, `ssnr`).
    pub measured: Arc<Measured>,
    /// The finest detail that the stack holds, and the telescope's limit.
    pub resolution: Resolution,
    /// Where the estimate puts the detail scales; `None` where too little signal is there to
    /// tell.
    pub rest: Option<DetailSettings>,
    /// How far places moved beside the whole frame, px^2 of the capture along one axis.
    pub ripple_px2: Option<f64>,
    /// The stack that was measured.
    pub(crate) of: StackKey,
    /// The optics that the measurement was told.
    pub(crate) told: Option<Optics>,
    /// The balance of colours that the automatic one came to.
    pub(crate) neutral: Colour,
    /// Noise of the detail scales at rest.
    rest_noise: Vec<f64>,
}

/// One detail scale, for its slider.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ScaleFigure {
    /// Which, 0 the finest.
    pub index: usize,
    /// Size of its structure, px of the still: 2, 4, 8 ...
    pub size_px: f64,
    /// The same on the sky, where the optics are known.
    pub size_arcsec: Option<f64>,
    /// Where the estimate puts it.
    pub rest: DetailScale,
    /// Where it stands.
    pub now: DetailScale,
    /// Noise of this scale at the picture's mean brightness, share of full scale.
    pub noise: f64,
    /// Level below which structure of this scale is held back as noise: `hold_back` times
    /// `noise`, share of full scale.
    pub held_below: f64,
}

/// Detail scales that have sliders, at least.
const SLIDERS: usize = 5;

impl Measures {
    pub(crate) fn new(
        of: StackKey,
        measured: Arc<Measured>,
        resolution: Resolution,
        rest: Option<DetailSettings>,
        (told, neutral): (Option<Optics>, Colour),
        ripple_px2: Option<f64>,
    ) -> Measures {
        let plain = DetailSettings::default();
        let rest_noise = scale_noise(&measured, rest.as_ref().unwrap_or(&plain), MOST_SCALES);
        Measures { measured, resolution, rest, ripple_px2, of, told, neutral, rest_noise }
    }

    /// The detail scales as `settings` has them.
    pub(crate) fn scales(&self, settings: &FinishSettings) -> Arc<[ScaleFigure]> {
        let none = DetailSettings::default();
        let rest = self.rest.as_ref().unwrap_or(&none);
        let now = match &settings.sharpening {
            Sharpening::Automatic => rest,
            Sharpening::DetailScales(detail) => detail,
            _ => &none,
        };
        let count = SLIDERS.max(rest.scales.len()).max(now.scales.len());
        // The noise is that of the rest positions as long as what comes before the scales is.
        let before = |s: &DetailSettings| (s.undo, s.smooth_px);
        let noise = if before(now) == before(rest) {
            self.rest_noise.clone()
        } else {
            scale_noise(&self.measured, now, count)
        };
        let at = |all: &DetailSettings, i: usize| all.scales.get(i).copied().unwrap_or_default();
        (0..count)
            .map(|index| {
                let size_px = (1u64 << (index + 1)) as f64;
                let noise = noise.get(index).copied().unwrap_or(0.0);
                let now = at(now, index);
                ScaleFigure {
                    index,
                    size_px,
                    size_arcsec: self.resolution.pixel_arcsec.map(|arcsec| size_px * arcsec),
                    rest: at(rest, index),
                    now,
                    noise,
                    held_below: f64::from(now.hold_back) * noise,
                }
            })
            .collect()
    }
}

/// What telescope and camera together give.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OpticsFigures {
    /// Side of a px of the capture on the sky.
    pub pixel_arcsec: f64,
    /// The telescope's limit, `lambda / D`: the finest period that it passes at all.
    pub limit_arcsec: f64,
    /// Pixels of the capture per `lambda / D`; 2 are the least that lose nothing (Nyquist).
    pub px_per_limit: f64,
    /// The sampling in a word.
    pub sampling: Sampling,
}

/// How finely the camera samples what the telescope gives.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sampling {
    /// Below 2 px: the finest detail is lost, and may come back as false patterns.
    Coarse,
    /// 2 to 4 px.
    Good,
    /// Above 4 px: light is spread over more pixels than the detail needs.
    Fine,
}

impl OpticsFigures {
    /// The figures of `optics`; `None` when they are out of their ranges.
    pub fn of(optics: &Optics) -> Option<OpticsFigures> {
        optics.check().ok()?;
        let arcsec_per_radian = crate::record::ARCSEC_PER_RADIAN;
        let px_per_limit = optics.cutoff_cycles_per_px().recip();
        let sampling = match px_per_limit {
            px if px < 2.0 => Sampling::Coarse,
            px if px <= 4.0 => Sampling::Good,
            _ => Sampling::Fine,
        };
        Some(OpticsFigures {
            pixel_arcsec: optics.pixel_um * 1e-6 / optics.focal_length_m * arcsec_per_radian,
            limit_arcsec: optics.wavelength_m / optics.aperture_m * arcsec_per_radian,
            px_per_limit,
            sampling,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sampling_follows_from_the_optics() {
        let optics = Optics {
            aperture_m: 0.25,
            obstruction: 0.3,
            focal_length_m: 4.0,
            pixel_um: 2.9,
            wavelength_m: 550e-9,
        };
        // Definitions: 206264.8 x 2.9e-6 / 4 = 0.149542; 206264.8 x 550e-9 / 0.25 = 0.453783.
        let found = OpticsFigures::of(&optics).unwrap();
        assert!((found.pixel_arcsec - 0.149_542).abs() < 1e-6);
        assert!((found.limit_arcsec - 0.453_783).abs() < 1e-6);
        assert!((found.px_per_limit - 0.453_783 / 0.149_542).abs() < 1e-4);
        assert_eq!(found.sampling, Sampling::Good);
        let coarse = OpticsFigures::of(&Optics { focal_length_m: 1.0, ..optics }).unwrap();
        assert_eq!(coarse.sampling, Sampling::Coarse);
        assert_eq!(OpticsFigures::of(&Optics { pixel_um: f64::NAN, ..optics }), None);
    }
}
