//! What a telescope can show at best, and how finely a camera samples it.

use crate::angle::ARCSEC_PER_RADIAN;
use crate::error::MoonError;
use serde::Serialize;
use std::f64::consts::PI;

/// Zeros of the Airy pattern of a clear aperture, in units of wavelength / aperture: zeros of the
/// Bessel function J1 over pi (Born & Wolf, Principles of Optics, section 8.5.2).
pub const AIRY_ZEROS: [f64; 3] = [1.219_669_89, 2.233_130_59, 3.238_315_48];
/// Dawes's limit, arcsec times the aperture in mm: 4.56 arcsec for an inch (Dawes, Mem. RAS 35
/// (1867); the 4.56 from memory). An experience with pairs of stars, not optics.
const DAWES_ARCSEC_MM: f64 = 4.56 * 25.4;
/// Sparrow's limit, in wavelength / aperture: where two equal points lose the dip between them
/// (Sparrow 1916).
const SPARROW: f64 = 0.947_155;

/// Telescope and light.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Telescope {
    /// Diameter of the aperture, mm.
    pub aperture_mm: f64,
    /// Diameter of the central obstruction over that of the aperture, 0 to 0.9.
    pub obstruction: f64,
    /// Wavelength of the light, nm.
    pub wavelength_nm: f64,
}

impl Telescope {
    /// A telescope.
    ///
    /// # Errors
    /// Aperture outside 10 to 30000 mm, obstruction outside 0 to 0.9, wavelength outside 300 to
    /// 2500 nm.
    pub fn new(aperture_mm: f64, obstruction: f64, wavelength_nm: f64) -> Result<Self, MoonError> {
        Ok(Telescope {
            aperture_mm: MoonError::check(
                "aperture",
                "10 to 30000 mm",
                aperture_mm,
                10.0..=30_000.0,
            )?,
            obstruction: MoonError::check(
                "central obstruction (diameter over aperture)",
                "0 to 0.9",
                obstruction,
                0.0..=0.9,
            )?,
            wavelength_nm: MoonError::check(
                "wavelength",
                "300 to 2500 nm",
                wavelength_nm,
                300.0..=2500.0,
            )?,
        })
    }

    /// Wavelength over aperture, arcsec.
    pub fn unit_arcsec(&self) -> f64 {
        self.wavelength_nm * 1e-6 / self.aperture_mm * ARCSEC_PER_RADIAN
    }

    /// Rayleigh's limit, arcsec: the first dark ring of a clear aperture (Rayleigh 1879).
    pub fn rayleigh_arcsec(&self) -> f64 {
        AIRY_ZEROS[0] * self.unit_arcsec()
    }

    /// Dawes's limit, arcsec.
    pub fn dawes_arcsec(&self) -> f64 {
        DAWES_ARCSEC_MM / self.aperture_mm
    }

    /// Sparrow's limit, arcsec.
    pub fn sparrow_arcsec(&self) -> f64 {
        SPARROW * self.unit_arcsec()
    }

    /// Highest spatial frequency that passes, cycles per arcsec (Goodman, Introduction to Fourier
    /// Optics, section 6.4).
    pub fn cutoff_cycles_per_arcsec(&self) -> f64 {
        1.0 / self.unit_arcsec()
    }

    /// Brightness of a point's image at `x` wavelengths over apertures from its middle, where it
    /// is 1.
    fn spot(&self, x: f64) -> f64 {
        let e = self.obstruction;
        let amplitude = |v: f64| if v.abs() < 1e-9 { 1.0 } else { 2.0 * bessel(1, v) / v };
        let v = PI * x;
        ((amplitude(v) - e * e * amplitude(e * v)) / (1.0 - e * e)).powi(2)
    }

    /// Radius of the first dark ring with the obstruction, arcsec.
    pub fn dark_ring_arcsec(&self) -> f64 {
        // The amplitude falls from 1 through zero; an obstruction moves the zero inwards from the
        // clear aperture's, as far as 0.77 where nearly all is covered.
        let e = self.obstruction;
        let amplitude = |x: f64| {
            let v = PI * x;
            bessel(1, v) - e * bessel(1, e * v)
        };
        bisect(0.5, 1.25, |x| amplitude(x) > 0.0) * self.unit_arcsec()
    }

    /// Width of a point's image at half its height, with the obstruction, arcsec.
    pub fn spot_width_arcsec(&self) -> f64 {
        2.0 * bisect(0.0, 0.7, |x| self.spot(x) > 0.5) * self.unit_arcsec()
    }

    /// Share of a point's light that falls within the first dark ring, 0 to 1.
    pub fn light_in_dark_ring(&self) -> f64 {
        let zero = self.dark_ring_arcsec() / self.unit_arcsec();
        // Simpson's rule; the whole light of the pattern is known from Parseval's theorem.
        const STEPS: usize = 400;
        let step = zero / STEPS as f64;
        let sum: f64 = (0..=STEPS)
            .map(|i| {
                let x = i as f64 * step;
                let weight = if i == 0 || i == STEPS { 1.0 } else { 2.0 + 2.0 * (i % 2) as f64 };
                weight * self.spot(x) * x
            })
            .sum();
        sum * step / 3.0 * 2.0 * PI * PI / 4.0 * (1.0 - self.obstruction * self.obstruction)
    }

    /// Focal ratio at which pixels of `pixel_um` just hold all that the telescope passes: two to
    /// the finest cycle (Shannon and Nyquist).
    pub fn critical_focal_ratio(&self, pixel_um: f64) -> f64 {
        2.0 * pixel_um / (self.wavelength_nm * 1e-3)
    }

    /// Scale at which pixels just hold all that the telescope passes, arcsec.
    pub fn critical_arcsec_per_px(&self) -> f64 {
        0.5 * self.unit_arcsec()
    }

    /// All limits, in arcsec and in km where an arcsec is `km_per_arcsec`.
    pub fn limits(&self, km_per_arcsec: f64) -> Limits {
        let both = |arcsec: f64| Size { arcsec, km: arcsec * km_per_arcsec };
        Limits {
            rayleigh: both(self.rayleigh_arcsec()),
            dawes: both(self.dawes_arcsec()),
            finest_period: both(self.unit_arcsec()),
            spot_width: both(self.spot_width_arcsec()),
            critical_pixel: both(self.critical_arcsec_per_px()),
        }
    }
}

/// A length in the sky and at the object.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Size {
    /// In the sky.
    pub arcsec: f64,
    /// At the object, across the line of sight.
    pub km: f64,
}

/// What a telescope can show at best.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Limits {
    /// Rayleigh's limit: two points that stand clearly apart.
    pub rayleigh: Size,
    /// Dawes's limit: two stars that can just be told from one.
    pub dawes: Size,
    /// The finest pattern of lines that leaves any trace: from line to line.
    pub finest_period: Size,
    /// Width of a point's image at half its height.
    pub spot_width: Size,
    /// The largest pixel that loses nothing.
    pub critical_pixel: Size,
}

/// Scale of a picture, arcsec per px, from pixel pitch and focal length.
///
/// # Errors
/// A pitch outside 0.1 to 1000 micrometres or a focal length outside 1 to 1e6 mm.
pub fn arcsec_per_px(pixel_um: f64, focal_length_mm: f64) -> Result<f64, MoonError> {
    let pixel = MoonError::check("pixel pitch", "0.1 to 1000 micrometres", pixel_um, 0.1..=1e3)?;
    let focal = MoonError::check("focal length", "1 to 1e6 mm", focal_length_mm, 1.0..=1e6)?;
    Ok(ARCSEC_PER_RADIAN * 1e-3 * pixel / focal)
}

/// What a square pixel passes of a pattern of `cycles_per_px` along its side, 0 to 1.
pub fn pixel_transfer(cycles_per_px: f64) -> f64 {
    let x = PI * cycles_per_px;
    if x.abs() < 1e-9 { 1.0 } else { x.sin() / x }
}

/// Bessel function of the first kind of a whole order, by its integral: trapezoids converge
/// faster than any power for a periodic integrand. To 1e-13 for `x` up to 20.
fn bessel(order: i32, x: f64) -> f64 {
    const STEPS: i32 = 64;
    let term = |i: i32| {
        let t = PI * (f64::from(i) + 0.5) / f64::from(STEPS);
        (f64::from(order) * t - x * t.sin()).cos()
    };
    (0..STEPS).map(term).sum::<f64>() / f64::from(STEPS)
}

/// Where `before` turns false between `low`, where it holds, and `high`.
fn bisect(mut low: f64, mut high: f64, before: impl Fn(f64) -> bool) -> f64 {
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if before(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(found: f64, expected: f64, within: f64) {
        assert!((found - expected).abs() <= within, "{found}, expected {expected}");
    }

    /// An aperture for which wavelength / aperture is one arcsec.
    fn unit(obstruction: f64) -> Telescope {
        Telescope { aperture_mm: 550e-6 * ARCSEC_PER_RADIAN, obstruction, wavelength_nm: 550.0 }
    }

    #[test]
    fn the_airy_pattern_is_the_published_one() {
        // Born & Wolf, section 8.5.2: zeros of J1; light within them 1 - J0^2 - J1^2 (Rayleigh
        // 1881): 0.837785, 0.909931, 0.937648; width 1.028994 (half height at v = 1.6163399).
        for (zero, light) in AIRY_ZEROS.into_iter().zip([0.837_785, 0.909_931, 0.937_648]) {
            close(bessel(1, PI * zero), 0.0, 1e-7);
            close(1.0 - bessel(0, PI * zero).powi(2) - bessel(1, PI * zero).powi(2), light, 1e-6);
        }
        let clear = unit(0.0);
        close(clear.dark_ring_arcsec(), AIRY_ZEROS[0], 1e-7);
        close(clear.light_in_dark_ring(), 0.837_785, 1e-6);
        close(clear.spot_width_arcsec(), 1.028_994, 1e-6);
        close(clear.spot_width_arcsec() * PI / 2.0, 1.616_339_9, 1e-6);
    }

    #[test]
    fn an_obstruction_tightens_the_spot_and_feeds_the_rings() {
        // O'Neill, J. Opt. Soc. Am. 46, 285 (1956), recomputed: first zero and width in wavelength /
        // aperture, light inside the first dark ring.
        for (obstruction, zero, width, light) in [
            (0.00, 1.2197, 1.0290, 0.8378),
            (0.20, 1.1665, 1.0068, 0.7638),
            (0.25, 1.1416, 0.9949, 0.7258),
            (0.30, 1.1145, 0.9811, 0.6824),
            (0.33, 1.0977, 0.9720, 0.6543),
            (0.35, 1.0863, 0.9656, 0.6348),
            (0.40, 1.0577, 0.9486, 0.5843),
            (0.50, 1.0009, 0.9117, 0.4786),
        ] {
            let telescope = unit(obstruction);
            close(telescope.dark_ring_arcsec(), zero, 5.1e-5);
            close(telescope.spot_width_arcsec(), width, 5.1e-5);
            close(telescope.light_in_dark_ring(), light, 5.1e-5);
        }
    }

    #[test]
    fn limits_are_the_published_ones() {
        let telescope = Telescope::new(200.0, 0.33, 550.0).unwrap();
        // Rayleigh: 138.37 arcsec mm at 550 nm, and a dip to 0.73503 between two equal points.
        close(telescope.rayleigh_arcsec() * 200.0, 138.37, 0.01);
        let clear = unit(0.0);
        close(2.0 * clear.spot(0.5 * AIRY_ZEROS[0]), 0.735_03, 1e-4);
        // Dawes: 115.82 arcsec mm, 1.0208 wavelength / aperture at 550 nm, 0.8369 of Rayleigh's.
        close(telescope.dawes_arcsec() * 200.0, 115.82, 0.01);
        close(telescope.dawes_arcsec() / telescope.unit_arcsec(), 1.0208, 0.002);
        close(telescope.dawes_arcsec() / telescope.rayleigh_arcsec(), 0.8369, 0.002);
        // Sparrow: the second derivative between the points vanishes.
        close(telescope.sparrow_arcsec() / telescope.unit_arcsec(), 0.947_155, 1e-9);
        let pair = |x: f64| clear.spot(x - 0.5 * SPARROW) + clear.spot(x + 0.5 * SPARROW);
        close((pair(1e-3) - 2.0 * pair(0.0) + pair(-1e-3)) / 1e-6, 0.0, 1e-4);
        // Goodman, section 6.4: cut-off in cycles per arcsec at 550 nm.
        for (aperture, cutoff) in [(250.0, 2.2037), (200.0, 1.7630), (150.0, 1.3222)] {
            let telescope = Telescope::new(aperture, 0.0, 550.0).unwrap();
            close(telescope.cutoff_cycles_per_arcsec() / cutoff, 1.0, 1e-4);
        }
        // 1.86362 km to the arcsec at 384400 km.
        let limits = telescope.limits(1.863_62);
        close(limits.rayleigh.km, 0.691_85 * 1.863_62, 1e-3);
        assert!(limits.dawes.arcsec < limits.rayleigh.arcsec);
        assert!(limits.finest_period.arcsec < limits.dawes.arcsec);
    }

    #[test]
    fn sampling_follows_pitch_and_focal_length() {
        for (pixel, wavelength, ratio) in
            [(2.9, 550.0, 10.55), (3.75, 650.0, 11.54), (5.5, 550.0, 20.0)]
        {
            let telescope = Telescope::new(200.0, 0.3, wavelength).unwrap();
            close(telescope.critical_focal_ratio(pixel), ratio, 0.005);
            // At that focal ratio the scale is half of wavelength / aperture.
            let focal = telescope.critical_focal_ratio(pixel) * 200.0;
            let scale = arcsec_per_px(pixel, focal).unwrap();
            close(scale / telescope.critical_arcsec_per_px(), 1.0, 1e-12);
        }
        close(arcsec_per_px(2.9, 4000.0).unwrap(), 0.149_542, 1e-6);
        // A square pixel passes sinc(1/2) = 2 / pi = 0.636620 of what it samples critically
        // (Boreman, MTF in Optical & Electro-Optical Systems).
        close(pixel_transfer(0.5), std::f64::consts::FRAC_2_PI, 1e-12);
        close(pixel_transfer(0.0), 1.0, 1e-12);
        for bad in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert!(arcsec_per_px(bad, 1000.0).is_err() && arcsec_per_px(2.9, bad).is_err());
            assert!(Telescope::new(bad, 0.3, 550.0).is_err());
        }
        assert!(Telescope::new(200.0, 0.95, 550.0).is_err());
    }
}
