//! The air over the telescope: layers with their winds, and what they do to the light that
//! arrives at one place of the picture.

use crate::air::PhaseScreen;
use crate::fourier::good_size;
use crate::settings::{ARCSEC_PER_RADIAN, AirLayer, SampleError, SampleSettings};
use crate::telescope::Pupil;
use crate::track::Moment;
use rayon::prelude::*;
use std::f64::consts::TAU;

/// Least number of pupil samples across the aperture. With fewer, r0 is undersampled and the
/// pupil's edge coarse; with more, every transform is larger.
const LEAST_ACROSS: f64 = 24.0;
/// Sides of a phase screen, samples: the least, what the wind's way may ask for, and what a wide
/// field may. A screen repeats, so the wind brings the same air again after a side's length, but
/// aside by the slant of its way and with other long waves.
const SCREENS: [usize; 3] = [1024, 2048, 4096];

struct Layer {
    screen: PhaseScreen,
    /// Samples by which the beam moves over the screen from one pixel of the field to the next.
    samples_per_px: f64,
    wind_samples_s: [f64; 2],
    /// Square root of the layer's share of the turbulence.
    weight: f64,
}

/// The layers, and the aperture that looks through them.
pub(crate) struct Atmosphere {
    pub pupil: Pupil,
    /// Size of the pupil transform at the reference wavelength: a slope of 2 pi over it moves
    /// the image by one pixel.
    pub reference_size: usize,
    /// Moments that make up an exposure.
    pub steps: usize,
    exposure_s: f64,
    aperture_m: f64,
    middle_px: [f64; 2],
    layers: Vec<Layer>,
}

/// Pupil transform at the reference wavelength: the smallest that puts enough samples across.
pub(crate) fn reference_size(settings: &SampleSettings) -> usize {
    let cutoff = settings.cutoff_cycles_per_px(settings.telescope.wavelength_m);
    good_size(((LEAST_ACROSS / cutoff).ceil() as usize).max(64))
}

impl Atmosphere {
    /// Blow up the air of a night whose settings have been checked.
    ///
    /// # Errors
    /// When a layer is so high that the field is too wide for a screen there.
    pub fn new(settings: &SampleSettings) -> Result<Atmosphere, SampleError> {
        let reference_size = reference_size(settings);
        let radians_per_px = settings.telescope.arcsec_per_px / ARCSEC_PER_RADIAN;
        // So that one sample of the pupil transform is one pixel.
        let step_m = settings.telescope.wavelength_m / (radians_per_px * reference_size as f64);
        let aperture_m = settings.telescope.aperture_m;
        let pupil = Pupil::new(aperture_m / step_m, settings.telescope.obstruction);
        let described = &settings.air.layers;
        let total: f64 = described.iter().map(|l| l.share).sum();
        let highest = described.iter().map(|l| l.height_m).fold(0.0, f64::max);
        let widest = settings.width.max(settings.height) as f64;
        let field = widest * radians_per_px * highest / step_m + pupil.side as f64;
        let duration = settings.frames as f64 / settings.fps;
        let wind = described.iter().map(|l| l.wind_x_m_s.hypot(l.wind_y_m_s)).fold(0.0, f64::max);
        let [least, usual, largest] = SCREENS;
        let mut size = if wind * duration / step_m > least as f64 { usual } else { least };
        while (size as f64) < 2.5 * field {
            size *= 2;
            if size > largest {
                return Err(SampleError::Setting {
                    name: "air.layers.height_m",
                    expected: "low enough for the field to be less than 1600 samples wide there",
                    found: format!("{highest} m, where it is {field:.0} samples wide"),
                });
            }
        }
        let pairs = described.len().div_ceil(2) as u64;
        let screens: Vec<PhaseScreen> = (0..pairs)
            .into_par_iter()
            .flat_map_iter(|i| PhaseScreen::pair(settings.seed, i, size, step_m, pupil.side + 1))
            .collect();
        let make = |(screen, layer): (PhaseScreen, &AirLayer)| Layer {
            screen,
            samples_per_px: radians_per_px * layer.height_m / step_m,
            wind_samples_s: [layer.wind_x_m_s / step_m, layer.wind_y_m_s / step_m],
            weight: (layer.share / total).sqrt(),
        };
        Ok(Atmosphere {
            pupil,
            reference_size,
            steps: settings.camera.exposure_steps,
            exposure_s: settings.camera.exposure_s,
            aperture_m,
            middle_px: [settings.width as f64 / 2.0, settings.height as f64 / 2.0],
            layers: screens.into_iter().zip(described).map(make).collect(),
        })
    }

    /// Where the beam from a place in the picture crosses a layer, samples.
    fn footprint(&self, layer: &Layer, moment: &Moment, time_s: f64, place: [f64; 2]) -> [f64; 2] {
        std::array::from_fn(|axis| {
            let direction = place[axis] - self.middle_px[axis] - moment.mount_px[axis];
            // The layer goes with the wind, so the beam crosses it against the wind.
            direction * layer.samples_per_px - layer.wind_samples_s[axis] * time_s
        })
    }

    /// Factor from a screen's unit r0 of 1 m to this moment and layer.
    fn strength(&self, layer: &Layer, moment: &Moment) -> f64 {
        layer.weight * (moment.d_over_r0 / self.aperture_m).powf(5.0 / 6.0)
    }

    /// Times of the steps of an exposure.
    fn times(&self, moment: &Moment) -> impl Iterator<Item = f64> + use<> {
        let (start, exposure, steps) = (moment.time_s, self.exposure_s, self.steps);
        (0..steps).map(move |k| start + exposure * (k as f64 + 0.5) / steps as f64)
    }

    /// Image motion that the air gives at a place of the picture, px to the right and down.
    fn motion(&self, moment: &Moment, time_s: f64, place: [f64; 2]) -> [f32; 2] {
        let mut slope = [0.0f64; 2];
        for layer in &self.layers {
            let [x, y] = self.footprint(layer, moment, time_s, place);
            let (fx, fy) = (x.floor(), y.floor());
            let (tx, ty) = (x - fx, y - fy);
            let (mut sx, mut sy) = layer.screen.long_slope(x, y);
            // Slope is smooth over the screen: interpolate it, so that motion does not jump.
            for (dx, dy, weight) in [
                (0, 0, (1.0 - tx) * (1.0 - ty)),
                (1, 0, tx * (1.0 - ty)),
                (0, 1, (1.0 - tx) * ty),
                (1, 1, tx * ty),
            ] {
                let window = layer.screen.window(fx as i64 + dx, fy as i64 + dy);
                let (wx, wy) = self.pupil.slope(window, layer.screen.stride());
                sx += weight * f64::from(wx);
                sy += weight * f64::from(wy);
            }
            let strength = self.strength(layer, moment);
            slope = [slope[0] + strength * sx, slope[1] + strength * sy];
        }
        slope.map(|s| (s * self.reference_size as f64 / TAU) as f32)
    }

    /// Motion in the middle of the field as the exposure begins, mount included.
    pub fn central_motion(&self, moment: &Moment) -> [f32; 2] {
        let motion = self.motion(moment, moment.time_s, self.middle_px);
        std::array::from_fn(|axis| motion[axis] + moment.mount_px[axis] as f32)
    }

    /// Mean motion of a place of the picture over the exposure, mount included.
    pub fn mean_motion(&self, moment: &Moment, place: [f64; 2]) -> [f32; 2] {
        let mut sum = [0.0f32; 2];
        for time_s in self.times(moment) {
            let motion = self.motion(moment, time_s, place);
            sum = [sum[0] + motion[0], sum[1] + motion[1]];
        }
        std::array::from_fn(|axis| sum[axis] / self.steps as f32 + moment.mount_px[axis] as f32)
    }

    /// Phases at the reference wavelength of all steps of the exposure, each `pupil.side`
    /// squared samples, for the light of one place, whose mean motion is taken out.
    ///
    /// Returns the variance without any tilt, mean over the steps, rad². Each beam is laid on
    /// the nearest sample of its screens; this moves its footprint by half a sample at most.
    pub fn phases(
        &self,
        moment: &Moment,
        place: [f64; 2],
        mean_motion: [f32; 2],
        phases: &mut [f32],
    ) -> f32 {
        let side = self.pupil.side;
        let mut variance = 0.0;
        for (phase, time_s) in phases.chunks_mut(side * side).zip(self.times(moment)) {
            phase.fill(0.0);
            for layer in &self.layers {
                let [x, y] = self.footprint(layer, moment, time_s, place);
                let strength = self.strength(layer, moment) as f32;
                let window = layer.screen.window(x.round() as i64, y.round() as i64);
                let from = window.chunks(layer.screen.stride());
                for (to, from) in phase.chunks_mut(side).zip(from) {
                    to.iter_mut().zip(from).for_each(|(to, v)| *to += strength * v);
                }
            }
            variance += self.pupil.flatten(phase);
            if self.steps > 1 {
                // Motion within the exposure smears: put it back as a slope.
                let motion = self.motion(moment, time_s, place);
                let to_slope = TAU as f32 / self.reference_size as f32;
                let [sx, sy]: [f32; 2] = std::array::from_fn(|axis| {
                    (motion[axis] + moment.mount_px[axis] as f32 - mean_motion[axis]) * to_slope
                });
                for (row, y) in phase.chunks_mut(side).zip(&self.pupil.axis) {
                    for (p, x) in row.iter_mut().zip(&self.pupil.axis) {
                        *p += sx * x + sy * y;
                    }
                }
            }
        }
        variance / self.steps as f32
    }
}
