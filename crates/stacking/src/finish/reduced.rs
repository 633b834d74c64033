//! The finish of a large region at reduced size, for a slider that cannot wait for all its pixels.
//!
//! What the detail scales add is a sum: of every scale its gain times the share that passes times the
//! scale. Scales, their local energy and the smooth rest are worked out once at full size and averaged
//! over blocks; a slider then costs a few operations for each block. As long as the hold-backs are those
//! that it was worked out with, or none, the result is the finished picture averaged over blocks, but for
//! rounding; for another hold-back the share that passes is taken from block means, which is off by about
//! one of 256 greys until it is worked out anew.

use super::atrous::{MOST_SCALES, along_row, five_rows, smooth};
use super::detail::{DetailSettings, Threshold, energy_step, gaussian, passing, squares};
use super::noise::NoiseModel;
use super::{FinishError, FinishSettings, Measured, Sharpening, carry, difference, finite, wiener};
use crate::halves::Region;
use rayon::prelude::*;
use stillwright_picture::{Cancelled, Picture, Plane, Progress};

/// Detail scales that are worked out at least, whether they do anything yet or not: those with sliders.
const SCALES: usize = 5;

/// What the reduced finish of a region starts from.
#[derive(Clone, Debug)]
pub struct Reduced {
    factor: usize,
    /// Before the scales: what was undone and smoothed.
    before: DetailSettings,
    scales: Vec<Scale>,
    rest: Vec<f32>,
    /// Channels and light as they were, and for colours each channel's share of the light's changes.
    picture: Picture,
    light: Vec<f32>,
    hues: Vec<Vec<f32>>,
    noise: NoiseModel,
}

/// One detail scale, averaged over blocks.
#[derive(Clone, Debug, Default)]
struct Scale {
    detail: Vec<f32>,
    energy: Vec<f32>,
    rest: Vec<f32>,
    /// What passes of the detail with this hold-back.
    held: (f32, Vec<f32>),
    /// Its noise as a share of the pixel variance.
    share: f64,
}

/// How detail scales as `used` has them; `None` for other ways of sharpening.
fn scales_of(used: &FinishSettings) -> Option<DetailSettings> {
    match &used.sharpening {
        Sharpening::DetailScales(detail) => Some(detail.clone()),
        Sharpening::None => Some(DetailSettings::default()),
        _ => None,
    }
}

/// Scales that are worked out for these settings.
fn count(detail: &DetailSettings) -> usize {
    detail.scales.len().clamp(SCALES, MOST_SCALES)
}

impl Reduced {
    /// Margin around a region at full size for which its inside comes out as in the whole, px; `None`
    /// where `used` sharpens otherwise than by detail scales.
    pub fn margin_px(used: &FinishSettings) -> Option<usize> {
        let detail = scales_of(used)?;
        let mut all = detail.clone();
        let active = super::DetailScale { gain: 2.0, hold_back: 1.0 };
        all.scales = vec![active; count(&detail)];
        Some(all.margin_px() + difference::reach_px(used) + carry::hue_reach_px())
    }

    /// Work out `inner` of `picture` (a stack, or a crop of one with [`Reduced::margin_px`] around it)
    /// in blocks of `factor` px a side; rows and columns that fill no block are left away. `used` must be
    /// resolved. `None` where it sharpens otherwise than by detail scales, or no block fits.
    ///
    /// # Errors
    /// When cancelled.
    pub fn new(
        picture: &Picture,
        inner: Region,
        factor: usize,
        used: &FinishSettings,
        measured: &Measured,
        progress: &dyn Progress,
    ) -> Result<Option<Reduced>, FinishError> {
        let Some(detail) = scales_of(used) else { return Ok(None) };
        let fits = |first: usize, len: usize, all: usize| first <= all && len <= all - first;
        let (width, height) = (picture.width(), picture.height());
        let size = (inner.width / factor.max(1), inner.height / factor.max(1));
        if factor == 0
            || size.0 == 0
            || size.1 == 0
            || !fits(inner.left, inner.width, width)
            || !fits(inner.top, inner.height, height)
        {
            return Ok(None);
        }
        let blocks = Blocks { factor, size, corner: (inner.left, inner.top), width };
        let mut clean = Picture { planes: picture.planes.mapv(finite) };
        let light: Vec<f32> = clean.luminance().iter().copied().collect();
        progress.check()?;
        let white = NoiseModel::white(0.0);
        let known = measured.light.as_ref();
        let noise = known.map_or(&white, |m| &m.noise);
        let (mut last, noise) = match (detail.undo, known.and_then(|m| m.signal)) {
            (Some(undo), Some(signal)) => {
                let left = noise.filtered(|f| wiener::gain(&undo, &signal, noise, f));
                let size = (height, width);
                let sharp =
                    wiener::deconvolve(&light, size, &undo, &signal, noise, progress, (0, 1))?;
                (sharp, left)
            }
            _ => (light.clone(), noise.clone()),
        };
        if detail.smooth_px > 0.0 {
            last = gaussian(&last, width, detail.smooth_px);
        }
        let shares = noise.scale_shares(count(&detail), f64::from(detail.smooth_px));
        let mut next = vec![0.0; last.len()];
        let mut scales = Vec::with_capacity(shares.len());
        for (j, share) in shares.into_iter().enumerate() {
            progress.check()?;
            smooth(&last, &mut next, width, 1 << j);
            let hold_back = detail.scales.get(j).map_or(0.0, |scale| scale.hold_back);
            let held = (hold_back, Threshold::new(&noise, share, hold_back));
            let mut scale = blocks.scale(&last, &next, 1 << j, held, progress)?;
            scale.share = share;
            scales.push(scale);
            std::mem::swap(&mut last, &mut next);
        }
        let rest = blocks.mean(&last);
        if clean.channels() > 1 {
            difference::bring_back(&mut clean, &light, used, measured, progress)?;
        }
        let mut reduced = Picture::black(clean.channels(), size.1, size.0);
        let mut hues = Vec::new();
        let floor = carry::hue_floor(known);
        for channel in 0..clean.channels() {
            progress.check()?;
            let plane = clean.plane(channel);
            let samples = plane.as_standard_layout();
            let samples = samples.as_slice().unwrap_or(&[]);
            let mean = Plane::from_shape_vec((size.1, size.0), blocks.mean(samples));
            if let Ok(mean) = mean {
                reduced.plane_mut(channel).assign(&mean);
            }
            if clean.channels() > 1 {
                hues.push(blocks.mean(&carry::hue(samples, &light, width, floor)));
            }
        }
        let light = blocks.mean(&light);
        let before = DetailSettings { scales: Vec::new(), ..detail };
        let found = Reduced { factor, before, scales, rest, picture: reduced, light, hues, noise };
        Ok(Some(found))
    }

    /// Pixels of a block along a side.
    pub fn factor(&self) -> usize {
        self.factor
    }

    /// Whether `used` can be rendered from this: only gains, hold-backs, colour and tone may differ.
    pub fn serves(&self, used: &FinishSettings) -> bool {
        scales_of(used).is_some_and(|detail| {
            detail.scales.len() <= self.scales.len()
                && DetailSettings { scales: Vec::new(), ..detail } == self.before
        })
    }

    /// Whether it does so px for px: with the hold-backs that it was worked out with, or none.
    pub fn serves_exactly(&self, used: &FinishSettings) -> bool {
        let settings = scales_of(used).unwrap_or_default();
        let held = |j: usize| settings.scales.get(j).map_or(0.0, |scale| scale.hold_back);
        let mut scales = self.scales.iter().enumerate();
        self.serves(used) && scales.all(|(j, scale)| held(j) == 0.0 || held(j) == scale.held.0)
    }

    /// The region finished as `used` says, one pixel a block. The points of its tone should be levels, for
    /// automatic ones are taken from the region alone.
    ///
    /// # Errors
    /// When cancelled or when a setting is out of range.
    pub fn render(
        &self,
        used: &FinishSettings,
        progress: &dyn Progress,
    ) -> Result<Picture, FinishError> {
        used.check().map_err(FinishError::Setting)?;
        let settings = scales_of(used).unwrap_or_default();
        let mut sharp = self.rest.clone();
        for (j, scale) in self.scales.iter().enumerate() {
            progress.check()?;
            let now = settings.scales.get(j).copied().unwrap_or_default();
            let threshold = Threshold::new(&self.noise, scale.share, now.hold_back);
            if now.hold_back == 0.0 || now.hold_back == scale.held.0 {
                let through = if now.hold_back == 0.0 { &scale.detail } else { &scale.held.1 };
                let terms = sharp.par_iter_mut().zip(through).with_min_len(1 << 14);
                terms.for_each(|(sum, detail)| *sum += now.gain * detail);
                continue;
            }
            let parts = scale.detail.par_iter().zip(scale.energy.par_iter().zip(&scale.rest));
            sharp.par_iter_mut().zip(parts).with_min_len(1 << 14).for_each(
                |(sum, (detail, (energy, rest)))| {
                    *sum += now.gain * detail * passing(threshold.at(*rest), *energy);
                },
            );
        }
        let mut picture = self.picture.clone();
        for channel in 0..picture.channels() {
            let mut plane = picture.plane_mut(channel);
            let Some(samples) = plane.as_slice_mut() else { continue };
            match self.hues.get(channel) {
                None => samples.copy_from_slice(&sharp),
                Some(hue) => {
                    let terms = hue.iter().zip(sharp.iter().zip(&self.light));
                    for (v, (hue, (sharp, light))) in samples.iter_mut().zip(terms) {
                        *v += hue * (sharp - light);
                    }
                }
            }
        }
        used.colour.apply(&mut picture);
        used.tone.apply(&mut picture);
        Ok(picture)
    }
}

/// Blocks of a plane.
#[derive(Clone, Copy)]
struct Blocks {
    factor: usize,
    /// Columns and rows of blocks.
    size: (usize, usize),
    /// First column and row of the first block.
    corner: (usize, usize),
    /// Columns of the plane.
    width: usize,
}

impl Blocks {
    /// Mean of each block of `plane`.
    fn mean(&self, plane: &[f32]) -> Vec<f32> {
        let mut out = vec![0.0; self.size.0 * self.size.1];
        out.par_chunks_mut(self.size.0).enumerate().for_each(|(row, out)| {
            for y in self.rows(row) {
                self.add(&plane[y * self.width..(y + 1) * self.width], out);
            }
            self.divide(out);
        });
        out
    }

    fn rows(&self, row: usize) -> std::ops::Range<usize> {
        let first = self.corner.1 + row * self.factor;
        first..first + self.factor
    }

    fn add(&self, line: &[f32], out: &mut [f32]) {
        let line = &line[self.corner.0..self.corner.0 + self.size.0 * self.factor];
        for (sum, block) in out.iter_mut().zip(line.chunks_exact(self.factor)) {
            *sum += block.iter().sum::<f32>();
        }
    }

    fn divide(&self, out: &mut [f32]) {
        let share = 1.0 / (self.factor * self.factor) as f32;
        out.iter_mut().for_each(|v| *v *= share);
    }

    /// The scale between `fine` and `rest`, whose kernel has holes of `step`.
    fn scale(
        &self,
        fine: &[f32],
        rest: &[f32],
        step: usize,
        (hold_back, threshold): (f32, Threshold),
        progress: &dyn Progress,
    ) -> Result<Scale, Cancelled> {
        let (n, width) = (self.size.0, self.width);
        let step = energy_step(step);
        let blank = || vec![0.0f32; n * self.size.1];
        let (mut detail, mut energy, mut held) = (blank(), blank(), blank());
        let rows = detail.par_chunks_mut(n).zip(energy.par_chunks_mut(n));
        let rows = rows.zip(held.par_chunks_mut(n));
        rows.enumerate().try_for_each_init(
            || (vec![0.0; width], vec![0.0; width]),
            |(line, energy), (row, ((detail, sums), held))| {
                progress.check()?;
                for y in self.rows(row) {
                    let (fine, rest) =
                        (five_rows(fine, width, y, step), five_rows(rest, width, y, step));
                    squares(fine, rest, line);
                    along_row(line, energy, step);
                    self.add(energy, sums);
                    let (c, r) = (fine[2], rest[2]);
                    line.iter_mut().zip(c.iter().zip(r)).for_each(|(d, (c, r))| *d = c - r);
                    self.add(line, detail);
                    let passed = line.iter_mut().zip(energy.iter().zip(r));
                    passed.for_each(|(d, (energy, rest))| {
                        *d *= passing(threshold.at(*rest), *energy)
                    });
                    self.add(line, held);
                }
                self.divide(detail);
                self.divide(sums);
                self.divide(held);
                Ok(())
            },
        )?;
        Ok(Scale { detail, energy, rest: self.mean(rest), held: (hold_back, held), share: 0.0 })
    }
}

#[cfg(test)]
mod tests {
    use super::super::{DetailScale, Halved, Point, measure, render, resolve};
    use super::*;
    use stillwright_picture::Silent;

    fn made(channels: usize, seed: u32) -> Picture {
        let mut state = seed;
        let mut picture = Picture::black(channels, 208, 240);
        for ((channel, y, x), v) in picture.planes.indexed_iter_mut() {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let noise = (state >> 8) as f32 / 16_777_216.0 - 0.5;
            let (x, y) = (x as f32, y as f32);
            let wave = (x * 0.31).sin() * (y * 0.23).cos() + (x * 0.05).cos() * (y * 0.08).sin();
            *v = 0.4 + 0.03 * channel as f32 + 0.08 * wave + 0.01 * noise;
        }
        picture
    }

    /// Root mean square over both pictures' difference.
    fn apart(a: &Picture, b: &Picture) -> f32 {
        let sum: f32 = a.planes.iter().zip(&b.planes).map(|(a, b)| (a - b).powi(2)).sum();
        (sum / a.planes.len() as f32).sqrt()
    }

    #[test]
    fn a_reduced_finish_is_the_finish_averaged_over_blocks() {
        for channels in [1, 3] {
            let halves = [made(channels, 1), made(channels, 2)];
            let both = Picture { planes: (&halves[0].planes + &halves[1].planes) * 0.5 };
            let [a, b] = &halves;
            let stack =
                Halved { picture: &both, halves: [a, b], scale: 1.0, unrest: None, covered: None };
            let measured = measure(stack, None, &Silent).unwrap();
            let (mut used, _) = resolve(stack, &measured, &FinishSettings::default());
            used.tone.black = Point::Level(-1.0);
            used.tone.white = Point::Level(2.0);
            let Sharpening::DetailScales(detail) = &mut used.sharpening else { panic!() };
            detail.scales = vec![DetailScale { gain: 1.0, hold_back: 1.5 }; 5];
            let inner = Region { left: 40, top: 24, width: 130, height: 121 };
            let reduced =
                Reduced::new(&both, inner, 4, &used, &measured, &Silent).unwrap().unwrap();
            let blocks = Blocks { factor: 4, size: (32, 30), corner: (40, 24), width: 240 };
            // A hue changes a little within a block, so colours agree less closely.
            let exact = if channels == 1 { 2e-6 } else { 1e-5 };
            for (hold_back, limit) in [(0.0, exact), (1.5, exact), (2.5, 1.5e-3)] {
                let Sharpening::DetailScales(detail) = &mut used.sharpening else { panic!() };
                let gains = [3.0, 2.0, 0.5, 1.7, 1.2];
                detail.scales = gains.map(|gain| DetailScale { gain, hold_back }).to_vec();
                assert!(reduced.serves(&used));
                assert_eq!(reduced.serves_exactly(&used), hold_back < 2.0);
                let found = reduced.render(&used, &Silent).unwrap();
                let whole = render(&both, &used, &measured, &Silent).unwrap();
                let mut expected = Picture::black(channels, 30, 32);
                for channel in 0..channels {
                    let mean = blocks.mean(whole.plane(channel).as_slice().unwrap());
                    let mean = Plane::from_shape_vec((30, 32), mean).unwrap();
                    expected.plane_mut(channel).assign(&mean);
                }
                // Of a contrast of 0.05 after the tone.
                let error = apart(&found, &expected);
                assert!(error < limit, "{channels} channels, hold-back {hold_back}: {error}");
            }
            let Sharpening::DetailScales(detail) = &mut used.sharpening else { panic!() };
            detail.smooth_px = 0.7;
            assert!(!reduced.serves(&used), "what comes before the scales is worked out anew");
            used.sharpening = Sharpening::Wiener(Default::default());
            assert!(Reduced::margin_px(&used).is_none());
        }
    }
}
