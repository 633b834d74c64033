//! How finely a camera samples what the telescope can show.

use serde::Serialize;
use stillwright_stacking::finish::Optics;

/// Cycles per pixel that a camera can hold at most (sampling theorem).
const NYQUIST: f64 = 0.5;

/// Below this cut-off, pixels are less than half as large as would do.
const FINE: f64 = 0.2;

/// Sampling against the telescope's limit.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Sampling {
    /// Finest pattern that the telescope passes, cycles per pixel; at 0.5 it is just sampled.
    pub cutoff_cycles_per_px: f64,
    /// Width of a pixel, arcsec.
    pub pixel_arcsec: f64,
    /// Focal length that samples the telescope's limit just so, m: 2 x pixel x aperture / wavelength.
    pub fitting_focal_length_m: f64,
}

impl Sampling {
    /// By the optics alone.
    pub fn of(optics: &Optics) -> Sampling {
        let cutoff = optics.cutoff_cycles_per_px();
        let radian_arcsec = 180.0 * 3600.0 / std::f64::consts::PI;
        Sampling {
            cutoff_cycles_per_px: cutoff,
            pixel_arcsec: optics.pixel_um * 1e-6 / optics.focal_length_m * radian_arcsec,
            fitting_focal_length_m: optics.focal_length_m * cutoff / NYQUIST,
        }
    }

    /// What to change next time, if anything.
    pub fn words(&self) -> Option<String> {
        let Sampling { cutoff_cycles_per_px: cutoff, fitting_focal_length_m: fitting, .. } = self;
        if *cutoff > NYQUIST {
            Some(format!(
                "the pixels are too large for the telescope: it passes {cutoff:.2} cycles per px, \
                 and a camera holds {NYQUIST} at most; a focal length of {fitting:.1} m would show \
                 all of it (a Barlow lens of {:.1} times). A still of twice the size shows some of it on calm \
                 nights",
                cutoff / NYQUIST
            ))
        } else if *cutoff < FINE {
            Some(format!(
                "the pixels are finer than the telescope needs ({cutoff:.2} of {NYQUIST} cycles per \
                 px): a focal length of {fitting:.1} m would give as much detail, {:.1} times the \
                 light on each pixel, and so shorter exposures",
                (NYQUIST / cutoff).powi(2)
            ))
        } else {
            None
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_limit_is_aperture_over_wavelength() {
        // 203 mm, 550 nm: 203e-3 / 550e-9 = 369 091 cycles a radian; 2.9 um at 2.032 m is
        // 1.427e-6 rad, so 0.5267 cycles per px.
        let optics = |focal_length_m| Optics {
            aperture_m: 0.203,
            obstruction: 0.3,
            focal_length_m,
            pixel_um: 2.9,
            wavelength_m: 550e-9,
        };
        let native = Sampling::of(&optics(2.032));
        assert!((native.cutoff_cycles_per_px - 0.5267).abs() < 1e-3, "{native:?}");
        assert!((native.pixel_arcsec - 0.2944).abs() < 1e-3);
        assert!((native.fitting_focal_length_m - 2.141).abs() < 2e-3);
        assert!(native.words().unwrap().contains("too large"));
        assert_eq!(Sampling::of(&optics(3.0)).words(), None);
        assert!(Sampling::of(&optics(8.0)).words().unwrap().contains("finer"));
    }
}
