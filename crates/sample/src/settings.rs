//! What night to simulate: every setting, its range, and some ready-made nights.

use serde::{Deserialize, Serialize};
use stillwright_picture::{BayerOrder, Layout};

/// Why a night cannot be simulated.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SampleError {
    /// A setting is outside its range.
    #[error("the sample setting `{name}` must be {expected}, but is {found}")]
    Setting {
        /// Name of the setting, with its group.
        name: &'static str,
        /// The allowed range.
        expected: &'static str,
        /// What was asked for.
        found: String,
    },
    /// The person asked to stop.
    #[error(transparent)]
    Cancelled(#[from] stillwright_picture::Cancelled),
}

/// What the telescope points at.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Scene {
    /// Cratered ground under a low Sun that fills the frame.
    Ground,
    /// A belted planet on black sky, a small moon beside it.
    Disc,
}

/// The telescope, and how finely the camera samples its picture.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Telescope {
    /// Diameter of the aperture, m: 0.02 to 2.
    pub aperture_m: f64,
    /// Diameter of the central obstruction over that of the aperture: 0 to 0.8.
    pub obstruction: f64,
    /// Wavelength of a mono camera, m, and the one that r0 is told at: 3e-7 to 2e-6.
    pub wavelength_m: f64,
    /// Wavelengths behind a red, green, blue mosaic, m. Each is rounded so that its ratio to
    /// `wavelength_m` is an even number of pupil samples; the truth tells the rounded ones.
    pub colour_wavelengths_m: [f64; 3],
    /// Sky covered by one pixel. The optical cut-off D / lambda must lie between 0.15 and 0.5
    /// cycles per pixel at each wavelength, for the picture to be sampled without aliasing.
    pub arcsec_per_px: f64,
    /// Atmospheric dispersion between the first and the last colour, px along y (first colour
    /// above where positive); the others in proportion to wavelength. -20 to 20; a mono camera
    /// sees none.
    pub dispersion_px: f64,
}

impl Default for Telescope {
    fn default() -> Telescope {
        Telescope {
            aperture_m: 0.2032,
            obstruction: 0.35,
            wavelength_m: 540e-9,
            colour_wavelengths_m: [607.5e-9, 540e-9, 472.5e-9],
            arcsec_per_px: 0.21,
            dispersion_px: 0.0,
        }
    }
}

/// One layer of turbulent air.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AirLayer {
    /// Height above the telescope along the line of sight, m: 0 to 30,000.
    pub height_m: f64,
    /// Share of the turbulence (of r0^(-5/3)); the shares are normalised to a sum of 1.
    pub share: f64,
    /// Wind to the right in the picture, m/s: up to 100 either way.
    pub wind_x_m_s: f64,
    /// Wind down the picture, m/s: up to 100 either way.
    pub wind_y_m_s: f64,
}

/// The air.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Air {
    /// Aperture over r0 (Fried's parameter) at `wavelength_m`, in the middle of its swings: 0 (no
    /// turbulence) to 20.
    pub d_over_r0: f64,
    /// Swing of r0, standard deviation of its logarithm: 0 to 1.
    pub r0_swing: f64,
    /// Time in which r0 swings, s: 0.1 to 1000.
    pub r0_swing_s: f64,
    /// The layers, 1 to 6.
    pub layers: Vec<AirLayer>,
}

impl Default for Air {
    fn default() -> Air {
        let layer = |height_m, share, wind_x_m_s, wind_y_m_s| AirLayer {
            height_m,
            share,
            wind_x_m_s,
            wind_y_m_s,
        };
        Air {
            d_over_r0: 5.0,
            r0_swing: 0.2,
            r0_swing_s: 1.5,
            layers: vec![layer(150.0, 0.6, 3.1, 1.2), layer(3200.0, 0.4, -9.4, 2.3)],
        }
    }
}

/// The mount: how the picture moves apart from what the air does to it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Mount {
    /// Steady drift to the right, px/s.
    pub drift_x_px_s: f64,
    /// Steady drift down, px/s.
    pub drift_y_px_s: f64,
    /// Slow wander on each axis, px rms: 0 to 50.
    pub wander_px: f64,
    /// Time of the wander, s: 0.1 to 1000.
    pub wander_s: f64,
    /// Number of bumps: 0 to 1000.
    pub bumps: usize,
    /// Size of a bump's first swing, px: 0 to 200.
    pub bump_px: f64,
}

impl Default for Mount {
    fn default() -> Mount {
        Mount {
            drift_x_px_s: 0.4,
            drift_y_px_s: -0.25,
            wander_px: 1.5,
            wander_s: 2.5,
            bumps: 1,
            bump_px: 14.0,
        }
    }
}

/// The camera.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Camera {
    /// Bits a sample: 8 (one byte) or 9 to 16 (two bytes).
    pub bit_depth: u32,
    /// Mono or one of the four Bayer orders.
    pub layout: Layout,
    /// Exposure, s: 0 (the air stands still) to 1.
    pub exposure_s: f64,
    /// Moments of the air that are averaged over one exposure: 1 to 16. The time of computing
    /// grows with it.
    pub exposure_steps: usize,
    /// Electrons that give full scale: 50 to 1e6.
    pub electrons_at_white: f64,
    /// Read noise, electrons rms: 0 to 1000.
    pub read_noise_e: f64,
    /// Black level, share of full scale: 0 to 0.3.
    pub black_level: f64,
    /// Brightness of the scene's brightest parts, share of full scale: 0.01 to 2.
    pub brightness: f64,
    /// Number of hot pixels: 0 to 10,000.
    pub hot_pixels: usize,
    /// Number of frames without light.
    pub blank_frames: usize,
    /// Largest share of the light that passing cloud takes: 0 (clear) to 1.
    pub cloud: f64,
}

impl Default for Camera {
    fn default() -> Camera {
        Camera {
            bit_depth: 8,
            layout: Layout::Mono,
            exposure_s: 0.004,
            exposure_steps: 1,
            electrons_at_white: 6000.0,
            read_noise_e: 6.0,
            black_level: 0.02,
            brightness: 0.8,
            hot_pixels: 0,
            blank_frames: 0,
            cloud: 0.0,
        }
    }
}

/// The Sun over cratered ground. It stands to the left and sinks to the right, by a degree in some
/// 75 px, as on the Moon at 0.4 km a px.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct SunSettings {
    /// Altitude at the left edge, degrees: 2 to 80.
    pub altitude_deg: f64,
    /// Direction the light comes from: 0 from the left, positive from the upper left, rad, -0.78 to
    /// 0.78.
    pub azimuth_rad: f64,
}

impl Default for SunSettings {
    fn default() -> SunSettings {
        SunSettings { altitude_deg: 21.0, azimuth_rad: 0.2 }
    }
}

/// A night to simulate. The same settings give the same bytes, whatever the number of threads.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct SampleSettings {
    /// Where all chance comes from.
    pub seed: u64,
    /// What the telescope points at.
    pub scene: Scene,
    /// Columns: 32 to 4096, even for a Bayer camera.
    pub width: usize,
    /// Rows: 32 to 4096, even for a Bayer camera.
    pub height: usize,
    /// Number of frames: 1 to 100,000.
    pub frames: usize,
    /// Frames a second: 0.1 to 10,000.
    pub fps: f64,
    /// Margin of the true picture beyond the frame on each side, px: 0 to 200.
    pub margin_px: usize,
    /// The Sun over the ground.
    pub sun: SunSettings,
    /// The telescope.
    pub telescope: Telescope,
    /// The air.
    pub air: Air,
    /// The mount.
    pub mount: Mount,
    /// The camera.
    pub camera: Camera,
}

impl Default for SampleSettings {
    fn default() -> SampleSettings {
        SampleSettings {
            seed: 1,
            scene: Scene::Ground,
            width: 384,
            height: 288,
            frames: 240,
            fps: 20.0,
            margin_px: 40,
            sun: SunSettings::default(),
            telescope: Telescope::default(),
            air: Air::default(),
            mount: Mount::default(),
            camera: Camera::default(),
        }
    }
}

impl SampleSettings {
    /// The demonstration: cratered ground, 240 frames of 384 x 288, 8 bit, mono.
    pub fn demo(seed: u64) -> SampleSettings {
        SampleSettings { seed, ..SampleSettings::default() }
    }

    /// Cratered ground with the nuisances of a bad night: 12 bit, hot pixels, blank frames,
    /// bumps and a cloud.
    pub fn rough(seed: u64) -> SampleSettings {
        let mut night = SampleSettings { seed, ..SampleSettings::default() };
        night.air.d_over_r0 = 6.0;
        night.mount.bumps = 2;
        night.camera = Camera {
            bit_depth: 12,
            electrons_at_white: 9000.0,
            hot_pixels: 40,
            blank_frames: 3,
            cloud: 0.5,
            ..Camera::default()
        };
        night
    }

    /// A belted planet with a moon, in colour (Bayer, 8 bit), with dispersion.
    pub fn disc(seed: u64) -> SampleSettings {
        let mut night = SampleSettings { seed, ..SampleSettings::default() };
        night.scene = Scene::Disc;
        (night.width, night.height) = (240, 216);
        night.air.d_over_r0 = 4.5;
        night.telescope.dispersion_px = 2.0;
        night.camera.layout = Layout::Bayer(BayerOrder::Rggb);
        night
    }

    /// A few small frames for quick tests.
    pub fn small(seed: u64) -> SampleSettings {
        let mut night = SampleSettings { seed, ..SampleSettings::default() };
        (night.width, night.height) = (128, 96);
        night.frames = 24;
        night.mount.bumps = 0;
        night
    }

    /// The wavelengths that are simulated: one for a mono camera, else red, green, blue.
    pub(crate) fn wavelengths(&self) -> Vec<f64> {
        match self.camera.layout {
            Layout::Mono => vec![self.telescope.wavelength_m],
            _ => self.telescope.colour_wavelengths_m.to_vec(),
        }
    }

    /// Cut-off D / lambda at a wavelength, cycles per pixel.
    pub fn cutoff_cycles_per_px(&self, wavelength_m: f64) -> f64 {
        let radians_per_px = self.telescope.arcsec_per_px / ARCSEC_PER_RADIAN;
        self.telescope.aperture_m / wavelength_m * radians_per_px
    }

    /// Check every setting against its range.
    ///
    /// # Errors
    /// [`SampleError::Setting`] names the first setting that is out of range.
    pub fn check(&self) -> Result<(), SampleError> {
        let fail =
            |name, expected, found: String| Err(SampleError::Setting { name, expected, found });
        let bayer = matches!(self.camera.layout, Layout::Bayer(_));
        if !bayer && self.camera.layout != Layout::Mono {
            let found = self.camera.layout.name().to_owned();
            return fail("camera.layout", "mono or one of the four Bayer orders", found);
        }
        if bayer && (self.width | self.height) & 1 == 1 {
            let found = format!("{} x {}", self.width, self.height);
            return fail("width, height", "even for a Bayer camera", found);
        }
        if !(1..=6).contains(&self.air.layers.len()) {
            return fail("air.layers", "1 to 6 layers", self.air.layers.len().to_string());
        }
        if self.camera.blank_frames > self.frames {
            let found = self.camera.blank_frames.to_string();
            return fail("camera.blank_frames", "at most the number of frames", found);
        }
        let (t, a, m, c) = (&self.telescope, &self.air, &self.mount, &self.camera);
        let mut ranges = vec![
            ("width", "32 to 4096", self.width as f64, 32.0, 4096.0),
            ("height", "32 to 4096", self.height as f64, 32.0, 4096.0),
            ("frames", "1 to 100000", self.frames as f64, 1.0, 1e5),
            ("sun.altitude_deg", "2 to 80", self.sun.altitude_deg, 2.0, 80.0),
            ("sun.azimuth_rad", "-0.78 to 0.78", self.sun.azimuth_rad, -0.78, 0.78),
            ("fps", "0.1 to 10000", self.fps, 0.1, 1e4),
            ("margin_px", "0 to 200", self.margin_px as f64, 0.0, 200.0),
            ("telescope.aperture_m", "0.02 to 2 m", t.aperture_m, 0.02, 2.0),
            ("telescope.obstruction", "0 to 0.8", t.obstruction, 0.0, 0.8),
            ("telescope.dispersion_px", "-20 to 20 px", t.dispersion_px, -20.0, 20.0),
            ("air.d_over_r0", "0 to 20", a.d_over_r0, 0.0, 20.0),
            ("air.r0_swing", "0 to 1", a.r0_swing, 0.0, 1.0),
            ("air.r0_swing_s", "0.1 to 1000 s", a.r0_swing_s, 0.1, 1e3),
            ("mount.drift_x_px_s", "-100 to 100 px/s", m.drift_x_px_s, -100.0, 100.0),
            ("mount.drift_y_px_s", "-100 to 100 px/s", m.drift_y_px_s, -100.0, 100.0),
            ("mount.wander_px", "0 to 50 px", m.wander_px, 0.0, 50.0),
            ("mount.wander_s", "0.1 to 1000 s", m.wander_s, 0.1, 1e3),
            ("mount.bumps", "0 to 1000", m.bumps as f64, 0.0, 1e3),
            ("mount.bump_px", "0 to 200 px", m.bump_px, 0.0, 200.0),
            ("camera.exposure_s", "0 to 1 s", c.exposure_s, 0.0, 1.0),
            ("camera.exposure_steps", "1 to 16", c.exposure_steps as f64, 1.0, 16.0),
            ("camera.electrons_at_white", "50 to 1e6", c.electrons_at_white, 50.0, 1e6),
            ("camera.read_noise_e", "0 to 1000", c.read_noise_e, 0.0, 1e3),
            ("camera.black_level", "0 to 0.3", c.black_level, 0.0, 0.3),
            ("camera.brightness", "0.01 to 2", c.brightness, 0.01, 2.0),
            ("camera.hot_pixels", "0 to 10000", c.hot_pixels as f64, 0.0, 1e4),
            ("camera.cloud", "0 to 1", c.cloud, 0.0, 1.0),
            ("camera.bit_depth", "8 to 16 bits", f64::from(c.bit_depth), 8.0, 16.0),
        ];
        for wavelength in self.wavelengths() {
            let cutoff = self.cutoff_cycles_per_px(wavelength);
            let wanted = "such that the cut-off is 0.15 to 0.5 cycles per px at each wavelength";
            ranges.push(("telescope wavelength", "3e-7 to 2e-6 m", wavelength, 3e-7, 2e-6));
            ranges.push(("telescope.arcsec_per_px", wanted, cutoff, 0.15, 0.5));
        }
        let reference = t.wavelength_m;
        ranges.push(("telescope.wavelength_m", "3e-7 to 2e-6 m", reference, 3e-7, 2e-6));
        for layer in &a.layers {
            ranges.extend([
                ("air.layers.height_m", "0 to 30000 m", layer.height_m, 0.0, 3e4),
                ("air.layers.share", "above 0, at most 1000", layer.share, 1e-9, 1e3),
                ("air.layers.wind_x_m_s", "-100 to 100 m/s", layer.wind_x_m_s, -100.0, 100.0),
                ("air.layers.wind_y_m_s", "-100 to 100 m/s", layer.wind_y_m_s, -100.0, 100.0),
            ]);
        }
        for (name, expected, value, low, high) in ranges {
            // Written so that NaN is refused as well.
            if !(value >= low && value <= high) {
                return fail(name, expected, value.to_string());
            }
        }
        Ok(())
    }
}

/// Arcseconds in a radian.
pub(crate) const ARCSEC_PER_RADIAN: f64 = 206_264.806_247_096_36;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ready_made_nights_are_allowed() {
        for make in [
            SampleSettings::demo,
            SampleSettings::rough,
            SampleSettings::disc,
            SampleSettings::small,
        ] {
            assert_eq!(make(3).check(), Ok(()));
        }
    }

    #[test]
    fn settings_out_of_range_are_named() {
        type Spoil = fn(&mut SampleSettings);
        let cases: [(&str, Spoil); 8] = [
            ("width", |s| s.width = 0),
            ("height", |s| s.height = 1 << 40),
            ("fps", |s| s.fps = f64::NAN),
            ("telescope.arcsec_per_px", |s| s.telescope.arcsec_per_px = 1.0),
            ("air.layers", |s| s.air.layers.clear()),
            ("air.layers.height_m", |s| s.air.layers[1].height_m = -1.0),
            ("camera.bit_depth", |s| s.camera.bit_depth = 17),
            ("camera.layout", |s| s.camera.layout = Layout::Rgb),
        ];
        for (expected, spoil) in cases {
            let mut night = SampleSettings::small(1);
            spoil(&mut night);
            match night.check() {
                Err(SampleError::Setting { name, .. }) => assert_eq!(name, expected),
                other => panic!("{expected}: {other:?}"),
            }
        }
    }

    #[test]
    fn unknown_settings_are_refused() {
        let known: Result<SampleSettings, _> =
            serde_json::from_str(r#"{"seed": 4, "air": {"d_over_r0": 3.0}}"#);
        assert_eq!(known.map(|s| (s.seed, s.air.d_over_r0)).ok(), Some((4, 3.0)));
        assert!(serde_json::from_str::<SampleSettings>(r#"{"sead": 4}"#).is_err());
    }
}
