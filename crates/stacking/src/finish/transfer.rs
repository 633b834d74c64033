//! What telescope, air and pixel pass of each spatial frequency.

use serde::{Deserialize, Serialize};
use std::f64::consts::PI;

/// The telescope and camera, as far as they limit the detail.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Optics {
    /// Diameter of the aperture, m.
    pub aperture_m: f64,
    /// Diameter of the central obstruction, as a share of the aperture, 0 to below 1.
    #[serde(default)]
    pub obstruction: f64,
    /// Effective focal length, m.
    pub focal_length_m: f64,
    /// Pitch of the camera's pixels, micrometres.
    pub pixel_um: f64,
    /// Mean wavelength of the light, m.
    #[serde(default = "green")]
    pub wavelength_m: f64,
}

fn green() -> f64 {
    550e-9
}

impl Optics {
    /// What is wrong with the numbers, if anything.
    ///
    /// # Errors
    /// A sentence naming the field, the value found and the range expected.
    pub fn check(&self) -> Result<(), String> {
        let ranges = [
            ("aperture_m", self.aperture_m, 1e-3, 100.0),
            ("focal_length_m", self.focal_length_m, 1e-3, 10_000.0),
            ("pixel_um", self.pixel_um, 1e-2, 1e4),
            ("wavelength_m", self.wavelength_m, 1e-8, 1e-4),
            ("obstruction", self.obstruction, 0.0, 0.95),
        ];
        for (name, value, low, high) in ranges {
            if !(low..=high).contains(&value) {
                return Err(format!("optics: {name} is {value}, expected {low} to {high}"));
            }
        }
        Ok(())
    }

    /// Highest spatial frequency that the aperture passes, cycles per capture pixel:
    /// `aperture / wavelength` cycles per radian (Goodman, Introduction to Fourier Optics, 6.4).
    pub fn cutoff_cycles_per_px(&self) -> f64 {
        self.aperture_m / self.wavelength_m * self.pixel_um * 1e-6 / self.focal_length_m
    }
}

/// Modulation transfer of an annular pupil in perfect focus, 1 at frequency 0.
///
/// `nu` is the spatial frequency as a share of the cut-off, `obstruction` the ratio of the
/// inner to the outer diameter, 0 to below 1. Closed form: O'Neill, J. Opt. Soc. Am. 46, 285
/// (1956).
pub fn annular_mtf(nu: f64, obstruction: f64) -> f64 {
    let nu = nu.abs();
    let e = if obstruction.is_finite() { obstruction.clamp(0.0, 0.99) } else { 0.0 };
    if nu.is_nan() || nu >= 1.0 {
        return 0.0;
    }
    let disc = |x: f64| 2.0 / PI * (x.acos() - x * (1.0 - x * x).sqrt());
    let outer = disc(nu);
    let inner = if nu < e { e * e * disc(nu / e) } else { 0.0 };
    let both = if nu <= 0.5 * (1.0 - e) {
        -2.0 * e * e
    } else if nu < 0.5 * (1.0 + e) {
        let cosine = (1.0 + e * e - 4.0 * nu * nu) / (2.0 * e);
        let phi = cosine.clamp(-1.0, 1.0).acos();
        2.0 * e / PI * phi.sin() + (1.0 + e * e) / PI * phi
            - 2.0 * (1.0 - e * e) / PI * ((1.0 + e) / (1.0 - e) * (0.5 * phi).tan()).atan()
            - 2.0 * e * e
    } else {
        0.0
    };
    ((outer + inner + both) / (1.0 - e * e)).clamp(0.0, 1.0)
}

/// Transfer of a square pixel that collects light over all its area, at the frequency
/// (`fx`, `fy`) in cycles per pixel: a product of sincs, 0.63662 at (0.5, 0) (Boreman,
/// Modulation Transfer Function in Optical and Electro-Optical Systems).
pub fn pixel_mtf(fx: f64, fy: f64) -> f64 {
    let sinc = |f: f64| if f.abs() < 1e-9 { 1.0 } else { (PI * f).sin() / (PI * f) };
    sinc(fx) * sinc(fy)
}

/// What is left of a fall that is relieved by the share `by`: at least a tenth, at most twice as much.
pub(super) fn relieved(by: f64) -> f64 {
    (1.0 - by).clamp(0.1, 2.0)
}

/// The blur that is left in a stack beyond the telescope's own.
///
/// The transfer is `exp(-depth (1 - exp(-(f / scale)^exponent / depth)))` with `depth = -ln plateau`:
/// it falls as `exp(-(f / scale)^exponent)` and comes to rest on the plateau. That is the law of
/// a wavefront with a Gaussian phase whose variance is the depth and whose correlation dies
/// away within the aperture (Goodman, Statistical Optics, section 8.3): a sharp core with the weight of the
/// plateau in a wide halo. A relief lets the plateau rise or sink. Stacks of aligned short exposures, whose tilt is gone, follow it: on eight
/// captures with known truth (D/r0 3 to 6.5, best 20 %) within 2 to 5 per cent rms, with plateaus of
/// 0.08 to 0.6. Without a plateau (0) the law is `exp(-(f / scale)^exponent)`: exponent 5/3 is a
/// long exposure through Kolmogorov turbulence (Fried 1966), 2 a Gaussian.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ResidualBlur {
    /// Frequency at which the transfer, as it begins to fall, would be down to 1/e, cycles per
    /// px of the stack.
    pub scale_cycles_per_px: f64,
    /// How the transfer falls, above 0 and up to 2.
    #[serde(default = "stack_exponent")]
    pub exponent: f64,
    /// What the transfer comes to rest on, 0 to below 1.
    #[serde(default)]
    pub plateau: f64,
    /// How the plateau rises: at the frequency `f` (cycles per px) the fall is `1 - relief_px f` times as deep, but not less than a tenth
    /// and not more than twice; px, -20 to 20. Above 0 fine detail is blurred less than middling, as in calm air (a short
    /// exposure's transfer without tilt does so towards the cut-off, Fried 1966).
    #[serde(default)]
    pub relief_px: f64,
}

/// Largest relief, either way, px.
const MOST_RELIEF_PX: f64 = 20.0;

fn stack_exponent() -> f64 {
    ResidualBlur::STACK_EXPONENT
}

impl ResidualBlur {
    /// Exponent of aligned stacks: 1.45 to 2.04 on the eight captures; any from 1.5 to 1.9
    /// gives much the same error.
    pub const STACK_EXPONENT: f64 = 1.65;

    /// The blur of a stack with a phase variance of `depth` rad^2 (0: none), correlated over
    /// `reach` (a spatial frequency, cycles per px of the stack).
    pub fn with_depth(depth: f64, reach: f64, exponent: f64) -> ResidualBlur {
        let depth = depth.clamp(1e-3, 50.0);
        let scale = (reach * depth.powf(-1.0 / exponent)).clamp(0.005, 1000.0);
        let plateau = (-depth).exp();
        ResidualBlur { scale_cycles_per_px: scale, exponent, plateau, relief_px: 0.0 }
    }

    /// The same blur with the share `relief` of its fall gone at `cutoff_cycles_per_px`, or as much of that as can be told
    /// (images sampled very finely have a cut-off of few cycles per px).
    pub(super) fn with_relief(self, relief: f64, cutoff_cycles_per_px: f64) -> ResidualBlur {
        let relief_px = relief / cutoff_cycles_per_px;
        ResidualBlur { relief_px: relief_px.clamp(-MOST_RELIEF_PX, MOST_RELIEF_PX), ..self }
    }

    /// `-ln plateau`: how deep the transfer falls, rad^2; infinite without a plateau.
    pub fn depth(&self) -> f64 {
        -self.plateau.max(0.0).ln()
    }

    /// Transfer at `frequency` (cycles per px of the stack), 0 to 1.
    pub fn transfer(&self, frequency: f64) -> f64 {
        (-self.fallen(frequency)).exp()
    }

    /// `-ln` of the transfer at `frequency` (cycles per px of the stack), 0 or more.
    pub(super) fn fallen(&self, frequency: f64) -> f64 {
        if self.scale_cycles_per_px.is_nan() || self.scale_cycles_per_px <= 0.0 {
            return 0.0;
        }
        let fall = (frequency.abs() / self.scale_cycles_per_px).powf(self.exponent);
        let left = relieved(self.relief_px * frequency.abs());
        let depth = self.depth();
        if depth.is_finite() && depth > 0.0 {
            left * depth * (1.0 - (-fall / depth).exp())
        } else {
            left * fall
        }
    }

    /// The same air at `ratio` times the wavelength. It delays all colours by the same length, so the variance of the phase, which is
    /// the depth, goes as wavelength^-2; and the aperture passes a frequency between places as far apart as wavelength times frequency,
    /// so the law's frequencies go as 1 / wavelength (Roddier, Progress in Optics 19, 281, 1981). Of the two,
    /// wavelength^(exponent - 2) is left where the transfer begins to fall.
    ///
    /// On a disc of another simulation (620, 540, 460 nm) exponents of the transfers of stacks, red and blue over green, are 0.93 and 1.08 at 0.03
    /// cycles per px, 0.88 and 1.16 at 0.09, 0.84 and 1.26 at 0.2; this, with a disc's exponent of 1.5, gives
    /// 0.93 and 1.08 at first, and 0.76 and 1.38 on the plateau, where jitter between frames, which is the same in all colours, makes them more alike.
    pub(crate) fn at_wavelength(&self, ratio: f64) -> ResidualBlur {
        let deeper = ratio.powi(-2);
        ResidualBlur {
            scale_cycles_per_px: self.scale_cycles_per_px * deeper.powf(-1.0 / self.exponent)
                / ratio,
            exponent: self.exponent,
            plateau: self.plateau.max(0.0).powf(deeper),
            relief_px: self.relief_px * ratio,
        }
    }

    /// What is wrong with the numbers, if anything.
    ///
    /// # Errors
    /// A sentence naming the field, the value found and the range expected.
    pub fn check(&self) -> Result<(), String> {
        if !(0.005..=1000.0).contains(&self.scale_cycles_per_px) {
            let found = self.scale_cycles_per_px;
            return Err(format!("blur: scale_cycles_per_px is {found}, expected 0.005 to 1000"));
        }
        if !(0.5..=2.0).contains(&self.exponent) {
            return Err(format!("blur: exponent is {}, expected 0.5 to 2", self.exponent));
        }
        if !(0.0..1.0).contains(&self.plateau) {
            return Err(format!("blur: plateau is {}, expected 0 to below 1", self.plateau));
        }
        if !(-MOST_RELIEF_PX..=MOST_RELIEF_PX).contains(&self.relief_px) {
            let (found, most) = (self.relief_px, MOST_RELIEF_PX);
            return Err(format!("blur: relief_px is {found}, expected -{most} to {most}"));
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// O'Neill 1956, recomputed independently from the overlap of circles: rows of obstruction
    /// and the transfer at 0.1, 0.2 ... 0.9 of the cut-off.
    const TABLE: [(f64, [f64; 9]); 8] = [
        (0.0, [0.8729, 0.7471, 0.6238, 0.5046, 0.3910, 0.2848, 0.1881, 0.1041, 0.0374]),
        (0.20, [0.8422, 0.6949, 0.5665, 0.4423, 0.3674, 0.2966, 0.1960, 0.1084, 0.0389]),
        (0.25, [0.8314, 0.6705, 0.5321, 0.4128, 0.3539, 0.2975, 0.2007, 0.1110, 0.0399]),
        (0.30, [0.8191, 0.6448, 0.4877, 0.3815, 0.3371, 0.2935, 0.2067, 0.1144, 0.0411]),
        (0.33, [0.8109, 0.6280, 0.4596, 0.3610, 0.3252, 0.2893, 0.2111, 0.1168, 0.0420]),
        (0.35, [0.8051, 0.6160, 0.4406, 0.3465, 0.3164, 0.2856, 0.2144, 0.1186, 0.0426]),
        (0.40, [0.7887, 0.5829, 0.3892, 0.3067, 0.2912, 0.2737, 0.2240, 0.1239, 0.0445]),
        (0.50, [0.7462, 0.4976, 0.3059, 0.2414, 0.2236, 0.2353, 0.2221, 0.1388, 0.0498]),
    ];

    #[test]
    fn the_annular_transfer_is_the_published_one() {
        for (obstruction, row) in TABLE {
            for (i, expected) in row.iter().enumerate() {
                let found = annular_mtf(0.1 * (i + 1) as f64, obstruction);
                assert!((found - expected).abs() < 5.1e-5, "{obstruction} {i}: {found}");
            }
            assert!((annular_mtf(0.0, obstruction) - 1.0).abs() < 1e-12);
            assert_eq!(annular_mtf(1.0, obstruction), 0.0);
        }
    }

    #[test]
    fn the_cut_off_is_aperture_over_wavelength() {
        // Goodman 6.4: 250 mm at 550 nm pass 2.2037 cycles per arcsecond; 2.9 um at 4 m focal
        // length are 0.149542 arcsec.
        let optics = Optics {
            aperture_m: 0.25,
            obstruction: 0.3,
            focal_length_m: 4.0,
            pixel_um: 2.9,
            wavelength_m: 550e-9,
        };
        assert!((optics.cutoff_cycles_per_px() - 2.2037 * 0.149542).abs() < 1e-4);
        assert!(optics.check().is_ok());
        assert!(Optics { pixel_um: f64::NAN, ..optics }.check().is_err());
    }

    #[test]
    fn relief_takes_its_share_off_the_fall() {
        let flat = ResidualBlur::with_depth(0.7, 0.08, 1.65);
        let relieved = ResidualBlur { relief_px: 0.8, ..flat };
        for f in [0.0, 0.05, 0.1, 0.25, 0.38] {
            let (before, after) = (flat.transfer(f).ln(), relieved.transfer(f).ln());
            assert!((after - before * (1.0 - 0.8 * f)).abs() < 1e-12, "{f}: {before} {after}");
            // Half the wavelength: half as far apart in the aperture, at four times the phase variance.
            let halved = relieved.at_wavelength(0.5).transfer(2.0 * f).ln();
            assert!((halved - 4.0 * after).abs() < 1e-9, "{f}: {halved} {after}");
        }
        // A cut-off of a hundredth of a cycle per px: settings that are found must be settings that are taken.
        assert_eq!(flat.with_relief(0.3, 0.4).relief_px, 0.3 / 0.4);
        assert!(flat.with_relief(0.3, 0.01).check().is_ok());
        // However large, a blur stays one.
        let wild = ResidualBlur { relief_px: 20.0, ..flat };
        assert!((0..100).all(|k| wild.transfer(0.01 * f64::from(k)) <= 1.0));
        assert!(wild.check().is_ok());
        assert!(ResidualBlur { relief_px: 20.1, ..flat }.check().is_err());
        assert!(ResidualBlur { relief_px: f64::NAN, ..flat }.check().is_err());
    }

    #[test]
    fn a_pixel_passes_two_over_pi_at_its_nyquist_frequency() {
        // Boreman: sinc(1/2) = 0.636620.
        assert!((pixel_mtf(0.5, 0.0) - std::f64::consts::FRAC_2_PI).abs() < 1e-6);
        assert_eq!(pixel_mtf(0.0, 0.0), 1.0);
    }
}
